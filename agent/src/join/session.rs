//! One stream to the coordinator, from Hello to its end.

use std::time::Duration;

use tidemill_proto::MAX_MESSAGE_BYTES;
use tidemill_proto::v1::agents_client::AgentsClient;
use tidemill_proto::v1::{FromAgent, Goodbye, Hello, ToAgent, Welcome, from_agent, to_agent};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Streaming;
use tonic::transport::Channel;

use super::agent::wire;
use crate::reach::with_causes;

/// How long a coordinator may take to answer Hello.
const WELCOME_LIMIT: Duration = Duration::from_secs(20);
/// How long it may take to notice a Goodbye.
const LEAVE_LIMIT: Duration = Duration::from_millis(500);
/// Messages that wait to be sent; a coordinator that lets them pile up is as good as lost.
const QUEUE: usize = 4096;
/// While so few places are left, watchers go without pieces of logs.
const RESERVED: usize = QUEUE / 2;

pub(super) struct Session {
    outgoing: mpsc::Sender<FromAgent>,
    incoming: Streaming<ToAgent>,
}

/// Why a stream ended.
pub(super) enum Ended {
    Lost(String),
    Refused(String),
}

/// What went wrong, with its causes: of a refused certificate the message alone says nothing.
fn words(status: &tonic::Status) -> String {
    with_causes(status.message().to_owned(), status)
}

impl Session {
    /// Says Hello and waits for the Welcome.
    pub(super) async fn join(channel: Channel, hello: Hello) -> Result<(Self, Welcome), Ended> {
        let joined = tokio::time::timeout(WELCOME_LIMIT, Self::try_join(channel, hello)).await;
        joined.unwrap_or_else(|_| Err(Ended::Lost(format!("no answer within {WELCOME_LIMIT:?}"))))
    }

    async fn try_join(channel: Channel, hello: Hello) -> Result<(Self, Welcome), Ended> {
        let (outgoing, queue) = mpsc::channel(QUEUE);
        let mut session_client = AgentsClient::new(channel)
            .max_decoding_message_size(MAX_MESSAGE_BYTES)
            .max_encoding_message_size(MAX_MESSAGE_BYTES);
        // The queue is new and has room.
        let _ = outgoing.try_send(wire(from_agent::Message::Hello(hello)));
        let answer = session_client.join(ReceiverStream::new(queue)).await;
        let incoming = answer.map_err(|status| Ended::Lost(words(&status)))?.into_inner();
        let mut session = Self { outgoing, incoming };
        match session.hear().await?.message {
            Some(to_agent::Message::Welcome(welcome)) => Ok((session, welcome)),
            Some(to_agent::Message::Refused(refused)) => Err(Ended::Refused(refused.reason)),
            _ => Err(Ended::Lost(
                "the coordinator's first message was no Welcome".into(),
            )),
        }
    }

    /// Waits for the next message. May be dropped and called again: nothing is lost.
    pub(super) async fn hear(&mut self) -> Result<ToAgent, Ended> {
        match self.incoming.message().await {
            Ok(Some(message)) => Ok(message),
            Ok(None) => Err(Ended::Lost("the coordinator ended the stream".into())),
            Err(status) => Err(Ended::Lost(words(&status))),
        }
    }

    /// Queues a message. Fails if the stream is lost.
    pub(super) fn tell(&self, message: from_agent::Message) -> Result<(), ()> {
        if matches!(message, from_agent::Message::Log(_)) && self.outgoing.capacity() < RESERVED {
            return Ok(());
        }
        self.outgoing.try_send(wire(message)).map_err(|_| ())
    }

    /// Says Goodbye, so that nobody waits for this agent, and closes the stream.
    pub(super) async fn leave(self, reason: &str) {
        let goodbye = from_agent::Message::Goodbye(Goodbye {
            reason: reason.to_owned(),
        });
        let Self {
            outgoing,
            mut incoming,
        } = self;
        if outgoing.try_send(wire(goodbye)).is_err() {
            return;
        }
        drop(outgoing);
        let _ = tokio::time::timeout(LEAVE_LIMIT, async {
            while let Ok(Some(_)) = incoming.message().await {}
        })
        .await;
    }
}
