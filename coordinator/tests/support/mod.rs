//! A coordinator in a fresh folder, clients and agents over in-memory streams. The agents here speak the real
//! protocol and keep real bytes in the real store; only the work itself is a function of the test.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

pub mod agent;
pub mod plans;

use std::io;

use hyper_util::rt::TokioIo;
use tempfile::TempDir;
use tidemill_coordinator::{Config, Coordinator};
use tidemill_proto::Digest;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::submit_part::Part;
use tidemill_proto::v1::{
    BlobChunk, BlobHeader, ItemRequest, ItemRow, ItemsRequest, Plan, PreviewItem, RunRow, RunState,
    SubmitHeader, SubmitPart, WatchRequest, WhyAnswer, blob_chunk, watch_event,
};
use tokio::io::DuplexStream;
use tokio::sync::mpsc;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::UnboundedReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::transport::{Channel, Endpoint, Uri};
use tonic::{Code, Status};

use prost::Message;

/// A coordinator that serves in-memory streams.
pub struct Studio {
    pub folder: TempDir,
    pub coordinator: Coordinator,
    incoming: mpsc::UnboundedSender<io::Result<DuplexStream>>,
    serving: tokio::task::JoinHandle<()>,
    shutdown: CancellationToken,
}

impl Studio {
    pub async fn embedded() -> Self {
        Self::open(TempDir::new().unwrap(), true).await
    }

    pub async fn open(folder: TempDir, embedded: bool) -> Self {
        let config = if embedded {
            Config::embedded(folder.path())
        } else {
            Config::studio(folder.path())
        };
        Self::with(folder, config).await
    }

    pub async fn with(folder: TempDir, config: Config) -> Self {
        let coordinator = Coordinator::open(config).await.unwrap();
        let (incoming, streams) = mpsc::unbounded_channel();
        let shutdown = CancellationToken::new();
        let (server, asked) = (coordinator.clone(), shutdown.clone());
        let serving = tokio::spawn(async move {
            server
                .serve(UnboundedReceiverStream::new(streams), asked)
                .await
                .unwrap();
        });
        Self {
            folder,
            coordinator,
            incoming,
            serving,
            shutdown,
        }
    }

    pub async fn connect(&self) -> Channel {
        let incoming = self.incoming.clone();
        let connector = tower::service_fn(move |_: Uri| {
            let (ours, theirs) = tokio::io::duplex(256 * 1024);
            let sent = incoming
                .send(Ok(theirs))
                .map_err(|_| io::Error::other("the server has ended"));
            async move { sent.map(|()| TokioIo::new(ours)) }
        });
        Endpoint::from_static("http://coordinator")
            .connect_with_connector(connector)
            .await
            .unwrap()
    }

    pub async fn client(&self) -> Client {
        let channel = self.connect().await;
        Client {
            runs: RunsClient::new(channel.clone()),
            blobs: BlobsClient::new(channel),
        }
    }

    /// Ends cleanly and gives the folder back.
    pub async fn close(self) -> TempDir {
        self.shutdown.cancel();
        self.serving.await.unwrap();
        self.coordinator.close().await;
        self.folder
    }
}

/// A person's program.
#[derive(Clone)]
pub struct Client {
    pub runs: RunsClient<Channel>,
    pub blobs: BlobsClient<Channel>,
}

impl Client {
    pub async fn put(&mut self, bytes: &[u8]) -> Digest {
        let digest = Digest::of(bytes);
        let header = BlobHeader {
            digest: digest.to_vec(),
            size: bytes.len() as u64,
            offset: 0,
        };
        let mut chunks = vec![BlobChunk {
            part: Some(blob_chunk::Part::Header(header)),
        }];
        chunks.extend(bytes.chunks(1000).map(|piece| BlobChunk {
            part: Some(blob_chunk::Part::Data(piece.to_vec().into())),
        }));
        self.blobs.put(tokio_stream::iter(chunks)).await.unwrap();
        digest
    }

    pub async fn try_submit(&mut self, plan: &Plan, anew: &[&str]) -> Result<String, Status> {
        let submitted = self.runs.submit(tokio_stream::iter(parts(plan, anew))).await?;
        Ok(submitted.into_inner().run)
    }

    pub async fn submit(&mut self, plan: &Plan) -> String {
        self.try_submit(plan, &[]).await.unwrap()
    }

    pub async fn preview(&mut self, plan: &Plan) -> Vec<PreviewItem> {
        let items = self
            .runs
            .preview(tokio_stream::iter(parts(plan, &[])))
            .await
            .unwrap()
            .into_inner();
        items.collect::<Result<_, _>>().await.unwrap()
    }

    /// Watches a run to its end and gives its last row.
    pub async fn wait(&mut self, run: &str) -> RunRow {
        let request = WatchRequest {
            run: run.into(),
            quiet: true,
        };
        let mut events = self.runs.watch(request).await.unwrap().into_inner();
        let mut last = None;
        while let Some(event) = events.next().await {
            if let Some(watch_event::Event::Run(row)) = event.unwrap().event {
                last = Some(row);
            }
        }
        let row = last.expect("a watched run has a row");
        assert_eq!(row.state(), RunState::Ended, "the stream ends with the run");
        row
    }

    pub async fn items(&mut self, run: &str) -> Vec<ItemRow> {
        let request = ItemsRequest {
            run: run.into(),
            ..ItemsRequest::default()
        };
        let items = self.runs.items(request).await.unwrap().into_inner();
        items.collect::<Result<_, _>>().await.unwrap()
    }

    /// `address state` of each item.
    pub async fn states(&mut self, run: &str) -> Vec<String> {
        let items = self.items(run).await;
        items
            .iter()
            .map(|row| format!("{} {}", row.address, tidemill_proto::state::word(row.state())))
            .collect()
    }

    pub async fn why(&mut self, run: &str, item: &str) -> WhyAnswer {
        let request = ItemRequest {
            run: run.into(),
            item: item.into(),
        };
        self.runs.why(request).await.unwrap().into_inner()
    }

    pub async fn get(&mut self, digest: &[u8], offset: u64) -> Result<Vec<u8>, Code> {
        let request = tidemill_proto::v1::BlobRequest {
            digest: digest.to_vec(),
            offset,
            ..Default::default()
        };
        let mut chunks = self
            .blobs
            .get(request)
            .await
            .map_err(|status| status.code())?
            .into_inner();
        let mut bytes = Vec::new();
        while let Some(chunk) = chunks.next().await {
            if let Some(blob_chunk::Part::Data(data)) = chunk.map_err(|status| status.code())?.part {
                assert!(data.len() <= tidemill_proto::CHUNK_BYTES);
                bytes.extend_from_slice(&data);
            }
        }
        Ok(bytes)
    }
}

fn parts(plan: &Plan, anew: &[&str]) -> Vec<SubmitPart> {
    let header = SubmitHeader {
        manifest_text: "[manifest]".into(),
        person: "mika".into(),
        embedded: true,
        anew: anew.iter().map(|pattern| (*pattern).to_owned()).collect(),
        folder: "/dock".into(),
        ..SubmitHeader::default()
    };
    let bytes = plan.encode_to_vec();
    let mut parts = vec![SubmitPart {
        part: Some(Part::Header(header)),
    }];
    parts.extend(bytes.chunks(5000).map(|piece| SubmitPart {
        part: Some(Part::Plan(piece.to_vec())),
    }));
    parts
}
