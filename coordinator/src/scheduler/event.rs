//! What happens: the only way into the scheduler.

use super::ids::{AgentId, ItemId, LeaseNumber, Millis, RequirementId, RunId, SeatId};
use super::spec::{AgentSpec, Amount, Budget, Departure, Estimate, Outcome, Resolution, RunSpec};

/// One thing that happened. Events that name something unknown or long over are ignored: late messages are
/// normal.
#[derive(Debug, Clone)]
pub enum Event {
    // ---- runs
    /// A run was submitted, or is taken up again after a restart.
    RunAdded(RunSpec),
    /// Forget a run. Its running items are ended (`Action::End`), nothing is concluded.
    RunRemoved { run: RunId },
    /// Set all its unfinished items to `stopped`; running ones are ended first.
    Stop { run: RunId },
    /// Start nothing new of this run; what runs goes on.
    Pause { run: RunId },
    /// Undo `Pause`.
    Resume { run: RunId },
    /// Change its priority.
    Priority { run: RunId, priority: i32 },
    /// Change its share.
    Share { run: RunId, share: u32 },
    /// Open these finished items again, with fresh retries. Finished items downstream of them that are failed,
    /// cut-off or stopped should be listed too; done and reused ones that are not listed stay as they are.
    Reopen { run: RunId, items: Vec<u32> },

    // ---- items
    /// Answer to `Action::Resolve`.
    Resolved { item: ItemId, resolution: Resolution },
    /// A better estimate for an item that is ready (or waits for another of its key); otherwise ignored.
    Estimated { item: ItemId, estimate: Estimate },
    /// The lease's process is gone and its result is on the way: what it booked (cores, memory, seats) is free from
    /// now on. The item stays `running` until `Ended` says what came of it. Optional, and harmless if said twice.
    ProcessEnded { lease: LeaseNumber },
    /// The lease is over, with this outcome. Its booking is free from now on.
    Ended { lease: LeaseNumber, outcome: Outcome },
    /// The item's result is on disk: it is `done`. Accepted for every unfinished item, also from a late result
    /// of a lease that was taken back; a lease that the item has elsewhere is ended.
    Settled { item: ItemId },
    /// After `Outcome::Success`: the result could not be stored (a blob is lacking or does not match its name).
    /// The item runs again; counts as a reason of the machine.
    Unsettled { item: ItemId },

    // ---- agents
    /// An agent joined, or came back.
    AgentJoined {
        agent: AgentId,
        spec: AgentSpec,
        budget: Budget,
        /// Leases of this coordinator process that it still works on. Others that it had are placed again.
        /// Leases of an earlier coordinator process are taken up with [`Event::Adopt`] afterwards.
        holds: Vec<LeaseNumber>,
        /// Its process is a new one since it was last here: it may have been brought down by an item.
        restarted: bool,
    },
    /// A fresh report of what it lends. Also ends the wait after a declined or handed back item.
    AgentBudget { agent: AgentId, budget: Budget },
    /// Whether an agent satisfies a requirement (a new requirement, a tool found or gone).
    AgentSatisfies {
        agent: AgentId,
        requirement: RequirementId,
        satisfied: bool,
    },
    /// Its link broke: nothing new is sent there, its leases stay until it comes back or is gone.
    AgentSilent { agent: AgentId },
    /// It is not coming back for its leases: they are placed again.
    AgentGone { agent: AgentId, departure: Departure },
    /// An agent works on an item under a lease of an earlier coordinator process. Answered by
    /// `Action::Adopted` or `Action::NotAdopted` in the same step. An item that still waits for upstream items
    /// is not taken up.
    Adopt {
        agent: AgentId,
        item: ItemId,
        /// What was booked for it.
        need: Amount,
        /// Number of the attempt, from 1.
        attempt: u32,
        /// When it started, by the coordinator's clock.
        started_ms: Millis,
    },

    // ---- the rest
    /// How many seats of a kind there are, over all runs and agents. Unknown kinds have none.
    Seats { seat: SeatId, count: u32 },
    /// Give no lease before this time: after a restart, agents first get the time to say what they hold.
    Quiet { until_ms: Millis },
    /// Give no lease until told otherwise: what comes of them could not be recorded.
    Hold { held: bool },
    /// Time passed. Send one about every second; rests, overdue reservations and slow items are looked at.
    Tick,
}
