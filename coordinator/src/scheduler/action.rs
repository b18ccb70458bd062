//! What to do: the only way out of the scheduler.

use tidemill_proto::v1::ItemState;

use super::ids::{AgentId, ItemId, LeaseNumber, Millis, RunId};
use super::spec::Amount;

/// One thing that the engine has to do, in the order given.
///
/// States change inside the scheduler at once; the engine makes them last and publishes them when they are on
/// disk. Every change of state shows up in exactly one action: `Changed` (waiting, ready), `Lease` and `Adopted`
/// (running), `Conclude` (failed, cut-off, stopped), `ReusedFrom` (reused, by another item). The two that the
/// engine announces itself have none: `Resolution::Reused` and `Event::Settled`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Action {
    /// All upstream items are finished: compute the key, look up the record, estimate, and answer with
    /// `Event::Resolved`. Any number may be outstanding.
    Resolve { item: ItemId },
    /// The item's state changed to `waiting` or `ready`.
    Changed { item: ItemId, state: ItemState },
    /// Start the item there. It is booked.
    Lease {
        lease: LeaseNumber,
        item: ItemId,
        agent: AgentId,
        /// Number of the attempt, from 1.
        attempt: u32,
        /// What is booked; the memory is also the limit that the agent enforces.
        need: Amount,
    },
    /// End the lease's process. `Event::Ended` is expected once it is gone, whatever its outcome.
    End {
        lease: LeaseNumber,
        agent: AgentId,
        why: EndReason,
    },
    /// The item has an outcome without a result: record it. Decided; nothing has to be answered.
    Conclude {
        item: ItemId,
        state: ItemState,
        reason: Reason,
    },
    /// The item is `reused`: `from`, which has the same key, is done and on disk. Record it.
    ReusedFrom { item: ItemId, from: ItemId },
    /// The agent's lease from an earlier process goes on under this number.
    Adopted {
        lease: LeaseNumber,
        item: ItemId,
        agent: AgentId,
    },
    /// The item is finished, unknown, or runs elsewhere: tell the agent to end it.
    NotAdopted { item: ItemId, agent: AgentId },
    /// Every item of the run is finished. Sent once, and once more each time that a reopened run ends.
    RunEnded { run: RunId },
    /// Five items of this step failed and none succeeded: the rest of the step is held back while other
    /// items can go on.
    StepHeld { run: RunId, step: u32 },
    /// The step goes on: one of its items succeeded, or nothing else is left to do.
    StepReleased { run: RunId, step: u32 },
    /// The agent failed items too fast, one after another: it gets nothing until then.
    Rested { agent: AgentId, until_ms: Millis },
    /// The item runs for ten times its expected duration. Said once a lease.
    Slow {
        lease: LeaseNumber,
        item: ItemId,
        elapsed_ms: Millis,
        expected_ms: Millis,
    },
}

/// Why a lease is ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndReason {
    /// A person stopped the run, or it was removed.
    Stopped,
    /// The item has a result from elsewhere.
    Superseded,
}

/// Why an item has no result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// Its program failed, and no retry is left. The engine knows the exit code and the log.
    Attempts {
        /// Charged attempts.
        failures: u32,
    },
    /// It outgrew every estimate that can be booked.
    OverMemory {
        /// What was booked last.
        booked_bytes: u64,
        /// The most that any agent which could take it ever lends.
        largest_bytes: u64,
    },
    /// Attempts failed for reasons of the machines, time after time.
    Machine {
        /// How often.
        times: u32,
    },
    /// Two agents went down while it ran.
    TookDownAgents,
    /// It could not be resolved; the engine knows why.
    Unresolved,
    /// This upstream item (of the same run) has no outputs.
    Upstream {
        /// Index of that item.
        index: u32,
    },
    /// Not tried: so many items of its step failed, and none succeeded.
    StepHeld {
        /// Items of the step that failed.
        failures: u32,
    },
    /// A person stopped the run.
    Stopped,
}
