//! What the engine tells about runs, items and agents.

use tidemill_proto::v1::ItemState;

use super::ids::{AgentId, KeyId, Millis, RequirementId, RunId, SeatId};

/// Cores and memory, as needed by an item, lent by an agent, or booked.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Amount {
    /// Thousandths of a core.
    pub millicores: u32,
    /// Bytes.
    pub memory_bytes: u64,
}

impl Amount {
    /// Whether this fits into `room`, in both dimensions.
    pub fn fits_in(self, room: Amount) -> bool {
        self.millicores <= room.millicores && self.memory_bytes <= room.memory_bytes
    }
}

/// Seats of one kind that an item holds while it runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeatUse {
    /// Which kind.
    pub seat: SeatId,
    /// How many.
    pub count: u32,
}

/// A run as it enters the scheduler.
#[derive(Debug, Clone)]
pub struct RunSpec {
    /// Its number, never used before in this process.
    pub run: RunId,
    /// In plan order: an upstream item always stands before.
    pub items: Vec<ItemSpec>,
    /// Items that already have a lasting state (a run that is taken up again after a restart). Items that are
    /// not listed wait. Only finished states are allowed here.
    pub settled: Vec<(u32, ItemState)>,
    /// Its share beside other runs of the same priority: a run of weight 2 gets twice the core-seconds of a run
    /// of weight 1. 0 counts as 1.
    pub share: u32,
    /// Runs of a higher priority are served first.
    pub priority: i32,
    /// Starts paused.
    pub paused: bool,
}

/// An item as it enters the scheduler.
#[derive(Debug, Clone, Default)]
pub struct ItemSpec {
    /// Index of its step in the plan.
    pub step: u32,
    /// Indexes of the items whose outputs it reads, each once; all smaller than its own index.
    pub upstream: Vec<u32>,
    /// Runs over what is there: needs at least one upstream item with outputs, not all.
    pub partial: bool,
    /// Further attempts after a failure that is charged.
    pub retries: u32,
    /// Declared cores and memory: used for forecasts until the item is resolved.
    pub need: Amount,
    /// Seats that it holds while it runs.
    pub seats: Vec<SeatUse>,
    /// Expected duration, if anything is known; otherwise the run's median counts.
    pub expected_ms: Option<Millis>,
}

/// What an item is expected to need, fixed when it becomes ready.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Estimate {
    /// Cores and memory to book.
    pub need: Amount,
    /// Expected duration; `None`: nothing known, the run's median counts.
    pub elapsed_ms: Option<Millis>,
}

/// The engine's answer to `Action::Resolve`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Resolution {
    /// The record holds a result for the item's key, and its blobs are there.
    Reused,
    /// The item has to run.
    Run {
        /// Its key: items with equal keys run once.
        key: KeyId,
        /// What it is expected to need.
        estimate: Estimate,
        /// What an agent must have.
        requirement: RequirementId,
        /// Agents that already hold some of its inputs, those with the most bytes first.
        near: Box<[AgentId]>,
    },
    /// It can never run (a damaged plan, a vanished input): it is failed, and the engine knows why.
    Failed,
}

/// An agent as it joins.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AgentSpec {
    /// The most that it ever lends: nothing above this can ever run there.
    pub most: Amount,
    /// The longest span that it ever lends without a break; `None`: it lends around the clock.
    pub longest_lending_ms: Option<Millis>,
    /// Every requirement known so far that it satisfies, in any order.
    pub satisfies: Vec<RequirementId>,
}

/// What an agent lends now.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Budget {
    /// For all items together, those that run included.
    pub lent: Amount,
    /// Takes new items.
    pub accepting: bool,
    /// End of the present lending hours, if they end: no item starts that is expected to end later, unless it
    /// is too long for the lending hours of every agent that could take it.
    pub lends_until_ms: Option<Millis>,
}

/// How a lease ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The process succeeded and its outputs are staged: the item waits for `Event::Settled`.
    Success,
    /// The program failed or ran over its time limit: uses up a retry.
    Failed,
    /// Ended because it outgrew its memory limit: again with a larger estimate, no retry used, up to
    /// [`super::OVER_MEMORY_LIMIT`] times.
    OverMemory {
        /// Highest measured memory of its process tree.
        peak_bytes: u64,
    },
    /// A reason of the machine (disk, staging, launcher): no retry used, up to [`super::MACHINE_LIMIT`] times.
    Machine,
    /// Handed back under memory pressure or because the owner is busy: no retry used.
    HandedBack,
    /// The agent checked again and does not have the room: no retry used.
    Declined,
    /// Ended because `Action::End` asked for it.
    Stopped,
}

impl Outcome {
    /// Whether an attempt that ended so uses up a retry.
    pub fn is_charged(self) -> bool {
        self == Outcome::Failed
    }
}

/// How an agent went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Departure {
    /// It said goodbye, or people took it out: its items are placed again, nothing is held against them.
    Left,
    /// It vanished with its items and did not come back within the grace time: each of its items may be the
    /// reason. Taken back if it joins again without having restarted.
    Vanished,
}
