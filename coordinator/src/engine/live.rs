//! What the engine keeps of a run that has not ended, and of the items in work.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use tidemill_proto::v1::ItemState;
use tidemill_proto::{Digest, Key, LeaseId};

use super::board::{Outputs, RunBoard};
use super::logs::LogPlace;
use super::lookup::Earlier;
use crate::record::rows::{AttemptRecord, RunRecord};
use crate::scheduler::{AgentId, Amount, ItemId, LeaseNumber};

/// A run that has not ended.
#[derive(Debug)]
pub struct LiveRun {
    /// Its name, shared with the log hub.
    pub label: Arc<str>,
    /// Its row.
    pub record: RunRecord,
    /// What people see.
    pub board: Arc<RunBoard>,
    /// Exact versions by the tool's name.
    pub tools: Arc<HashMap<String, String>>,
    /// For each step, what its items have in common.
    pub signatures: Vec<Digest>,
    /// Items that cannot be looked up before a tool's version is fixed, by the tool's name.
    pub wants_tool: BTreeMap<String, Vec<u32>>,
    /// Items whose key is known and that have no outcome yet.
    pub active: BTreeMap<u32, Active>,
    /// Items that run in spite of a record.
    pub anew: HashSet<u32>,
    /// Items whose outcome is decided and on its way to the disk.
    pub decided: HashMap<u32, ItemState>,
    /// Why its state cannot be recorded.
    pub trouble: Option<String>,
    /// Why a tool's version cannot be fixed.
    pub tool_note: Option<String>,
    /// Steps that are held back after many failures.
    pub held_steps: HashSet<u32>,
    /// Its end is being recorded.
    pub ending: bool,
}

/// An item in work. Kept small: all items of a large run may be ready at once.
#[derive(Debug, Default)]
pub struct Active {
    /// Its key, once it is known.
    pub key: Option<Key>,
    /// Of all inputs together.
    pub input_bytes: u64,
    story: Option<Box<Story>>,
}

/// What only few items have.
#[derive(Debug, Default)]
struct Story {
    attempts: Vec<AttemptRecord>,
    earlier: Option<Earlier>,
    failure: Option<String>,
}

impl Active {
    /// One that has had attempts before.
    pub fn with_attempts(attempts: Vec<AttemptRecord>) -> Self {
        let mut active = Self::default();
        if !attempts.is_empty() {
            active.story_mut().attempts = attempts;
        }
        active
    }

    fn story_mut(&mut self) -> &mut Story {
        self.story.get_or_insert_default()
    }

    /// Attempts that ended, oldest first.
    pub fn attempts(&self) -> &[AttemptRecord] {
        self.story.as_ref().map_or(&[], |story| &story.attempts)
    }

    /// An attempt ended.
    pub fn add_attempt(&mut self, attempt: AttemptRecord) {
        self.story_mut().attempts.push(attempt);
    }

    /// An earlier result for the same key that it runs in spite of.
    pub fn earlier(&self) -> Option<&Earlier> {
        self.story.as_ref()?.earlier.as_ref()
    }

    /// It runs in spite of this result.
    pub fn set_earlier(&mut self, earlier: Option<Earlier>) {
        if earlier.is_some() || self.story.is_some() {
            self.story_mut().earlier = earlier;
        }
    }

    /// Why it cannot be looked up.
    pub fn failure(&self) -> Option<&str> {
        self.story.as_ref()?.failure.as_deref()
    }

    /// It cannot be looked up.
    pub fn set_failure(&mut self, reason: String) {
        self.story_mut().failure = Some(reason);
    }
}

/// A lease that was given in this process, or taken up from an earlier one.
#[derive(Debug, Clone)]
pub struct Lease {
    /// Number in the scheduler.
    pub number: LeaseNumber,
    /// The item.
    pub item: ItemId,
    /// Who works on it.
    pub agent: AgentId,
    /// As the agent knows it.
    pub wire: LeaseId,
    /// From 1, over the item's whole life.
    pub attempt: u32,
    /// What is booked.
    pub need: Amount,
    /// Unix time.
    pub started_ms: i64,
    /// Where it stands.
    pub state: LeaseState,
}

/// Where a lease stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeaseState {
    /// The agent works on it.
    Running,
    /// The agent has reported its end; that is being recorded.
    Reported,
    /// It was taken back, but a late result is accepted if the item has none.
    Lost,
}

/// A result on its way to the disk.
#[derive(Debug)]
pub struct Done {
    /// The lease that made it.
    pub lease: Lease,
    /// In the order of the item's outputs.
    pub outputs: Outputs,
    /// Encoded parts of outputs that are folders, by name.
    pub parts: HashMap<String, Vec<u8>>,
    /// The attempt that made it.
    pub attempt: AttemptRecord,
    /// One line for people, usually empty.
    pub remark: String,
    /// Which of the blobs is only the log.
    pub log: Option<Digest>,
}

impl LiveRun {
    /// Where the log of one of its items is found.
    pub fn log_place(&self, index: u32) -> LogPlace {
        (self.label.clone(), index)
    }

    /// Whether an item has come to its end, on disk already or not.
    pub fn has_finished(&self, index: u32) -> bool {
        tidemill_proto::state::is_finished(self.known_state(index))
    }

    /// An item's state as it was decided. The board shows outcomes only once they are on disk.
    pub fn known_state(&self, index: u32) -> ItemState {
        let decided = self.decided.get(&index).copied();
        decided.unwrap_or_else(|| self.board.state(index))
    }
}
