//! Decides what runs where, as a pure state machine: `(state, event) -> actions`.
//!
//! No clock, no input or output, no randomness, no task: the time comes with each event, and the same events give
//! the same actions. The live coordinator, the forecast, the simulator and the property tests drive this same
//! code.
//!
//! ```text
//!        Event                                             Action
//!   run added, resolved,   +---------------------+   resolve, lease, end,
//!   ended, settled, ------>|  Scheduler::step    |-->  conclude, reused from,
//!   agent joined, budget   +---------------------+     run ended
//! ```
//!
//! # Layout
//! - [`ids`], [`spec`]: what is named and what is told about it; [`settings`]: choices for a whole life
//! - [`event`]: what happens; [`action`]: what to do
//! - [`view`], [`explain`]: what can be asked, also why an item waits

//! - [`simulate`]: the same scheduler under a simulated clock
//! - `run`, `graph`, `work`, `durations`, `steps`, `seats`: the state of a run; `agent`, `fleet`, `lease`: of agents
//! - `items`, `keys`, `outcomes`: the way of an item; `agents`, `control`: agents and runs come and go
//! - `group`, `groups`, `place`, `reserve`: placement
//!
//! # What always holds
//! - An item has at most one lease that counts, and at the moment of a lease its need fits into what the agent
//!   lends and has not booked, in cores and memory together.
//! - A ready item waits only for room, seats, a requirement, its run's turn, or a reservation.
//! - Items of equal keys run once, unless the one that runs does not bring a result.

pub mod action;
mod agent;
mod agents;
mod control;
mod durations;
pub mod event;
pub mod explain;
mod fleet;
mod graph;
mod group;
mod groups;
pub mod ids;
mod items;
mod keys;
mod lease;
mod outcomes;
mod place;
mod reserve;
mod run;
mod seats;
pub mod settings;
pub mod simulate;

pub mod spec;
mod steps;
pub mod view;
mod work;

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, VecDeque};

pub use action::{Action, EndReason, Reason};
pub use event::Event;
pub use explain::WaitReason;
pub use ids::{AgentId, ItemId, KeyId, LeaseNumber, Millis, RequirementId, RunId, SeatId};
pub use settings::{Order, Reservations, Settings};
pub use spec::{
    AgentSpec, Amount, Budget, Departure, Estimate, ItemSpec, Outcome, Resolution, RunSpec, SeatUse,
};
pub use view::{AgentView, LeaseView};

/// How often an item may outgrow its memory before each further time is charged as a failure.
pub const OVER_MEMORY_LIMIT: u32 = 6;
/// How often an item's attempts may end for reasons of the machine before it is failed.
pub const MACHINE_LIMIT: u32 = 5;
/// Agents that may go down under an item before it is failed.
pub const TOOK_DOWN_LIMIT: u32 = 2;
/// Failed items of one step, without a success, after which the step is held back.
pub const STEP_FAILURE_LIMIT: u32 = 5;
/// An item is remarked as slow at so many times its expected duration.
pub const SLOW_FACTOR: u64 = 10;
/// A failure within this time may be the agent's own.
const FAST_FAILURE_MS: Millis = 10_000;

/// The state machine.
#[derive(Debug)]
pub struct Scheduler {
    settings: Settings,
    runs: BTreeMap<RunId, run::Run>,
    groups: groups::Groups,
    fleet: fleet::Fleet,
    leases: BTreeMap<LeaseNumber, lease::Lease>,
    keys: keys::Keys,
    seats: seats::Seats,
    /// Agents with a reservation.
    reserved: Vec<AgentId>,
    next_lease: u64,
    quiet_until_ms: Millis,
    held: bool,
    /// Counts looks at all groups: a group is tried at most once in each.
    pass: u64,
    /// Items that finished in this step and whose downstream has not been told.
    finished: VecDeque<ItemId>,
}

/// The time of a step, and where its actions go.
struct Moment<'a> {
    now: Millis,
    actions: &'a mut Vec<Action>,
}

impl Default for Scheduler {
    fn default() -> Self {
        Self::new(Settings::default())
    }
}

impl Scheduler {
    /// A scheduler without runs and agents.
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            runs: BTreeMap::new(),
            groups: groups::Groups::default(),
            fleet: fleet::Fleet::default(),
            leases: BTreeMap::new(),
            keys: keys::Keys::default(),
            seats: seats::Seats::default(),
            reserved: Vec::new(),
            next_lease: 1,
            quiet_until_ms: 0,
            held: false,
            pass: 0,
            finished: VecDeque::new(),
        }
    }

    /// Takes in one event and appends what is to be done because of it. `now` never goes back; a clock that
    /// does is the caller's to smooth.
    pub fn step(&mut self, now: Millis, event: Event, actions: &mut Vec<Action>) {
        self.absorb(now, event, actions);
        self.place_ready(now, actions);
    }

    /// The first half of [`Scheduler::step`]: takes in an event without giving leases. For events that come
    /// together; end them with [`Scheduler::place_ready`].
    pub fn absorb(&mut self, now: Millis, event: Event, actions: &mut Vec<Action>) {
        let mut moment = Moment { now, actions };
        self.take_in(event, &mut moment);
        self.spread(&mut moment);
    }

    /// The second half of [`Scheduler::step`]: gives leases until nothing more fits.
    pub fn place_ready(&mut self, now: Millis, actions: &mut Vec<Action>) {
        self.place(&mut Moment { now, actions });
    }

    fn take_in(&mut self, event: Event, moment: &mut Moment) {
        match event {
            Event::RunAdded(spec) => self.add_run(spec, moment),
            Event::RunRemoved { run } => self.remove_run(run, moment),
            Event::Stop { run } => self.stop(run, moment),
            Event::Pause { run } => self.set_paused(run, true, moment),
            Event::Resume { run } => self.set_paused(run, false, moment),
            Event::Priority { run, priority } => self.set_priority(run, priority, moment),
            Event::Share { run, share } => self.set_share(run, share),
            Event::Reopen { run, items } => self.reopen(run, &items, moment),
            Event::Resolved { item, resolution } => self.resolved(item, resolution, moment),
            Event::Estimated { item, estimate } => self.estimated(item, estimate),
            Event::ProcessEnded { lease } => self.process_ended(lease, moment.now),
            Event::Ended { lease, outcome } => self.ended(lease, outcome, moment),
            Event::Settled { item } => self.settled(item, moment),
            Event::Unsettled { item } => self.unsettled(item, moment),
            Event::AgentJoined {
                agent,
                spec,
                budget,
                holds,
                restarted,
            } => {
                self.agent_joined(agent, &spec, budget, &holds, restarted, moment);
            }
            Event::AgentBudget { agent, budget } => self.agent_budget(agent, budget, moment.now),
            Event::AgentSatisfies {
                agent,
                requirement,
                satisfied,
            } => {
                self.agent_satisfies(agent, requirement, satisfied);
            }
            Event::AgentSilent { agent } => self.agent_silent(agent, moment),
            Event::AgentGone { agent, departure } => self.agent_gone(agent, departure, moment),
            Event::Adopt {
                agent,
                item,
                need,
                attempt,
                started_ms,
            } => {
                self.adopt(agent, item, need, attempt, started_ms, moment);
            }
            Event::Seats { seat, count } => {
                self.seats.set_count(seat, count);
                self.look_again_for_seats();
            }
            Event::Quiet { until_ms } => self.quiet_until_ms = until_ms,
            Event::Hold { held } => self.held = held,
            Event::Tick => {
                self.end_rests(moment.now);
                self.renew_reservations(moment.now);
                self.remark_slow_leases(moment.now, moment.actions);
            }
        }
    }
}
