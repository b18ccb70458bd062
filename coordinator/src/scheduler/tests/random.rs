//! Random events against what must always hold. `TIDEMILL_SOAK=100000` sets the number of sequences.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use tidemill_proto::v1::ItemState;

use super::super::run::Phase;
use super::*;

/// One thing that a test lets happen. Numbers pick among what there is.
#[derive(Debug, Clone)]
enum Happening {
    AddRun(Vec<Shape>),
    Answer {
        pick: u8,
        how: u8,
    },
    End {
        pick: u8,
        how: u8,
    },
    ProcessEnd(u8),
    Settle {
        pick: u8,
        lost: bool,
    },
    Report {
        agent: u8,
        cores: u8,
        memory: u8,
        accepting: bool,
    },
    Join {
        agent: u8,
        cores: u8,
        memory: u8,
        restarted: bool,
    },
    Silent(u8),
    Gone(u8, bool),
    /// An agent says that it holds a lease of an earlier process of the coordinator.
    Adopt {
        agent: u8,
        run: u8,
        item: u8,
        cores: u8,
        memory: u8,
    },
    Control {
        run: u8,
        what: u8,
    },
    /// Nothing is placed for so long.
    Quiet(u16),
    Pass(u16),
}

#[derive(Debug, Clone)]
struct Shape {
    upstream: Vec<prop::sample::Index>,
    partial: bool,
    step: u8,
    key: u8,
    cores: u8,
    memory: u8,
    seat: bool,
    expected: Option<u8>,
    requirement: bool,
    retries: u8,
}

const AGENTS: u32 = 4;
const UNIT: u64 = 64 << 20;

fn shape() -> impl Strategy<Value = Shape> {
    let edges = prop::collection::vec(any::<prop::sample::Index>(), 0..3);
    let bits = (any::<bool>(), any::<bool>(), any::<bool>());
    let small = (0u8..3, 0u8..12, 1u8..4, 0u8..9, 0u8..2);
    (edges, bits, small, prop::option::of(1u8..40)).prop_map(|(upstream, bits, small, expected)| Shape {
        upstream,
        partial: bits.0,
        seat: bits.1,
        requirement: bits.2,
        step: small.0,
        key: small.1,
        cores: small.2,
        memory: small.3,
        retries: small.4,
        expected,
    })
}

fn happening() -> impl Strategy<Value = Happening> {
    prop_oneof![
        1 => prop::collection::vec(shape(), 0..12).prop_map(Happening::AddRun),
        8 => (any::<u8>(), any::<u8>()).prop_map(|(pick, how)| Happening::Answer { pick, how }),
        8 => (any::<u8>(), any::<u8>()).prop_map(|(pick, how)| Happening::End { pick, how }),
        4 => any::<u8>().prop_map(Happening::ProcessEnd),
        5 => (any::<u8>(), prop::bool::weighted(0.1))
            .prop_map(|(pick, lost)| Happening::Settle { pick, lost }),
        3 => (0u8..4, 0u8..6, 0u8..12, prop::bool::weighted(0.9))
            .prop_map(|(agent, cores, memory, accepting)| Happening::Report { agent, cores, memory, accepting }),
        3 => (0u8..4, 0u8..6, 0u8..12, any::<bool>())
            .prop_map(|(agent, cores, memory, restarted)| Happening::Join { agent, cores, memory, restarted }),
        1 => (0u8..4).prop_map(Happening::Silent),
        1 => (0u8..4, any::<bool>()).prop_map(|(agent, vanished)| Happening::Gone(agent, vanished)),
        2 => (0u8..4, any::<u8>(), any::<u8>(), 1u8..4, 0u8..9)
            .prop_map(|(agent, run, item, cores, memory)| Happening::Adopt { agent, run, item, cores, memory }),
        2 => (any::<u8>(), 0u8..10).prop_map(|(run, what)| Happening::Control { run, what }),
        1 => (0u16..5000).prop_map(Happening::Quiet),
        3 => any::<u16>().prop_map(Happening::Pass),
    ]
}

/// The world around the scheduler, kept as simply as possible.
#[derive(Default)]
struct World {
    scheduler: Scheduler,
    now: Millis,
    runs: BTreeMap<RunId, Vec<Shape>>,
    questions: Vec<ItemId>,
    leases: BTreeMap<LeaseNumber, (ItemId, AgentId, Amount)>,
    /// Leases among them whose process is gone: nothing of them is booked.
    freed: BTreeSet<LeaseNumber>,
    /// Leases among them of an earlier process: nobody asked whether they fit, or whether their key was run already.
    adopted: BTreeSet<LeaseNumber>,
    adopting: Amount,
    lent: BTreeMap<AgentId, Amount>,
    succeeded: BTreeSet<ItemId>,
    ended_runs: BTreeSet<RunId>,
}

impl World {
    fn send(&mut self, event: Event) {
        let mut actions = Vec::new();
        self.scheduler.step(self.now, event, &mut actions);
        for action in actions {
            self.take(action);
        }
        self.check();
    }

    fn take(&mut self, action: Action) {
        match action {
            Action::Resolve { item } => self.questions.push(item),
            Action::Lease {
                lease,
                item,
                agent,
                need,
                ..
            } => {
                assert!(!self.scheduler.held, "a lease while all are held");
                assert!(
                    self.now >= self.scheduler.quiet_until_ms,
                    "a lease before all had the time to say what they hold"
                );
                self.add_lease(lease, item, agent, need);
                let sum = self.booked(agent);
                let lent = self.lent[&agent];
                assert!(
                    sum.fits_in(lent),
                    "{sum:?} booked on {agent:?}, which lends {lent:?}"
                );
            }
            Action::Adopted { lease, item, agent } => {
                self.add_lease(lease, item, agent, self.adopting);
                self.adopted.insert(lease);
            }
            Action::Conclude { item, state, .. } => {
                assert!(tidemill_proto::state::is_finished(state));
                self.succeeded.remove(&item);
            }
            Action::ReusedFrom { item, from } => {
                assert_eq!(self.scheduler.state(from), Some(ItemState::Done), "{item:?}");
            }
            Action::RunEnded { run } => {
                assert!(self.ended_runs.insert(run), "{run:?} ended twice");
            }
            _ => {}
        }
    }

    fn add_lease(&mut self, lease: LeaseNumber, item: ItemId, agent: AgentId, need: Amount) {
        let counts = |number: &LeaseNumber| self.scheduler.lease(*number).is_some_and(|one| !one.let_go);
        let twice = self
            .leases
            .iter()
            .any(|(number, (other, ..))| *other == item && counts(number));
        assert!(!twice, "a second lease for {item:?}");
        self.leases.insert(lease, (item, agent, need));
    }

    /// What is booked on an agent by all that this world knows.
    fn booked(&self, agent: AgentId) -> Amount {
        let there = self
            .leases
            .iter()
            .filter(|(number, (_, on, _))| *on == agent && !self.freed.contains(number));
        there.fold(Amount::default(), |sum, (_, (_, _, need))| Amount {
            millicores: sum.millicores + need.millicores,
            memory_bytes: sum.memory_bytes + need.memory_bytes,
        })
    }

    /// What holds after every event.
    fn check(&self) {
        for (run, shapes) in &self.runs {
            let counts = self.scheduler.counts(*run).unwrap();
            let all = tidemill_proto::state::ALL;
            let sum: u32 = all
                .iter()
                .map(|state| tidemill_proto::state::count(&counts, *state))
                .sum();
            assert_eq!(sum as usize, shapes.len());
            let unfinished = counts.waiting + counts.ready + counts.running;
            assert_eq!(
                unfinished == 0,
                self.ended_runs.contains(run),
                "{run:?}: {counts:?}"
            );
        }
        let mut keys = BTreeSet::new();
        for (number, (item, agent, need)) in &self.leases {
            let view = self
                .scheduler
                .lease(*number)
                .unwrap_or_else(|| panic!("{number:?} vanished"));
            assert_eq!((view.item, view.agent, view.need), (*item, *agent, *need));
            let key = self.runs[&item.run][item.index as usize].key;
            let asked = !view.let_go && !self.adopted.contains(number);
            assert!(!asked || keys.insert(key), "two items of one key run");
            assert_eq!(view.freed, self.freed.contains(number), "{number:?}");
        }
        for agent in self.lent.keys() {
            let booked = self.scheduler.agent(*agent).unwrap().booked;
            assert_eq!(booked, self.booked(*agent), "freed exactly once on {agent:?}");
        }
        self.check_that_nothing_idles();
    }

    /// No ready item waits while an agent that it fits has room, unless the room is reserved for another.
    fn check_that_nothing_idles(&self) {
        if self.scheduler.held || self.now < self.scheduler.quiet_until_ms {
            return;
        }
        for group in self.scheduler.groups.active().map(|(_, group)| group) {
            let run = &self.scheduler.runs[&group.run];
            let lacks_seats = self.scheduler.seats.lacking(group.key.seats).is_some();
            if !run.is_served() || lacks_seats {
                continue;
            }
            for (id, agent) in self.scheduler.fleet.iter() {
                let fits = agent.is_open(self.now)
                    && group.key.need.fits_in(agent.room())
                    && self.scheduler.suits(group, run, id, agent, self.now);
                let reserved = agent.reservation.is_some();
                assert!(!fits || reserved, "{:?} waits while {id:?} has room", group.key);
            }
        }
        for (number, group) in self.scheduler.groups.active() {
            let turn = group.first().unwrap();
            let item = self
                .scheduler
                .item(ItemId {
                    run: group.run,
                    index: turn.index.0,
                })
                .unwrap();
            assert_eq!((item.phase, item.group), (Phase::Ready, number));
        }
    }

    fn happen(&mut self, happening: Happening) {
        let amount = |cores: u8, memory: u8| Amount {
            millicores: u32::from(cores) * 1000,
            memory_bytes: u64::from(memory) * UNIT,
        };
        match happening {
            Happening::AddRun(shapes) => self.add_run(shapes, amount),
            Happening::Answer { pick, how } => self.answer(pick, how, amount),
            Happening::End { pick, how } => self.end(pick, how),
            Happening::ProcessEnd(pick) => {
                // Also of leases that were freed already: said twice.
                let Some(lease) = pick_of(self.leases.keys(), pick).copied() else {
                    return;
                };
                self.freed.insert(lease);
                self.send(Event::ProcessEnded { lease });
            }
            Happening::Settle { pick, lost } => {
                let Some(item) = pick_of(self.succeeded.iter(), pick).copied() else {
                    return;
                };
                self.succeeded.remove(&item);
                self.send(if lost {
                    Event::Unsettled { item }
                } else {
                    Event::Settled { item }
                });
            }
            Happening::Report {
                agent,
                cores,
                memory,
                accepting,
            } => {
                let agent = AgentId(u32::from(agent));
                let Some(lent) = self.lent.get_mut(&agent) else {
                    return;
                };
                *lent = amount(cores, memory);
                let budget = Budget {
                    lent: *lent,
                    accepting,
                    lends_until_ms: None,
                };
                self.send(Event::AgentBudget { agent, budget });
            }
            Happening::Join {
                agent,
                cores,
                memory,
                restarted,
            } => {
                let agent = AgentId(u32::from(agent));
                let lent = amount(cores, memory);
                let held = self.leases.iter().filter(|(_, (_, on, _))| *on == agent);
                let holds: Vec<LeaseNumber> = held
                    .map(|(lease, _)| *lease)
                    .filter(|lease| !restarted && lease.0 % 3 > 0)
                    .collect();
                self.leases
                    .retain(|lease, (_, on, _)| *on != agent || holds.contains(lease));
                self.lent.insert(agent, lent);
                let most = amount(6, 12);
                let satisfies = if agent.0.is_multiple_of(2) {
                    vec![RequirementId(1)]
                } else {
                    Vec::new()
                };
                let spec = AgentSpec {
                    most,
                    longest_lending_ms: None,
                    satisfies,
                };
                self.send(Event::AgentJoined {
                    agent,
                    spec,
                    budget: budget(lent),
                    holds,
                    restarted,
                });
            }
            Happening::Silent(agent) => self.send(Event::AgentSilent {
                agent: AgentId(u32::from(agent)),
            }),
            Happening::Gone(agent, vanished) => {
                let agent = AgentId(u32::from(agent));
                self.leases.retain(|_, (_, on, _)| *on != agent);
                let departure = if vanished {
                    Departure::Vanished
                } else {
                    Departure::Left
                };
                self.send(Event::AgentGone { agent, departure });
            }
            Happening::Adopt {
                agent,
                run,
                item,
                cores,
                memory,
            } => {
                let agent = AgentId(u32::from(agent));
                let Some((run, shapes)) = pick_of(self.runs.iter(), run) else {
                    return;
                };
                if shapes.is_empty() || !self.lent.contains_key(&agent) {
                    return;
                }
                let index = u32::from(item) % shapes.len() as u32;
                self.adopting = amount(cores, memory);
                self.send(Event::Adopt {
                    agent,
                    item: ItemId { run: *run, index },
                    need: self.adopting,
                    attempt: 1,
                    started_ms: self.now,
                });
            }
            Happening::Control { run, what } => self.control(run, what),
            Happening::Quiet(for_ms) => {
                let until_ms = self.now + Millis::from(for_ms);
                self.send(Event::Quiet { until_ms });
            }
            Happening::Pass(elapsed_ms) => {
                self.now += Millis::from(elapsed_ms);
                self.send(Event::Tick);
            }
        }
    }

    fn add_run(&mut self, shapes: Vec<Shape>, amount: impl Fn(u8, u8) -> Amount) {
        let run = RunId(self.runs.len() as u32);
        let item = |(own, shape): (usize, &Shape)| {
            let mut upstream: Vec<u32> = match own {
                0 => Vec::new(),
                _ => shape.upstream.iter().map(|pick| pick.index(own) as u32).collect(),
            };
            upstream.sort_unstable();
            upstream.dedup();
            let seats = shape.seat.then_some(SeatUse {
                seat: SeatId(0),
                count: 1,
            });
            ItemSpec {
                step: u32::from(shape.step),
                upstream,
                partial: shape.partial,
                retries: u32::from(shape.retries),
                need: amount(shape.cores, shape.memory),
                seats: seats.into_iter().collect(),
                expected_ms: shape.expected.map(|tens| Millis::from(tens) * 10),
            }
        };
        let items = shapes.iter().enumerate().map(item).collect();
        self.runs.insert(run, shapes);
        let share = 1 + run.0 % 3;
        self.send(Event::RunAdded(RunSpec {
            run,
            items,
            settled: Vec::new(),
            share,
            priority: 0,
            paused: false,
        }));
    }

    fn answer(&mut self, pick: u8, how: u8, amount: impl Fn(u8, u8) -> Amount) {
        if self.questions.is_empty() {
            return;
        }
        let item = self
            .questions
            .swap_remove(usize::from(pick) % self.questions.len());
        let shape = self.runs[&item.run][item.index as usize].clone();
        let resolution = match how {
            0..10 => Resolution::Reused,
            10..15 => Resolution::Failed,
            _ => Resolution::Run {
                key: KeyId(u128::from(shape.key)),
                estimate: Estimate {
                    need: amount(shape.cores, shape.memory),
                    elapsed_ms: shape.expected.map(|tens| Millis::from(tens) * 10),
                },
                requirement: if shape.requirement {
                    RequirementId(1)
                } else {
                    RequirementId::NONE
                },
                near: (0..how % 4)
                    .map(|nth| AgentId(u32::from((how / 4 + nth) % 5)))
                    .collect(),
            },
        };
        self.send(Event::Resolved { item, resolution });
    }

    fn end(&mut self, pick: u8, how: u8) {
        let Some(lease) = pick_of(self.leases.keys(), pick).copied() else {
            return;
        };
        let (item, _, need) = self.leases[&lease];
        let let_go = self.scheduler.lease(lease).is_some_and(|lease| lease.let_go);
        self.leases.remove(&lease);
        let outcome = match how {
            0..120 => Outcome::Success,
            120..160 => Outcome::Failed,
            160..190 => Outcome::OverMemory {
                peak_bytes: need.memory_bytes,
            },
            190..205 => Outcome::Machine,
            205..225 => Outcome::HandedBack,
            225..245 => Outcome::Declined,
            _ => Outcome::Stopped,
        };
        if outcome == Outcome::Success && !let_go {
            self.succeeded.insert(item);
        }
        self.send(Event::Ended { lease, outcome });
    }

    fn control(&mut self, run: u8, what: u8) {
        let Some(run) = pick_of(self.runs.keys(), run).copied() else {
            return;
        };
        match what {
            0 => self.send(Event::Stop { run }),
            1 => self.send(Event::Pause { run }),
            2 | 3 => self.send(Event::Resume { run }),
            4 => self.send(Event::Priority { run, priority: 1 }),
            5 => self.send(Event::Share { run, share: 5 }),
            6 => self.send(Event::Seats {
                seat: SeatId(0),
                count: 2,
            }),
            7 => self.send(Event::Hold { held: true }),
            8 => self.send(Event::Hold { held: false }),
            _ => {
                let again = |index: &u32| {
                    let state = self.scheduler.state(ItemId { run, index: *index });
                    matches!(
                        state,
                        Some(ItemState::Failed | ItemState::CutOff | ItemState::Stopped)
                    )
                };
                let items: Vec<u32> = (0..self.runs[&run].len() as u32).filter(again).collect();
                if !items.is_empty() {
                    self.ended_runs.remove(&run);
                    self.questions
                        .retain(|item| item.run != run || !items.contains(&item.index));
                }
                self.send(Event::Reopen { run, items });
            }
        }
    }

    /// From here on everything goes well: then every run has to end.
    fn let_all_end(&mut self) {
        self.send(Event::Hold { held: false });
        self.send(Event::Quiet { until_ms: 0 });
        for run in self.runs.keys().copied().collect::<Vec<_>>() {
            self.send(Event::Resume { run });
        }
        self.send(Event::Seats {
            seat: SeatId(0),
            count: 4,
        });
        for agent in 0..AGENTS as u8 {
            self.happen(Happening::Join {
                agent,
                cores: 6,
                memory: 12,
                restarted: false,
            });
        }
        for _ in 0..10_000 {
            if self.runs.keys().all(|run| self.ended_runs.contains(run)) {
                return;
            }
            while !self.questions.is_empty() {
                self.happen(Happening::Answer { pick: 0, how: 255 });
            }
            if self.leases.is_empty() {
                self.now += 31 * 60_000;
                self.send(Event::Tick);
            }
            for lease in self.leases.keys().copied().collect::<Vec<_>>() {
                let Some((item, ..)) = self.leases.remove(&lease) else {
                    continue;
                };
                if self.scheduler.lease(lease).is_some_and(|lease| !lease.let_go) {
                    self.succeeded.insert(item);
                }
                self.send(Event::Ended {
                    lease,
                    outcome: Outcome::Success,
                });
            }
            while let Some(item) = self.succeeded.pop_first() {
                self.send(Event::Settled { item });
            }
        }
        let open: Vec<_> = self
            .runs
            .keys()
            .filter(|run| !self.ended_runs.contains(run))
            .collect();
        panic!("{open:?} never end");
    }
}

fn pick_of<T>(mut all: impl Iterator<Item = T> + Clone, pick: u8) -> Option<T> {
    let count = all.clone().count();
    (count > 0)
        .then(|| usize::from(pick) % count)
        .and_then(|at| all.nth(at))
}

fn sequences() -> u32 {
    std::env::var("TIDEMILL_SOAK")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(400)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(sequences()) })]

    #[test]
    fn whatever_happens_no_promise_is_broken(
        happenings in prop::collection::vec(happening(), 0..150),
    ) {
        let mut world = World::default();
        for happening in happenings {
            world.happen(happening);
        }
        world.let_all_end();
    }

    /// The same events give the same actions.
    #[test]
    fn a_replay_is_exact(happenings in prop::collection::vec(happening(), 0..60)) {
        let play = |happenings: &[Happening]| {
            let mut world = World::default();
            for happening in happenings {
                world.happen(happening.clone());
            }
            let leases: Vec<_> = world.leases.into_iter().collect();
            (leases, world.questions, world.ended_runs)
        };
        prop_assert_eq!(play(&happenings), play(&happenings));
    }
}
