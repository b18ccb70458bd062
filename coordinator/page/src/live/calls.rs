//! The coordinator's services as the page asks them, and a memory of what never changes.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use futures::TryStreamExt as _;
use prost::Message as _;
use tidemill_proto::MAX_MESSAGE_BYTES;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::looks_client::LooksClient;
use tidemill_proto::v1::pictures_client::PicturesClient;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::{
    AgentRow, AgentsRequest, BlobRequest, HistoryRequest, ItemsRequest, MadeOutput, Picture, PictureQuery,
    PictureWish, Plan, RunRequest, RunRow, SignOffRow, blob_chunk,
};
use tokio_util::sync::CancellationToken;
use tonic::Status;
use tonic::transport::Channel;

use crate::facts::{PictureSource, RunFacts};
use crate::figures::{Figure, figures};

/// Files of figures that are larger hold something else.
const MOST_FIGURE_BYTES: u64 = 64 * 1024;
/// Figures of so many files, and plans of so many runs, are remembered.
const MOST_FIGURES: usize = 20_000;
const MOST_PLANS: usize = 16;
const WISHES_AT_ONCE: usize = 500;

/// Asks the coordinator. Clones share the connection.
#[derive(Debug, Clone)]
pub struct Calls {
    pub(super) runs: RunsClient<Channel>,
    pub(super) looks: LooksClient<Channel>,
    pictures: PicturesClient<Channel>,
    blobs: BlobsClient<Channel>,
    /// Signs what is ordered on the page.
    pub(super) person: String,
    /// Streams end with it.
    pub(super) ending: CancellationToken,
    memory: Arc<Memory>,
}

#[derive(Debug, Default)]
struct Memory {
    plans: Mutex<HashMap<String, Arc<Plan>>>,
    figures: Mutex<HashMap<Vec<u8>, Vec<Figure>>>,
}

/// Frames of the pictures that are there, by what they show; 0: it cannot be drawn.
pub(super) type Seen = HashMap<Vec<u8>, u32>;

impl Calls {
    /// Over a channel to the coordinator.
    pub fn over(channel: Channel, person: String, ending: CancellationToken) -> Self {
        Self {
            runs: RunsClient::new(channel.clone()).max_decoding_message_size(MAX_MESSAGE_BYTES),
            looks: LooksClient::new(channel.clone()).max_decoding_message_size(MAX_MESSAGE_BYTES),
            pictures: PicturesClient::new(channel.clone()).max_decoding_message_size(MAX_MESSAGE_BYTES),
            blobs: BlobsClient::new(channel).max_decoding_message_size(MAX_MESSAGE_BYTES),
            person,
            ending,
            memory: Arc::default(),
        }
    }

    pub(super) async fn history(&self, limit: u32) -> Result<Vec<RunRow>, Status> {
        let request = HistoryRequest {
            limit,
            ..HistoryRequest::default()
        };
        self.runs
            .clone()
            .history(request)
            .await?
            .into_inner()
            .try_collect()
            .await
    }

    pub(super) async fn run(&self, run: &str) -> Result<RunRow, Status> {
        Ok(self.runs.clone().show_run(request(run)).await?.into_inner())
    }

    pub(super) async fn agents(&self) -> Result<Vec<AgentRow>, Status> {
        Ok(self
            .runs
            .clone()
            .list_agents(AgentsRequest {})
            .await?
            .into_inner()
            .agents)
    }

    pub(super) async fn plan(&self, run: &str) -> Result<Arc<Plan>, Status> {
        if let Some(plan) = lock(&self.memory.plans).get(run) {
            return Ok(Arc::clone(plan));
        }
        let mut pieces = self.runs.clone().get_plan(request(run)).await?.into_inner();
        let mut bytes = Vec::new();
        while let Some(piece) = pieces.message().await? {
            bytes.extend_from_slice(&piece.plan);
        }
        let plan = Plan::decode(bytes.as_slice())
            .map_err(|error| Status::data_loss(format!("the plan of {run} is damaged: {error}")))?;
        let plan = Arc::new(plan);
        let mut plans = lock(&self.memory.plans);
        if plans.len() >= MOST_PLANS {
            plans.clear();
        }
        plans.insert(run.to_owned(), Arc::clone(&plan));
        Ok(plan)
    }

    /// A run with its items, sign-off, agents and figures; attempts are left out.
    pub(super) async fn facts(&self, run: RunRow) -> Result<RunFacts, Status> {
        let items = ItemsRequest {
            run: run.run.clone(),
            ..ItemsRequest::default()
        };
        let mut facts = RunFacts {
            plan: (*self.plan(&run.run).await?).clone(),
            items: self
                .runs
                .clone()
                .items(items)
                .await?
                .into_inner()
                .try_collect()
                .await?,
            agents: self.agents().await?,
            run,
            ..RunFacts::default()
        };
        facts.sign_offs = by_variant(self.sign_offs(&facts.run.run).await?);
        for (index, output) in facts.figure_files() {
            let figures = self.figures(&output).await;
            if !figures.is_empty() {
                facts.figures.entry(index).or_default().extend(figures);
            }
        }
        Ok(facts)
    }

    pub(super) async fn sign_offs(&self, run: &str) -> Result<Vec<SignOffRow>, Status> {
        Ok(self
            .looks
            .clone()
            .sign_offs(request(run))
            .await?
            .into_inner()
            .rows)
    }

    /// The figures in a file; none if it is large, gone, or holds something else.
    pub(super) async fn figures(&self, output: &MadeOutput) -> Vec<Figure> {
        if output.size > MOST_FIGURE_BYTES {
            return Vec::new();
        }
        if let Some(known) = lock(&self.memory.figures).get(&output.digest) {
            return known.clone();
        }
        let Ok(bytes) = self.blob(&output.digest).await else {
            return Vec::new();
        };
        let found = figures(&bytes);
        let mut memory = lock(&self.memory.figures);
        if memory.len() >= MOST_FIGURES {
            memory.clear();
        }
        memory.insert(output.digest.clone(), found.clone());
        found
    }

    /// A whole blob.
    pub(super) async fn blob(&self, digest: &[u8]) -> Result<Vec<u8>, Status> {
        let request = BlobRequest {
            digest: digest.to_vec(),
            ..BlobRequest::default()
        };
        let mut chunks = self.blobs.clone().get(request).await?.into_inner();
        let mut bytes = Vec::new();
        while let Some(chunk) = chunks.message().await? {
            if let Some(blob_chunk::Part::Data(data)) = chunk.part {
                bytes.extend_from_slice(&data);
            }
        }
        Ok(bytes)
    }

    /// Which of the wished pictures are there; the others are asked of agents.
    pub(super) async fn glance(&self, wishes: &[PictureWish]) -> Result<Seen, Status> {
        let mut seen = Seen::new();
        for part in wishes.chunks(WISHES_AT_ONCE) {
            let query = PictureQuery {
                wishes: part.to_vec(),
                without_bytes: true,
                quietly: false,
            };
            let mut rows = self.pictures.clone().find(query).await?.into_inner();
            while let Some(picture) = rows.message().await? {
                if let Some(of) = picture.of {
                    seen.insert(of.digest, picture.frames);
                }
            }
        }
        Ok(seen)
    }

    pub(super) async fn picture(&self, wish: PictureWish) -> Result<Option<Picture>, Status> {
        let query = PictureQuery {
            wishes: vec![wish],
            without_bytes: false,
            quietly: false,
        };
        let found = self
            .pictures
            .clone()
            .find(query)
            .await?
            .into_inner()
            .message()
            .await?;
        Ok(found.filter(|picture| !picture.png.is_empty()))
    }
}

/// Where the page shows a picture that is there.
pub(super) fn source(run: &str, wish: &PictureWish, seen: &Seen) -> Option<PictureSource> {
    let frames = seen.get(&wish.digest).copied().filter(|frames| *frames > 0)?;
    let kind = wish.extension.trim_start_matches('.');
    Some(PictureSource {
        address: format!("/run/{run}/picture/{}/{kind}", hex(&wish.digest)),
        frames,
    })
}

/// A digest as the 64 digits in an address.
pub(super) fn hex(bytes: &[u8]) -> String {
    tidemill_proto::Digest::from_slice(bytes)
        .map(|digest| digest.to_string())
        .unwrap_or_default()
}

pub(super) fn by_variant(rows: Vec<SignOffRow>) -> std::collections::BTreeMap<String, SignOffRow> {
    rows.into_iter().map(|row| (row.variant.clone(), row)).collect()
}

pub(super) fn request(run: &str) -> RunRequest {
    RunRequest { run: run.to_owned() }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    // Only whole values are put in and taken out.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
