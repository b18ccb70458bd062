//! The same scheduler under a simulated clock: what a set of items would take on a set of agents.
//!
//! Every simulated moment first takes in all that happens then and places afterwards, so that the order of
//! events at one moment does not matter more than it does in the textbook.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use tidemill_proto::v1::{ItemState, StateCounts};

use super::{
    Action, AgentId, AgentSpec, Amount, Budget, Estimate, Event, ItemId, ItemSpec, KeyId, LeaseNumber,
    Millis, Outcome, RequirementId, Resolution, RunId, RunSpec, Scheduler, SeatId, Settings,
};

/// What is simulated.
#[derive(Debug, Clone, Default)]
pub struct Simulation {
    /// Choices of the scheduler.
    pub settings: Settings,
    /// Agents and what they lend when, by number.
    pub agents: Vec<SimulatedAgent>,
    /// Runs and when they are submitted, by number.
    pub runs: Vec<SimulatedRun>,
    /// Seats of each kind.
    pub seats: Vec<(SeatId, u32)>,
}

/// An agent that follows a timetable.
#[derive(Debug, Clone, Default)]
pub struct SimulatedAgent {
    /// What it is told about it.
    pub spec: AgentSpec,
    /// Budgets and the time from which each counts. The first is the one it joins with.
    pub budgets: Vec<(Millis, Budget)>,
}

/// A run.
#[derive(Debug, Clone, Default)]
pub struct SimulatedRun {
    /// When it is submitted.
    pub at_ms: Millis,
    /// Its share; 0 counts as 1.
    pub share: u32,
    /// Its priority.
    pub priority: i32,
    /// Its items, in topological order.
    pub items: Vec<SimulatedItem>,
}

/// An item, with what is believed of it and what is true.
#[derive(Debug, Clone, Default)]
pub struct SimulatedItem {
    /// Step, edges, seats and so on; `need` and `expected_ms` are what the scheduler believes.
    pub spec: ItemSpec,
    /// What an agent must have; `None`: nothing special.
    pub requirement: Option<RequirementId>,
    /// Items of one key run once; `None`: a key of its own.
    pub key: Option<KeyId>,
    /// How long it really takes.
    pub elapsed_ms: Millis,
    /// Memory that it really touches. With less booked it is ended half way.
    pub memory_bytes: u64,
    /// It is there already: it was made before.
    pub reused: bool,
}

/// One start of an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Start {
    /// When.
    pub at_ms: Millis,
    /// Which item.
    pub item: ItemId,
    /// Where.
    pub agent: AgentId,
    /// What was booked.
    pub need: Amount,
    /// When it ended, in whatever way.
    pub end_ms: Millis,
}

/// What a simulation shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Simulated {
    /// From time 0 to the end of the last item.
    pub makespan_ms: Millis,
    /// The end of each run; `None`: it never ended, since something fits no agent.
    pub run_ends_ms: Vec<Option<Millis>>,
    /// Items of each run by state, at the end.
    pub counts: Vec<StateCounts>,
    /// All starts, in order of time.
    pub starts: Vec<Start>,
    /// Attempts that were ended over their memory.
    pub memory_stops: u32,
    /// Events that the scheduler took in.
    pub events: u64,
    /// Core-milliseconds that items took.
    pub core_ms: u64,
}

impl Simulated {
    /// Share of the lent core time that was used until the end, for agents that lent `millicores` all along.
    pub fn core_utilisation(&self, millicores: u64) -> f64 {
        let lent = millicores as f64 / 1000.0 * self.makespan_ms as f64;
        if lent == 0.0 {
            0.0
        } else {
            self.core_ms as f64 / lent
        }
    }
}

/// Runs a simulation until nothing happens any more.
pub fn simulate(simulation: &Simulation) -> Simulated {
    let mut driver = Driver::new(simulation);
    while driver.next_moment() {}
    driver.shown()
}

/// What is going to happen; the order is the order within one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Coming {
    End { lease: LeaseNumber },
    Submit { run: usize },
    Budget { agent: usize, nth: usize },
    Tick,
}

struct Driver<'a> {
    simulation: &'a Simulation,
    scheduler: Scheduler,
    coming: BinaryHeap<Reverse<(Millis, Coming)>>,
    /// Starts whose end has not come, by lease.
    running: BTreeMap<LeaseNumber, usize>,
    shown: Simulated,
    /// Ticks are only kept up while they can change something.
    tick_is_coming: bool,
}

/// Simulated ticks: overdue reservations are looked at so often.
const TICK_MS: Millis = 1_000;

impl<'a> Driver<'a> {
    fn new(simulation: &'a Simulation) -> Self {
        let mut coming = BinaryHeap::new();
        for (agent, timetable) in simulation.agents.iter().enumerate() {
            for (nth, (at_ms, _)) in timetable.budgets.iter().enumerate() {
                coming.push(Reverse((*at_ms, Coming::Budget { agent, nth })));
            }
        }
        for (run, spec) in simulation.runs.iter().enumerate() {
            coming.push(Reverse((spec.at_ms, Coming::Submit { run })));
        }
        let mut scheduler = Scheduler::new(simulation.settings);
        let mut actions = Vec::new();
        for (seat, count) in &simulation.seats {
            scheduler.absorb(
                0,
                Event::Seats {
                    seat: *seat,
                    count: *count,
                },
                &mut actions,
            );
        }
        let shown = Simulated {
            run_ends_ms: vec![None; simulation.runs.len()],
            ..Simulated::default()
        };
        Self {
            simulation,
            scheduler,
            coming,
            running: BTreeMap::new(),
            shown,
            tick_is_coming: false,
        }
    }

    /// Everything that happens at the next point in time. False: nothing is coming.
    fn next_moment(&mut self) -> bool {
        let Some(Reverse((now, first))) = self.coming.pop() else {
            return false;
        };
        self.happen(now, first);
        while let Some(Reverse((at_ms, _))) = self.coming.peek()
            && *at_ms == now
            && let Some(Reverse((_, next))) = self.coming.pop()
        {
            self.happen(now, next);
        }
        let mut actions = Vec::new();
        self.scheduler.place_ready(now, &mut actions);
        self.react(now, actions);
        // Without anything running, no tick can change anything either: only a timetable can.
        if !self.tick_is_coming && !self.running.is_empty() {
            self.tick_is_coming = true;
            self.coming.push(Reverse((now + TICK_MS, Coming::Tick)));
        }
        true
    }

    fn happen(&mut self, now: Millis, what: Coming) {
        match what {
            Coming::Tick => {
                self.tick_is_coming = false;
                self.absorb(now, Event::Tick);
            }
            Coming::Budget { agent, nth } => {
                let timetable = &self.simulation.agents[agent];
                let (agent, budget) = (AgentId(agent as u32), timetable.budgets[nth].1);
                self.absorb(
                    now,
                    if nth == 0 {
                        Event::AgentJoined {
                            agent,
                            spec: timetable.spec.clone(),
                            budget,
                            holds: Vec::new(),
                            restarted: false,
                        }
                    } else {
                        Event::AgentBudget { agent, budget }
                    },
                );
            }
            Coming::Submit { run } => {
                let spec = &self.simulation.runs[run];
                self.absorb(
                    now,
                    Event::RunAdded(RunSpec {
                        run: RunId(run as u32),
                        items: spec.items.iter().map(|item| item.spec.clone()).collect(),
                        settled: Vec::new(),
                        share: spec.share,
                        priority: spec.priority,
                        paused: false,
                    }),
                );
            }
            Coming::End { lease } => self.end(now, lease),
        }
    }

    fn end(&mut self, now: Millis, lease: LeaseNumber) {
        let Some(nth) = self.running.remove(&lease) else {
            return;
        };
        let start = self.shown.starts[nth];
        let booked = start.need.memory_bytes;
        self.shown.makespan_ms = self.shown.makespan_ms.max(now);
        self.shown.core_ms += super::run::core_ms(start.need.millicores, now - start.at_ms);
        if booked < self.item(start.item).memory_bytes {
            self.shown.memory_stops += 1;
            self.absorb(
                now,
                Event::Ended {
                    lease,
                    outcome: Outcome::OverMemory { peak_bytes: booked },
                },
            );
        } else {
            self.absorb(
                now,
                Event::Ended {
                    lease,
                    outcome: Outcome::Success,
                },
            );
            self.absorb(now, Event::Settled { item: start.item });
        }
    }

    fn absorb(&mut self, now: Millis, event: Event) {
        let mut actions = Vec::new();
        self.shown.events += 1;
        self.scheduler.absorb(now, event, &mut actions);
        self.react(now, actions);
    }

    fn react(&mut self, now: Millis, mut actions: Vec<Action>) {
        let mut answered = 0;
        // Answers bring further actions; they are appended behind, since a chain of answers may be long.
        while let Some(action) = actions.get(answered).cloned() {
            answered += 1;
            match action {
                Action::Resolve { item } => {
                    let resolution = self.resolution(item);
                    self.shown.events += 1;
                    self.scheduler
                        .absorb(now, Event::Resolved { item, resolution }, &mut actions);
                }
                Action::Lease {
                    lease,
                    item,
                    agent,
                    need,
                    ..
                } => {
                    let (elapsed_ms, memory_bytes) = {
                        let truth = self.item(item);
                        (truth.elapsed_ms, truth.memory_bytes)
                    };
                    let over = need.memory_bytes < memory_bytes;
                    let end_ms = now + if over { elapsed_ms / 2 } else { elapsed_ms };
                    self.running.insert(lease, self.shown.starts.len());
                    self.shown.starts.push(Start {
                        at_ms: now,
                        item,
                        agent,
                        need,
                        end_ms,
                    });
                    self.coming.push(Reverse((end_ms, Coming::End { lease })));
                }
                Action::RunEnded { run } => self.shown.run_ends_ms[run.0 as usize] = Some(now),
                _ => {}
            }
        }
    }

    fn resolution(&self, item: ItemId) -> Resolution {
        let truth = self.item(item);
        if truth.reused {
            return Resolution::Reused;
        }
        let own_key = KeyId((u128::from(item.run.0) << 64 | u128::from(item.index)) + 1);
        Resolution::Run {
            key: truth.key.unwrap_or(own_key),
            estimate: Estimate {
                need: truth.spec.need,
                elapsed_ms: truth.spec.expected_ms,
            },
            requirement: truth.requirement.unwrap_or(RequirementId::NONE),
            near: Box::default(),
        }
    }

    fn item(&self, item: ItemId) -> &'a SimulatedItem {
        &self.simulation.runs[item.run.0 as usize].items[item.index as usize]
    }

    fn shown(mut self) -> Simulated {
        let counts = |run: usize| self.scheduler.counts(RunId(run as u32)).unwrap_or_default();
        self.shown.counts = (0..self.simulation.runs.len()).map(counts).collect();
        debug_assert!(self.running.is_empty());
        self.shown
    }
}

/// Items that have outputs at the end, over all runs.
pub fn finished_items(simulated: &Simulated) -> u32 {
    let with_outputs = [ItemState::Done, ItemState::Reused];
    let count = |counts: &StateCounts| {
        with_outputs
            .iter()
            .map(|state| tidemill_proto::state::count(counts, *state))
            .sum::<u32>()
    };
    simulated.counts.iter().map(count).sum()
}
