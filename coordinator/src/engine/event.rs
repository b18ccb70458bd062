//! Everything that can wake the engine, as one closed list.

use std::collections::HashMap;
use std::sync::{Arc, RwLock};

use tidemill_proto::v1::{AgentRow, FromAgent, Hello, RunRow, ToAgent, Tool};
use tidemill_proto::{Digest, RunName};
use tokio::sync::{mpsc, oneshot};

use super::board::RunBoard;
use super::commit::Committed;
use super::plan::KeptPlan;
use super::recipe::Recipe;
use super::room::RoomSeen;
use super::standing::Standing;
use crate::record::rows::RunRecord;
use crate::scheduler::Estimate;

/// Where the engine sends messages for one agent. Dropped when the agent's stream is to end.
pub type AgentSender = mpsc::UnboundedSender<ToAgent>;

/// One stream of one agent; a new one for each time that it joins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct LinkId(pub u64);

/// Why the engine refuses what is asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// There is no such run; the text says which are near.
    #[error("{0}")]
    NotFound(String),
    /// The state does not allow it.
    #[error("{0}")]
    State(String),
    /// Blobs that a submission names are not in the store.
    #[error("{} blobs are not in the store", .0.len())]
    Lacking(Vec<Digest>),
    /// The disk or the record failed.
    #[error("{0}")]
    Broken(String),
    /// The coordinator is closing.
    #[error("the coordinator is closing")]
    Closing,
}

/// The answer to something that was asked of the engine.
pub type Reply<T> = oneshot::Sender<Result<T, Refusal>>;

/// A checked submission.
#[derive(Debug)]
pub struct NewRun {
    /// The plan as live runs keep it.
    pub plan: Arc<KeptPlan>,
    /// What it tells the scheduler.
    pub recipe: Recipe,
    /// The run's row, but for serial and number, which the engine gives.
    pub record: RunRecord,
    /// The plan, the manifest's text and all input files: durable before the answer.
    pub blobs: Vec<Digest>,
}

/// An ended run to open again.
#[derive(Debug)]
pub struct Again {
    /// Its row.
    pub record: RunRecord,
    /// Its state, as loaded from the record; the live one counts if the run is live.
    pub board: Arc<RunBoard>,
    /// Addresses that are meant; empty: all failed, cut-off and stopped ones.
    pub patterns: Vec<String>,
    /// Also finished items, in spite of a record.
    pub anew: bool,
}

/// What only the engine knows of an unfinished item.
#[derive(Debug, Clone, Default)]
pub struct Explained {
    /// What it waits for, in words.
    pub waits_for: String,
    /// What it is expected to need.
    pub estimate: Option<Estimate>,
}

/// One thing that wakes the engine.
#[derive(Debug)]
pub enum Event {
    /// An agent opened a stream and said who it is.
    AgentJoined {
        /// Of this stream.
        link: LinkId,
        /// Its first message.
        hello: Box<Hello>,
        /// How to reach it.
        sender: AgentSender,
    },
    /// A later message of an agent.
    AgentSaid(LinkId, Box<FromAgent>),
    /// An agent's stream ended.
    AgentLeft(LinkId),
    /// A run was submitted.
    Submitted(Box<NewRun>, Reply<RunName>),
    /// Set unfinished items to `stopped`.
    Stop(RunName, Reply<RunRow>),
    /// Hold ready items back, or no longer.
    Pause(RunName, bool, Reply<RunRow>),
    /// Change priority and share of an open run; `None`: it stays.
    Prefer(RunName, Option<i32>, Option<u32>, Reply<RunRow>),
    /// Open an ended run again.
    Again(Box<Again>, Reply<RunRow>),
    /// Which exact version each of these tools would get now; answered when all agents have said what they
    /// have, or some time has passed. Tools that nobody has are left out.
    FixTools(Vec<Tool>, Reply<HashMap<String, String>>),
    /// What an item of a live run waits for, in words.
    Explain(RunName, u32, Reply<Explained>),
    /// Who lends what when, and how far open runs are.
    Standing(Reply<Standing>),
    /// Who is here.
    ListAgents(Reply<Vec<AgentRow>>),
    /// Rows and blobs are on disk, or could not be written.
    Committed(Box<Committed>),
    /// A blob that was asked for is not in the store, or was damaged.
    BlobLost(Digest),
    /// A disk of the coordinator's told how much room it has.
    RoomSeen(RoomSeen),
    /// Write everything down and stop; answered when that is done.
    Close(oneshot::Sender<()>),
}

/// Runs that have not ended, for queries.
pub type LiveRuns = Arc<RwLock<HashMap<RunName, LiveEntry>>>;

/// What queries see of a live run.
#[derive(Debug, Clone)]
pub struct LiveEntry {
    /// Its state.
    pub board: Arc<RunBoard>,
    /// The exact versions that it has fixed so far.
    pub tools: Arc<HashMap<String, String>>,
}
