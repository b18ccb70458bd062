//! The stream of each agent: decode, hand to the engine, encode.

use std::pin::Pin;
use std::task::{Context, Poll};

use futures::{Stream, StreamExt};
use tidemill_proto::PROTOCOL;
use tidemill_proto::v1::agents_server::Agents;
use tidemill_proto::v1::{FromAgent, Refused, ToAgent, from_agent, to_agent};
use tokio::sync::mpsc;
use tokio_stream::wrappers::UnboundedReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::{Request, Response, Status, Streaming};

use crate::engine::EngineHandle;
use crate::engine::event::Event;

/// Serves agents of one coordinator.
pub struct AgentsService {
    engine: EngineHandle,
    ending: CancellationToken,
}

impl AgentsService {
    /// Streams end when `ending` is cancelled.
    pub fn new(engine: EngineHandle, ending: CancellationToken) -> Self {
        Self { engine, ending }
    }
}

/// Messages for one agent, until the engine drops the link or the server ends.
pub struct ToAgentStream {
    messages: UnboundedReceiverStream<ToAgent>,
    ended: Pin<Box<dyn Future<Output = ()> + Send>>,
}

impl Stream for ToAgentStream {
    type Item = Result<ToAgent, Status>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        match self.messages.poll_next_unpin(context) {
            Poll::Ready(message) => Poll::Ready(message.map(Ok)),
            Poll::Pending => self.ended.as_mut().poll(context).map(|()| None),
        }
    }
}

#[tonic::async_trait]
impl Agents for AgentsService {
    type JoinStream = ToAgentStream;

    async fn join(
        &self,
        request: Request<Streaming<FromAgent>>,
    ) -> Result<Response<Self::JoinStream>, Status> {
        let mut incoming = request.into_inner();
        let (sender, receiver) = mpsc::unbounded_channel();
        let answer = ToAgentStream {
            messages: UnboundedReceiverStream::new(receiver),
            ended: Box::pin(self.ending.clone().cancelled_owned()),
        };
        // The first message is awaited in the task, not here: an agent may want the answer's head first.
        let (engine, ending) = (self.engine.clone(), self.ending.clone());
        tokio::spawn(async move {
            let hello = tokio::select! {
                first = incoming.message() => match first {
                    Ok(Some(FromAgent { message: Some(from_agent::Message::Hello(hello)) })) => hello,
                    _ => return refuse(&sender, "the first message of an agent must be Hello"),
                },
                () = ending.cancelled() => return,
            };
            if hello.protocol != PROTOCOL {
                return refuse(&sender, &protocol_differs(hello.protocol));
            }
            if hello.agent.is_empty() || hello.name.is_empty() {
                return refuse(&sender, "an agent needs an id and a name");
            }
            let link = engine.next_link();
            if engine
                .send(Event::AgentJoined {
                    link,
                    hello: Box::new(hello),
                    sender,
                })
                .await
                .is_err()
            {
                return;
            }
            loop {
                let message = tokio::select! {
                    message = incoming.message() => message,
                    () = ending.cancelled() => break,
                };
                let Ok(Some(message)) = message else { break };
                if engine
                    .send(Event::AgentSaid(link, Box::new(message)))
                    .await
                    .is_err()
                {
                    return;
                }
            }
            // A closed engine has no agents to lose.
            let _ = engine.send(Event::AgentLeft(link)).await;
        });
        Ok(Response::new(answer))
    }
}

fn protocol_differs(theirs: u32) -> String {
    let newer = if theirs > PROTOCOL { "coordinator" } else { "agent" };
    format!("the agent speaks protocol {theirs}, this coordinator speaks {PROTOCOL}: update the {newer}")
}

fn refuse(sender: &mpsc::UnboundedSender<ToAgent>, reason: &str) {
    let refused = to_agent::Message::Refused(Refused {
        reason: reason.to_owned(),
    });
    // An agent that left meanwhile need not be told.
    let _ = sender.send(ToAgent {
        message: Some(refused),
    });
}
