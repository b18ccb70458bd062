//! An agent whose work is a function of the test.

use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};

use tidemill_proto::v1::agents_client::AgentsClient;
use tidemill_proto::v1::{
    Finished, FromAgent, Goodbye, Hello, LogPiece, Made, Measured, Report, Start, ToAgent, ToolAnswer,
    Welcome, from_agent, item, part, to_agent,
};
use tidemill_proto::{Digest, PROTOCOL};
use tidemill_store::Store;
use tokio::sync::mpsc;
use tokio_stream::wrappers::UnboundedReceiverStream;
use tonic::transport::Channel;

/// What an item's process comes to.
pub enum Work {
    /// Makes the bytes of its one output.
    Makes(Vec<u8>),
    /// Exits with this code after having written this log.
    Fails(i32, &'static str),
    /// Goes on until it is told to end.
    Hangs,
    /// Reports an output that it never stored.
    Lies,
    /// Could not have these inputs.
    Lacks(Vec<Digest>),
}

pub type Worker = Arc<dyn Fn(&Start) -> Work + Send + Sync>;

/// Gives an output that depends on everything that the item's key depends on.
pub fn honest() -> Worker {
    Arc::new(|start: &Start| Work::Makes(made_by(start, &argument(start))))
}

/// The step's own argument.
pub fn argument(start: &Start) -> String {
    let Some(item::Action::Program(program)) = start.item.as_ref().and_then(|item| item.action.as_ref())
    else {
        return String::new();
    };
    match program.arguments[0].parts[0].kind.as_ref() {
        Some(part::Kind::Text(text)) => text.clone(),
        _ => String::new(),
    }
}

pub fn made_by(start: &Start, argument: &str) -> Vec<u8> {
    let mut text = format!("{argument} missing {:?}\n", start.missing).into_bytes();
    for input in &start.inputs {
        text.extend_from_slice(&input.digest);
    }
    text
}

pub fn address(start: &Start) -> &str {
    start.item.as_ref().map_or("", |item| &item.address)
}

/// An agent that joined.
pub struct FakeAgent {
    pub started: Arc<AtomicU32>,
    pub addresses: Arc<Mutex<Vec<String>>>,
    pub welcome: Welcome,
    sender: mpsc::UnboundedSender<FromAgent>,
    task: tokio::task::JoinHandle<()>,
}

pub fn hello(uuid: &str) -> Hello {
    Hello {
        agent: uuid.into(),
        name: uuid.into(),
        version: "0".into(),
        protocol: PROTOCOL,
        cores: 2,
        memory_bytes: 1 << 30,
        any_program: true,
        budget: Some(Report {
            millicores: 2000,
            memory_bytes: 1 << 30,
            accepting: true,
            ..Report::default()
        }),
        ..Hello::default()
    }
}

impl FakeAgent {
    pub async fn join(channel: Channel, hello: Hello, exact: &'static str, worker: Worker) -> Self {
        let (sender, messages) = mpsc::unbounded_channel();
        say(&sender, from_agent::Message::Hello(hello));
        let answer = AgentsClient::new(channel)
            .join(UnboundedReceiverStream::new(messages))
            .await
            .unwrap();
        let mut answers = answer.into_inner();
        // The contract: whatever else there is to say, the first message is the welcome.
        let welcome = match answers.message().await.unwrap().unwrap().message {
            Some(to_agent::Message::Welcome(welcome)) => welcome,
            message => panic!("the first message was {message:?}"),
        };
        let store = Store::open(Path::new(&welcome.store_path)).unwrap();
        let started = Arc::new(AtomicU32::new(0));
        let addresses = Arc::new(Mutex::new(Vec::new()));
        let (count, seen, link) = (started.clone(), addresses.clone(), sender.clone());
        let task = tokio::spawn(async move {
            while let Ok(Some(message)) = answers.message().await {
                answer_one(message, &store, exact, &worker, &count, &seen, &link);
            }
        });
        Self {
            started,
            addresses,
            welcome,
            sender,
            task,
        }
    }

    pub fn started(&self) -> u32 {
        self.started.load(Ordering::SeqCst)
    }

    pub fn say(&self, message: from_agent::Message) {
        say(&self.sender, message);
    }

    /// Says again what it lends, as agents do every second or so.
    pub fn report(&self) {
        let lends = Report {
            millicores: 2000,
            memory_bytes: 1 << 30,
            accepting: true,
            ..Report::default()
        };
        self.say(from_agent::Message::Report(lends));
    }

    /// Leaves in good order.
    pub async fn leave(self) {
        self.say(from_agent::Message::Goodbye(Goodbye {
            reason: "the day is over".into(),
        }));
        drop(self.sender);
        let _ = self.task.await;
    }

    /// The machine loses power.
    pub fn vanish(self) {
        self.task.abort();
    }
}

pub fn say(sender: &mpsc::UnboundedSender<FromAgent>, message: from_agent::Message) {
    let _ = sender.send(FromAgent {
        message: Some(message),
    });
}

fn answer_one(
    message: ToAgent,
    store: &Store,
    exact: &str,
    worker: &Worker,
    count: &AtomicU32,
    seen: &Mutex<Vec<String>>,
    link: &mpsc::UnboundedSender<FromAgent>,
) {
    match message.message {
        Some(to_agent::Message::Tool(question)) => {
            let exact = exact.to_owned();
            let answer = ToolAnswer {
                program: question.program,
                exact,
                found_at: String::new(),
            };
            say(link, from_agent::Message::Tool(answer));
        }
        Some(to_agent::Message::Start(start)) => {
            count.fetch_add(1, Ordering::SeqCst);
            seen.lock().unwrap().push(address(&start).to_owned());
            if let Some(finished) = work(&start, store, worker(&start), link) {
                let lacks = !finished.lacking.is_empty();
                say(link, from_agent::Message::Finished(finished));
                if lacks {
                    // As agents do every second or so: nothing is placed here until it has said what it lends.
                    say(link, from_agent::Message::Report(hello("").budget.unwrap()));
                }
            }
        }
        Some(to_agent::Message::End(end)) => {
            let finished = Finished {
                lease: end.lease,
                outcome: "stopped".into(),
                ..Finished::default()
            };
            say(link, from_agent::Message::Finished(finished));
        }
        _ => {}
    }
}

/// What the agent reports for a piece of work.
pub fn work(
    start: &Start,
    store: &Store,
    work: Work,
    link: &mpsc::UnboundedSender<FromAgent>,
) -> Option<Finished> {
    let mut finished = Finished {
        lease: start.lease.clone(),
        measured: Some(Measured {
            elapsed_ms: 5,
            user_ms: 3,
            system_ms: 1,
            peak_memory_bytes: 4096,
        }),
        started_ms: 1,
        ended_ms: 6,
        ..Finished::default()
    };
    match work {
        Work::Makes(bytes) => {
            let staged = store.stage_bytes(&bytes).unwrap();
            finished.outcome = "done".into();
            finished.outputs = vec![Made {
                name: "made".into(),
                digest: staged.digest.to_vec(),
                size: staged.size,
                parts: vec![],
            }];
        }
        Work::Fails(code, log) => {
            let piece = LogPiece {
                lease: start.lease.clone(),
                data: log.as_bytes().to_vec(),
            };
            say(link, from_agent::Message::Log(piece));
            finished.outcome = "failed".into();
            finished.exit_code = code;
            finished.reason = format!("exit code {code}");
            finished.log = store.stage_bytes(log.as_bytes()).unwrap().digest.to_vec();
            finished.log_size = log.len() as u64;
            finished.log_tail = log.into();
        }
        Work::Lies => {
            finished.outcome = "done".into();
            let digest = Digest::of(b"nowhere").to_vec();
            finished.outputs = vec![Made {
                name: "made".into(),
                digest,
                size: 7,
                parts: vec![],
            }];
        }
        Work::Lacks(digests) => {
            finished.outcome = "machine".into();
            finished.reason = "an input could not be had".into();
            finished.lacking = digests.into_iter().map(Digest::to_vec).collect();
        }
        Work::Hangs => return None,
    }
    Some(finished)
}
