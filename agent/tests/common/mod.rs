//! A coordinator for tests: it speaks the agents' and the blobs' service over in-memory pipes, and each test
//! decides what it says.

#![allow(dead_code)] // each test program uses a part of it

use std::path::Path;
use std::time::Duration;

use tidemill_agent::{AgentError, Config, Tools, special};
use tidemill_proto::Digest;
use tidemill_proto::v1::agents_server::{Agents, AgentsServer};
use tidemill_proto::v1::blobs_server::{Blobs, BlobsServer};
use tidemill_proto::v1::{
    BlobChunk, BlobHeader, BlobRequest, DigestList, Finished, FromAgent, Hello, Item, Output, Part, Program,
    RangeList, Report, StagedInput, Start, ToAgent, Welcome, WholeBlobs, blob_chunk, from_agent, item, part,
    to_agent,
};
use tidemill_store::Store;
use tokio::io::DuplexStream;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_stream::wrappers::{ReceiverStream, UnboundedReceiverStream};
use tokio_util::sync::CancellationToken;
use tonic::transport::{Channel, Endpoint, Server};
use tonic::{Request, Response, Status, Streaming};

/// One stream of the agent under test.
pub struct Joined {
    pub hello: Hello,
    from: Streaming<FromAgent>,
    to: mpsc::Sender<Result<ToAgent, Status>>,
    pub log: Vec<u8>,
    pub last_report: Option<Report>,
    /// Leases whose process was said to be gone.
    pub processes_ended: Vec<String>,
}

impl Joined {
    pub async fn say(&self, message: to_agent::Message) {
        self.to
            .send(Ok(ToAgent {
                message: Some(message),
            }))
            .await
            .unwrap();
    }

    /// The next report for which `wanted` holds, at most half a minute from now.
    pub async fn report(&mut self, wanted: impl Fn(&Report) -> bool) -> Report {
        self.report_within(Duration::from_secs(30), wanted).await
    }

    /// The next report for which `wanted` holds, at most `patience` from now.
    pub async fn report_within(&mut self, patience: Duration, wanted: impl Fn(&Report) -> bool) -> Report {
        let until = tokio::time::Instant::now() + patience;
        loop {
            let next = tokio::time::timeout_at(until, self.from.message()).await;
            let message =
                next.unwrap_or_else(|_| panic!("no such report; the last is {:?}", self.last_report));
            if let Some(from_agent::Message::Report(report)) = message.unwrap().unwrap().message {
                self.last_report = Some(report.clone());
                if wanted(&report) {
                    return report;
                }
            }
        }
    }

    /// The next message that is neither a report, a piece of a log nor the end of a process; those are kept aside.
    pub async fn hear(&mut self) -> from_agent::Message {
        self.hear_or_end().await.expect("the agent ended the stream")
    }

    pub async fn hear_or_end(&mut self) -> Option<from_agent::Message> {
        loop {
            let next = tokio::time::timeout(Duration::from_secs(20), self.from.message()).await;
            match next.expect("the agent says nothing").ok()??.message.unwrap() {
                from_agent::Message::Report(report) => self.last_report = Some(report),
                from_agent::Message::Log(piece) => self.log.extend(piece.data),
                from_agent::Message::ProcessEnded(ended) => self.processes_ended.push(ended.lease),
                message => return Some(message),
            }
        }
    }

    pub async fn finished(&mut self) -> Finished {
        match self.hear().await {
            from_agent::Message::Finished(finished) => finished,
            other => panic!("{other:?} instead of a result"),
        }
    }
}

struct Desk(mpsc::UnboundedSender<Joined>);

#[tonic::async_trait]
impl Agents for Desk {
    type JoinStream = ReceiverStream<Result<ToAgent, Status>>;

    async fn join(
        &self,
        request: Request<Streaming<FromAgent>>,
    ) -> Result<Response<Self::JoinStream>, Status> {
        let mut from = request.into_inner();
        let Some(from_agent::Message::Hello(hello)) = from.message().await?.and_then(|first| first.message)
        else {
            return Err(Status::invalid_argument("no Hello"));
        };
        let (to, answers) = mpsc::channel(64);
        let _ = self.0.send(Joined {
            hello,
            from,
            to,
            log: Vec::new(),
            last_report: None,
            processes_ended: Vec::new(),
        });
        Ok(Response::new(ReceiverStream::new(answers)))
    }
}

struct Shelf(Store);

#[tonic::async_trait]
impl Blobs for Shelf {
    async fn missing(&self, request: Request<DigestList>) -> Result<Response<DigestList>, Status> {
        let digests: Vec<Digest> = request
            .into_inner()
            .digests
            .iter()
            .map(|digest| Digest::from_slice(digest).unwrap())
            .collect();
        let missing = self.0.missing(&digests).unwrap();
        Ok(Response::new(DigestList {
            digests: missing.iter().map(|digest| digest.to_vec()).collect(),
        }))
    }

    async fn put(&self, request: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        let (mut chunks, mut incoming, mut header) = (request.into_inner(), self.0.incoming().unwrap(), None);
        while let Some(chunk) = chunks.message().await? {
            match chunk.part.unwrap() {
                blob_chunk::Part::Header(first) => header = Some(first),
                blob_chunk::Part::Data(data) => incoming.add(&data).unwrap(),
                blob_chunk::Part::Packed(data) => {
                    incoming
                        .add(&tidemill_proto::packing::unpack(&data).unwrap())
                        .unwrap();
                }
            }
        }
        let header = header.unwrap();
        incoming
            .finish(Some(Digest::from_slice(&header.digest).unwrap()))
            .unwrap();
        Ok(Response::new(header))
    }

    async fn put_whole(&self, request: Request<WholeBlobs>) -> Result<Response<DigestList>, Status> {
        for blob in request.into_inner().blobs {
            let staged = self.0.stage_bytes(&blob.data).unwrap();
            assert_eq!(staged.digest.to_vec(), blob.digest);
        }
        Ok(Response::new(DigestList::default()))
    }

    async fn lacking(&self, _: Request<BlobHeader>) -> Result<Response<RangeList>, Status> {
        Err(Status::unimplemented("nothing as big is put here"))
    }

    async fn put_part(&self, _: Request<Streaming<BlobChunk>>) -> Result<Response<BlobHeader>, Status> {
        Err(Status::unimplemented("nothing as big is put here"))
    }

    type GetStream = ReceiverStream<Result<BlobChunk, Status>>;

    async fn get(&self, request: Request<BlobRequest>) -> Result<Response<Self::GetStream>, Status> {
        let digest = Digest::from_slice(&request.into_inner().digest).unwrap();
        let bytes = self
            .0
            .read_blob(&digest)
            .map_err(|error| Status::not_found(error.to_string()))?;
        let (sender, chunks) = mpsc::channel(bytes.len() / 1000 + 2);
        let header = BlobHeader {
            digest: digest.to_vec(),
            size: bytes.len() as u64,
            offset: 0,
        };
        let header = blob_chunk::Part::Header(header);
        let data = bytes
            .chunks(1000)
            .map(|piece| blob_chunk::Part::Data(piece.to_vec().into()));
        for part in std::iter::once(header).chain(data) {
            sender.try_send(Ok(BlobChunk { part: Some(part) })).unwrap();
        }
        Ok(Response::new(ReceiverStream::new(chunks)))
    }
}

/// A coordinator with a store, and the agent under test.
pub struct Mill {
    pub folder: tempfile::TempDir,
    pub store: Store,
    joins: mpsc::UnboundedReceiver<Joined>,
    pub shutdown: CancellationToken,
    pub agent: JoinHandle<Result<(), AgentError>>,
    /// Whether the agent is told where the store's folder is.
    direct: bool,
}

impl Mill {
    pub fn start(direct: bool, change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_owner(&folder.path().join("store")).unwrap();
        let (joined, joins) = mpsc::unbounded_channel();
        let channel = serve(Desk(joined), Shelf(store.clone()));
        let mut config = Config::embedded(folder.path().join("agent")).unwrap();
        let program = env!("CARGO_BIN_EXE_tidemill-agent");
        config.launcher = vec![program.into(), special::LAUNCHER_WORD.into()];
        config.worker = vec![program.into(), special::WORKER_WORD.into()];
        config.millicores = 4000;
        change(&mut config);
        let shutdown = CancellationToken::new();
        let agent = tokio::spawn(tidemill_agent::run(config, channel, shutdown.clone()));
        Self {
            folder,
            store,
            joins,
            shutdown,
            agent,
            direct,
        }
    }

    /// The agent's next stream, not yet welcomed.
    pub async fn next_stream(&mut self) -> Joined {
        let next = tokio::time::timeout(Duration::from_secs(20), self.joins.recv()).await;
        next.expect("the agent does not join").unwrap()
    }

    pub async fn joined(&mut self) -> Joined {
        let joined = self.next_stream().await;
        let keep = joined.hello.holds.clone();
        joined.say(to_agent::Message::Welcome(self.welcome(keep))).await;
        joined
    }

    pub fn welcome(&self, keep: Vec<String>) -> Welcome {
        let path = if self.direct {
            self.store.root().to_str().unwrap().to_owned()
        } else {
            String::new()
        };
        Welcome {
            start_id: "start".into(),
            store_path: path,
            store_id: self.store.id().into(),
            keep,
            report_ms: 250,
        }
    }

    pub fn put(&self, bytes: &[u8]) -> Digest {
        let staged = self.store.stage_bytes(bytes).unwrap();
        assert!(self.store.commit(&[staged.digest]).unwrap().missing.is_empty());
        staged.digest
    }

    /// Commits a blob that the agent staged and gives its bytes, as the coordinator would on a result.
    pub fn take(&self, digest: &[u8]) -> Vec<u8> {
        let digest = Digest::from_slice(digest).unwrap();
        assert_eq!(self.store.commit(&[digest]).unwrap().missing, []);
        self.store.read_blob(&digest).unwrap()
    }

    pub async fn end(self) {
        self.shutdown.cancel();
        let ended = tokio::time::timeout(Duration::from_secs(20), self.agent).await;
        ended.expect("the agent does not end").unwrap().unwrap();
    }
}

/// A coordinator that listens on loopback, for an agent that is a process of its own.
pub struct TcpMill {
    pub folder: tempfile::TempDir,
    pub store: Store,
    pub address: std::net::SocketAddr,
    joins: mpsc::UnboundedReceiver<Joined>,
}

impl TcpMill {
    pub async fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_owner(&folder.path().join("store")).unwrap();
        let (joined, joins) = mpsc::unbounded_channel();
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        tokio::spawn(
            Server::builder()
                .add_service(AgentsServer::new(Desk(joined)))
                .add_service(BlobsServer::new(Shelf(store.clone())))
                .serve_with_incoming(tokio_stream::wrappers::TcpListenerStream::new(listener)),
        );
        Self {
            folder,
            store,
            address,
            joins,
        }
    }

    pub async fn joined(&mut self) -> Joined {
        let next = tokio::time::timeout(Duration::from_secs(20), self.joins.recv()).await;
        let joined = next.expect("the agent does not join").unwrap();
        let welcome = Welcome {
            start_id: "start".into(),
            store_path: self.store.root().to_str().unwrap().to_owned(),
            store_id: self.store.id().into(),
            report_ms: 250,
            ..Welcome::default()
        };
        joined.say(to_agent::Message::Welcome(welcome)).await;
        joined
    }
}

fn serve(desk: Desk, shelf: Shelf) -> Channel {
    let (dial, calls) = mpsc::unbounded_channel::<Result<DuplexStream, std::io::Error>>();
    tokio::spawn(
        Server::builder()
            .add_service(AgentsServer::new(desk))
            .add_service(BlobsServer::new(shelf))
            .serve_with_incoming(UnboundedReceiverStream::new(calls)),
    );
    Endpoint::from_static("http://mill").connect_with_connector_lazy(tower::service_fn(move |_| {
        let (ours, theirs) = tokio::io::duplex(1 << 20);
        let dialled = dial
            .send(Ok(theirs))
            .map_err(|_| std::io::Error::other("no coordinator"));
        async move { dialled.map(|()| hyper_util::rt::TokioIo::new(ours)) }
    }))
}

/// An item that runs a shell script; it sees the input as `$1` and writes the output `$2`.
pub fn scripted(lease: &str, script: &str, input: Digest) -> Start {
    let text = |text: &str| part::Kind::Text(text.into());
    let kinds = [
        text("-c"),
        text(script),
        text("sh"),
        part::Kind::Input("model".into()),
        part::Kind::Output("copy".into()),
    ];
    let arguments = kinds
        .into_iter()
        .map(|kind| tidemill_proto::v1::Argument {
            parts: vec![Part { kind: Some(kind) }],
        })
        .collect();
    let action = item::Action::Program(Program {
        tool: "sh".into(),
        arguments,
    });
    start(lease, action, input, ".txt")
}

pub fn start(lease: &str, action: item::Action, input: Digest, extension: &str) -> Start {
    Start {
        lease: lease.into(),
        item: Some(Item {
            address: "crate-small/copied".into(),
            inputs: vec![tidemill_proto::v1::Input {
                name: "model".into(),
                sources: vec![tidemill_proto::v1::Source::default()],
                ..Default::default()
            }],
            action: Some(action),
            outputs: vec![Output {
                name: "copy".into(),
                extension: extension.into(),
                ..Output::default()
            }],
            ..Item::default()
        }),
        inputs: vec![StagedInput {
            input: "model".into(),
            digest: input.to_vec(),
            extension: ".obj".into(),
            label: "crate-small".into(),
            ..StagedInput::default()
        }],
        millicores: 1000,
        estimate_memory_bytes: 16 << 20,
        run: "harbour-dock.1".into(),
        attempt: 1,
        ..Start::default()
    }
}

pub fn named_tools(config: &mut Config, path: &Path) {
    config.tools = Tools::Named(vec![tidemill_agent::NamedTool {
        name: "sh".into(),
        path: path.into(),
        version: Some("5.2".into()),
    }]);
}
