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
    pub active: HashMap<u32, Active>,
    /// Items that run in spite of a record.
    pub anew: HashSet<u32>,
    /// Items whose outcome is decided and on its way to the disk.
    pub decided: HashMap<u32, ItemState>,
    /// Why a tool's version cannot be fixed.
    pub tool_note: Option<String>,
    /// Steps that are held back after many failures.
    pub held_steps: HashSet<u32>,
    /// Its end is being recorded.
    pub ending: bool,
}

/// An item in work.
#[derive(Debug, Default)]
pub struct Active {
    /// Its key, once it is known.
    pub key: Option<Key>,
    /// Of all inputs together.
    pub input_bytes: u64,
    /// Attempts that ended, oldest first.
    pub attempts: Vec<AttemptRecord>,
    /// An earlier result for the same key that it runs in spite of.
    pub earlier: Option<Earlier>,
    /// Why it cannot be looked up.
    pub failure: Option<String>,
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
}
