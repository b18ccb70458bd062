//! One promise each.

use tidemill_proto::v1::ItemState;

use super::super::explain::{Names, WaitReason};
use super::super::simulate::{finished_items, simulate};
use super::*;

/// A scheduler with one run and a few agents, driven by hand.
pub(super) struct Bench {
    pub(super) scheduler: Scheduler,
    pub(super) now: Millis,
    pub(super) actions: Vec<Action>,
}

pub(super) const RUN: RunId = RunId(0);

pub(super) fn item(index: u32) -> ItemId {
    ItemId { run: RUN, index }
}

pub(super) fn item_spec(need: Amount, expected_ms: Millis) -> ItemSpec {
    ItemSpec {
        need,
        expected_ms: Some(expected_ms),
        ..ItemSpec::default()
    }
}

pub(super) fn run_spec(run: RunId, items: Vec<ItemSpec>) -> RunSpec {
    RunSpec {
        run,
        items,
        settled: Vec::new(),
        share: 1,
        priority: 0,
        paused: false,
    }
}

impl Bench {
    pub(super) fn new(agents: &[Amount]) -> Self {
        let mut bench = Self {
            scheduler: Scheduler::default(),
            now: 0,
            actions: Vec::new(),
        };
        for (number, lent) in agents.iter().enumerate() {
            bench.join(number as u32, *lent, Vec::new(), true);
        }
        bench
    }

    pub(super) fn join(&mut self, agent: u32, lent: Amount, holds: Vec<LeaseNumber>, restarted: bool) {
        let spec = AgentSpec {
            most: lent,
            longest_lending_ms: None,
            satisfies: Vec::new(),
        };
        let agent = AgentId(agent);
        self.send(Event::AgentJoined {
            agent,
            spec,
            budget: budget(lent),
            holds,
            restarted,
        });
    }

    /// Sends an event, and gives back what is to be done because of it.
    pub(super) fn send(&mut self, event: Event) -> Vec<Action> {
        let before = self.actions.len();
        self.scheduler.step(self.now, event, &mut self.actions);
        self.actions[before..].to_vec()
    }

    /// Adds a run and answers every question about it, each item with a key of its own unless it is given.
    pub(super) fn add(&mut self, spec: RunSpec, key_of: impl Fn(u32) -> u128) -> Vec<Action> {
        let items = spec.items.clone();
        let actions = self.send(Event::RunAdded(spec));
        self.answer(actions, &items, key_of)
    }

    pub(super) fn answer(
        &mut self,
        actions: Vec<Action>,
        items: &[ItemSpec],
        key_of: impl Fn(u32) -> u128,
    ) -> Vec<Action> {
        let mut seen = actions;
        let mut at = 0;
        while let Some(action) = seen.get(at).cloned() {
            at += 1;
            if let Action::Resolve { item } = action {
                let spec = &items[item.index as usize];
                let resolution = Resolution::Run {
                    key: KeyId(key_of(item.index)),
                    estimate: Estimate {
                        need: spec.need,
                        elapsed_ms: spec.expected_ms,
                    },
                    requirement: RequirementId::NONE,
                    near: None,
                };
                seen.extend(self.send(Event::Resolved { item, resolution }));
            }
        }
        seen
    }

    pub(super) fn state(&self, index: u32) -> ItemState {
        self.scheduler.state(item(index)).unwrap()
    }

    pub(super) fn lease(&self, index: u32) -> LeaseNumber {
        self.scheduler
            .lease_of(item(index))
            .unwrap_or_else(|| panic!("{index} has no lease"))
    }

    pub(super) fn end(&mut self, index: u32, outcome: Outcome) -> Vec<Action> {
        let lease = self.lease(index);
        self.send(Event::Ended { lease, outcome })
    }

    pub(super) fn done(&mut self, index: u32) -> Vec<Action> {
        let mut actions = self.end(index, Outcome::Success);
        actions.extend(self.send(Event::Settled { item: item(index) }));
        actions
    }

    pub(super) fn report(&mut self, agent: u32) -> Vec<Action> {
        let agent = AgentId(agent);
        let budget = self.scheduler.agent(agent).unwrap().budget;
        self.send(Event::AgentBudget { agent, budget })
    }
}

fn conclusions(actions: &[Action]) -> Vec<(u32, ItemState, Reason)> {
    let concluded = |action: &Action| match action {
        Action::Conclude { item, state, reason } => Some((item.index, *state, *reason)),
        _ => None,
    };
    actions.iter().filter_map(concluded).collect()
}

fn leased(actions: &[Action]) -> Vec<u32> {
    let lease = |action: &Action| match action {
        Action::Lease { item, .. } => Some(item.index),
        _ => None,
    };
    actions.iter().filter_map(lease).collect()
}

#[test]
fn cores_and_memory_are_booked_when_the_lease_is_given() {
    let mut bench = Bench::new(&[amount(8, 4 * GIB)]);
    let items = vec![item_spec(amount(1, GIB), 1000); 6];
    let actions = bench.add(run_spec(RUN, items), u128::from);
    assert_eq!(leased(&actions), [0, 1, 2, 3]);
    assert_eq!(
        bench.scheduler.agent(AgentId(0)).unwrap().booked,
        amount(4, 4 * GIB)
    );
    let actions = bench.done(2);
    assert_eq!(leased(&actions), [4]);
}

#[test]
fn a_slot_is_free_when_the_process_ended_but_downstream_waits_for_the_disk() {
    let mut bench = Bench::new(&[amount(1, GIB)]);
    let first = item_spec(amount(1, 0), 10);
    let behind = ItemSpec {
        upstream: vec![0],
        ..first.clone()
    };
    let items = vec![first.clone(), behind, first];
    bench.add(run_spec(RUN, items), u128::from);
    let actions = bench.end(0, Outcome::Success);
    assert_eq!(leased(&actions), [2]);
    assert_eq!(
        (bench.state(0), bench.state(1)),
        (ItemState::Running, ItemState::Waiting)
    );
    let actions = bench.send(Event::Settled { item: item(0) });
    assert_eq!(actions, [Action::Resolve { item: item(1) }]);
    assert_eq!(bench.state(0), ItemState::Done);
}

#[test]
fn the_longest_remaining_path_goes_first() {
    let mut bench = Bench::new(&[]);
    let short = item_spec(amount(1, 0), 10);
    let chain = item_spec(amount(1, 0), 5);
    let behind = ItemSpec {
        upstream: vec![1],
        ..item_spec(amount(1, 0), 100)
    };
    bench.add(run_spec(RUN, vec![short, chain, behind]), u128::from);
    bench.join(0, amount(1, 0), Vec::new(), true);
    assert_eq!(bench.state(1), ItemState::Running);
    assert_eq!(bench.state(0), ItemState::Ready);
}

#[test]
fn a_failure_uses_up_retries_and_cuts_off_what_is_behind() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    let first = ItemSpec {
        retries: 1,
        ..item_spec(amount(1, 0), 10)
    };
    let behind = ItemSpec {
        upstream: vec![0],
        ..item_spec(amount(1, 0), 10)
    };
    let far_behind = ItemSpec {
        upstream: vec![1],
        ..item_spec(amount(1, 0), 10)
    };
    let other = item_spec(amount(1, 0), 10);
    let sheet = ItemSpec {
        upstream: vec![0, 3],
        partial: true,
        ..item_spec(amount(1, 0), 10)
    };
    let items = vec![first, behind, far_behind, other, sheet];
    bench.add(run_spec(RUN, items), u128::from);
    assert_eq!(leased(&bench.end(0, Outcome::Failed)), [0]);
    let actions = bench.end(0, Outcome::Failed);
    assert_eq!(
        conclusions(&actions),
        [
            (0, ItemState::Failed, Reason::Attempts { failures: 2 }),
            (1, ItemState::CutOff, Reason::Upstream { index: 0 }),
            (2, ItemState::CutOff, Reason::Upstream { index: 1 }),
        ]
    );
    // The partial step runs over what is there.
    assert!(bench.done(3).contains(&Action::Resolve { item: item(4) }));
}

#[test]
fn a_partial_step_with_nothing_there_is_cut_off_and_the_run_ends() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    let first = item_spec(amount(1, 0), 10);
    let sheet = ItemSpec {
        upstream: vec![0],
        partial: true,
        ..first.clone()
    };
    bench.add(run_spec(RUN, vec![first, sheet]), u128::from);
    let actions = bench.end(0, Outcome::Failed);
    assert_eq!(bench.state(1), ItemState::CutOff);
    assert_eq!(actions.last(), Some(&Action::RunEnded { run: RUN }));
}

#[test]
fn items_of_one_key_run_once_also_across_runs() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    let items = vec![item_spec(amount(1, 0), 10); 2];
    bench.add(run_spec(RUN, items.clone()), |_| 7);
    bench.add(run_spec(RunId(1), items), |_| 7);
    assert_eq!(
        (bench.state(0), bench.state(1)),
        (ItemState::Running, ItemState::Waiting)
    );
    assert_eq!(
        bench.scheduler.explain(item(1), 0),
        Some(WaitReason::SameKey { holder: item(0) })
    );
    bench.end(0, Outcome::Success);
    assert_eq!(bench.state(1), ItemState::Waiting);
    let actions = bench.send(Event::Settled { item: item(0) });
    let other = |index| ItemId { run: RunId(1), index };
    for waiter in [item(1), other(0), other(1)] {
        assert!(actions.contains(&Action::ReusedFrom {
            item: waiter,
            from: item(0)
        }));
    }
    assert_eq!(bench.scheduler.counts(RunId(1)).unwrap().reused, 2);
    assert!(actions.contains(&Action::RunEnded { run: RunId(1) }));
}

#[test]
fn if_the_first_of_a_key_fails_the_next_runs_itself() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 3]), |_| 7);
    let actions = bench.end(0, Outcome::Failed);
    assert_eq!(leased(&actions), [1]);
    assert_eq!(bench.state(0), ItemState::Failed);
    assert_eq!(bench.state(2), ItemState::Waiting);
    bench.done(1);
    assert_eq!(bench.state(2), ItemState::Reused);
}

#[test]
fn an_item_does_not_wait_for_one_of_its_key_in_a_paused_run() {
    let mut bench = Bench::new(&[]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), |_| 7);
    bench.add(run_spec(RunId(1), vec![item_spec(amount(1, 0), 10)]), |_| 7);
    bench.send(Event::Pause { run: RUN });
    let other = ItemId {
        run: RunId(1),
        index: 0,
    };
    assert_eq!(bench.scheduler.state(other), Some(ItemState::Ready));
    assert_eq!(bench.state(0), ItemState::Waiting);
}

#[test]
fn an_item_over_its_memory_gets_half_as_much_again_or_what_it_reached_and_a_quarter() {
    let mut bench = Bench::new(&[amount(4, 16 * GIB)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 2 * GIB), 10)]), u128::from);
    bench.end(0, Outcome::OverMemory { peak_bytes: 2 * GIB });
    assert_eq!(
        bench.scheduler.lease(bench.lease(0)).unwrap().need,
        amount(1, 3 * GIB)
    );
    bench.end(0, Outcome::OverMemory { peak_bytes: 8 * GIB });
    assert_eq!(
        bench.scheduler.lease(bench.lease(0)).unwrap().need,
        amount(1, 10 * GIB)
    );
    bench.end(0, Outcome::OverMemory { peak_bytes: 15 * GIB });
    assert_eq!(
        bench.scheduler.lease(bench.lease(0)).unwrap().need,
        amount(1, 16 * GIB)
    );
    let actions = bench.end(0, Outcome::OverMemory { peak_bytes: 16 * GIB });
    let reason = Reason::OverMemory {
        booked_bytes: 16 * GIB,
        largest_bytes: 16 * GIB,
    };
    assert_eq!(conclusions(&actions), [(0, ItemState::Failed, reason)]);
}

#[test]
fn small_items_fill_in_only_where_they_do_not_delay_a_big_one() {
    // One agent of 4 cores; two long items leave 2 cores; a big item needs 4.
    let mut bench = Bench::new(&[amount(4, 0)]);
    let mut items = vec![item_spec(amount(1, 0), 1000); 2];
    items.push(item_spec(amount(4, 0), 5000));
    let mut first = items.clone();
    first.truncate(3);
    bench.add(run_spec(RUN, first), u128::from);
    // The big item is the longest and goes first; the small ones come behind it.
    assert_eq!(bench.state(2), ItemState::Ready);
    assert_eq!(
        (bench.state(0), bench.state(1)),
        (ItemState::Running, ItemState::Running)
    );
    let other = RunId(1);
    let fill = vec![item_spec(amount(1, 0), 900), item_spec(amount(1, 0), 1100)];
    bench.add(run_spec(other, fill), |index| 100 + u128::from(index));
    let state = |bench: &Bench, index| bench.scheduler.state(ItemId { run: other, index }).unwrap();
    // 900 ms end before the big item can start at 1000; 1100 ms would delay it.
    assert_eq!(state(&bench, 0), ItemState::Running);
    assert_eq!(state(&bench, 1), ItemState::Ready);
    bench.now = 1000;
    bench.done(0);
    bench.done(1);
    let lease = bench.scheduler.lease_of(ItemId { run: other, index: 0 }).unwrap();
    let actions = bench.send(Event::Ended {
        lease,
        outcome: Outcome::Success,
    });
    assert_eq!(leased(&actions), [2]);
}

#[test]
fn a_stream_of_small_items_never_starves_a_big_one() {
    // Small items that never all end at one moment, and one that needs the whole agent.
    let small = |nth: u64| {
        let mut item = known_item(amount(1, GIB), 1000 + (nth % 7) * 30, &[]);
        item.spec.expected_ms = Some(1_100);
        item
    };
    let mut simulation = simulation(
        vec![steady_agent(amount(4, 8 * GIB))],
        (0..200).map(small).collect(),
    );
    let big = vec![known_item(amount(4, 4 * GIB), 900, &[])];
    simulation.runs.push(SimulatedRun {
        at_ms: 500,
        items: big,
        ..SimulatedRun::default()
    });
    let big_starts = |simulation: &simulate::Simulation| {
        let simulated = simulate(simulation);
        assert_eq!(finished_items(&simulated), 201);
        simulated
            .starts
            .iter()
            .find(|start| start.item.run == RunId(1))
            .unwrap()
            .at_ms
    };
    // The run that was there has its turn first; then no small item starts until the big one has.
    let kept = big_starts(&simulation);
    assert!(kept <= 2 * 1_180, "started at {kept}");
    simulation.settings.reservations = Reservations::Off;
    let off = big_starts(&simulation);
    assert!(off > 40_000, "without reservations it waits for the end: {off}");
}

#[test]
fn runs_share_by_weight_and_priority_goes_first() {
    let items = || (0..400).map(|_| known_item(amount(1, 0), 100, &[])).collect();
    let run = |share, priority| SimulatedRun {
        at_ms: 0,
        share,
        priority,
        items: items(),
    };
    let mut two = simulation(vec![steady_agent(amount(4, 0))], Vec::new());
    two.runs = vec![run(1, 0), run(3, 0)];
    let started = |two: &simulate::Simulation, until: usize| {
        let simulated = simulate(two);
        simulated.starts[..until]
            .iter()
            .filter(|start| start.item.run == RunId(1))
            .count()
    };
    let of_the_heavier = started(&two, 400);
    assert!((290..=310).contains(&of_the_heavier), "{of_the_heavier}");
    two.runs[0].priority = 1;
    assert_eq!(started(&two, 400), 0);
}

#[test]
fn a_run_that_comes_later_does_not_get_back_the_time_before_it_came() {
    let items = |count| (0..count).map(|_| known_item(amount(1, 0), 100, &[])).collect();
    let mut two = simulation(vec![steady_agent(amount(4, 0))], items(1000));
    two.runs.push(SimulatedRun {
        at_ms: 5_000,
        items: items(100),
        ..SimulatedRun::default()
    });
    let simulated = simulate(&two);
    let after: Vec<_> = simulated
        .starts
        .iter()
        .filter(|start| start.at_ms >= 5_000)
        .take(100)
        .collect();
    let of_the_later = after.iter().filter(|start| start.item.run == RunId(1)).count();
    assert!((45..=60).contains(&of_the_later), "{of_the_later}");
}

#[test]
fn seats_limit_how_many_run_at_once() {
    let mut bench = Bench::new(&[amount(8, 0)]);
    let seats = vec![SeatUse {
        seat: SeatId(0),
        count: 1,
    }];
    let items = vec![
        ItemSpec {
            seats,
            ..item_spec(amount(1, 0), 10)
        };
        3
    ];
    bench.send(Event::Seats {
        seat: SeatId(0),
        count: 2,
    });
    bench.add(run_spec(RUN, items), u128::from);
    assert_eq!(bench.state(2), ItemState::Ready);
    let reason = bench.scheduler.explain(item(2), 0);
    assert_eq!(
        reason,
        Some(WaitReason::Seats {
            seat: SeatId(0),
            wanted: 1,
            free: 0
        })
    );
    bench.done(0);
    assert_eq!(bench.state(2), ItemState::Running);
}

#[test]
fn requirements_decide_where_an_item_may_go() {
    let mut bench = Bench::new(&[amount(8, 0)]);
    let actions = bench.send(Event::RunAdded(run_spec(RUN, vec![item_spec(amount(1, 0), 10)])));
    assert_eq!(actions, [Action::Resolve { item: item(0) }]);
    let resolution = Resolution::Run {
        key: KeyId(1),
        estimate: Estimate {
            need: amount(1, 0),
            elapsed_ms: None,
        },
        requirement: RequirementId(3),
        near: None,
    };
    bench.send(Event::Resolved {
        item: item(0),
        resolution,
    });
    let requirement = RequirementId(3);
    assert_eq!(
        bench.scheduler.explain(item(0), 0),
        Some(WaitReason::NoAgentSatisfies { requirement })
    );
    let agent = AgentId(0);
    let actions = bench.send(Event::AgentSatisfies {
        agent,
        requirement,
        satisfied: true,
    });
    assert_eq!(leased(&actions), [0]);
}

#[test]
fn items_go_where_their_inputs_are_and_else_where_they_fit_tightest() {
    let mut bench = Bench::new(&[amount(8, 8 * GIB), amount(8, 4 * GIB), amount(8, 6 * GIB)]);
    let spec = item_spec(amount(1, GIB), 10);
    bench.send(Event::RunAdded(run_spec(RUN, vec![spec.clone(), spec])));
    for (index, near) in [(0, Some(AgentId(2))), (1, None)] {
        let resolution = Resolution::Run {
            key: KeyId(u128::from(index)),
            estimate: Estimate {
                need: amount(1, GIB),
                elapsed_ms: Some(10),
            },
            requirement: RequirementId::NONE,
            near,
        };
        bench.send(Event::Resolved {
            item: item(index),
            resolution,
        });
    }
    let place = |index| bench.scheduler.lease(bench.lease(index)).unwrap().agent;
    assert_eq!((place(0), place(1)), (AgentId(2), AgentId(1)));
}

#[test]
fn an_item_that_fits_no_agent_waits_and_says_so() {
    let mut bench = Bench::new(&[amount(8, 4 * GIB), amount(2, 2 * GIB)]);
    let items = vec![item_spec(amount(1, 6 * GIB), 10), item_spec(amount(1, GIB), 10)];
    bench.add(run_spec(RUN, items), u128::from);
    let need = amount(1, 6 * GIB);
    let reason = bench.scheduler.explain(item(0), 0).unwrap();
    assert_eq!(
        reason,
        WaitReason::TooBig {
            need,
            largest: AgentId(0),
            lends: amount(8, 4 * GIB)
        }
    );
    assert_eq!(bench.state(1), ItemState::Running);
    bench.join(2, amount(4, 8 * GIB), Vec::new(), true);
    assert_eq!(bench.state(0), ItemState::Running);
}

struct Plain;

impl Names for Plain {
    fn agent(&self, agent: AgentId) -> String {
        ["ash", "birch"][agent.0 as usize].to_owned()
    }
    fn item(&self, item: ItemId) -> String {
        format!("item {}", item.index)
    }
    fn requirement(&self, _: RequirementId) -> String {
        "oxipng 9.1".to_owned()
    }
    fn seat(&self, _: SeatId) -> String {
        "sculptor".to_owned()
    }
}

#[test]
fn a_waiting_item_says_what_it_waits_for() {
    let mut bench = Bench::new(&[amount(8, 7 * GIB)]);
    let items = vec![
        item_spec(amount(1, 3 * GIB), 240_000),
        item_spec(amount(1, 6 * GIB), 1000),
    ];
    let mut first = items.clone();
    first[1].upstream = vec![0];
    bench.add(run_spec(RUN, first), u128::from);
    let waits = bench.scheduler.explain(item(1), 0).unwrap();
    assert_eq!(waits.sentence(&Plain), "waits for item 0");
    bench.add(run_spec(RunId(1), vec![items[1].clone()]), |_| 99);
    let other = ItemId {
        run: RunId(1),
        index: 0,
    };
    let waits = bench.scheduler.explain(other, 0).unwrap();
    assert_eq!(
        waits.sentence(&Plain),
        "needs 6 GiB; ash has 4 GiB free and frees 2 GiB in about 4 min"
    );
}

#[test]
fn stopping_a_run_ends_its_leases_and_leaves_nothing_unfinished() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    let first = item_spec(amount(1, 0), 10);
    let behind = ItemSpec {
        upstream: vec![0],
        ..first.clone()
    };
    bench.add(run_spec(RUN, vec![first.clone(), behind, first]), u128::from);
    let lease = bench.lease(0);
    let actions = bench.send(Event::Stop { run: RUN });
    assert!(actions.contains(&Action::End {
        lease,
        agent: AgentId(0),
        why: EndReason::Stopped
    }));
    assert_eq!(
        (bench.state(1), bench.state(2)),
        (ItemState::Stopped, ItemState::Stopped)
    );
    assert_eq!(bench.state(0), ItemState::Running);
    let actions = bench.send(Event::Ended {
        lease,
        outcome: Outcome::Stopped,
    });
    assert_eq!(actions.last(), Some(&Action::RunEnded { run: RUN }));
    assert_eq!(bench.scheduler.counts(RUN).unwrap().stopped, 3);
}

#[test]
fn a_result_that_comes_while_stopping_still_counts() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    bench.send(Event::Stop { run: RUN });
    assert!(bench.done(0).contains(&Action::RunEnded { run: RUN }));
    assert_eq!(bench.state(0), ItemState::Done);
}

#[test]
fn a_paused_run_starts_nothing_until_it_is_resumed() {
    let mut bench = Bench::new(&[]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    bench.send(Event::Pause { run: RUN });
    bench.join(0, amount(1, 0), Vec::new(), true);
    assert_eq!(bench.scheduler.explain(item(0), 0), Some(WaitReason::Paused));
    assert_eq!(leased(&bench.send(Event::Resume { run: RUN })), [0]);
}

#[test]
fn reopened_items_run_again_with_fresh_retries() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    let first = item_spec(amount(1, 0), 10);
    let behind = ItemSpec {
        upstream: vec![0],
        ..first.clone()
    };
    let items = vec![first, behind];
    bench.add(run_spec(RUN, items.clone()), u128::from);
    bench.end(0, Outcome::Failed);
    assert_eq!(bench.state(1), ItemState::CutOff);
    let actions = bench.send(Event::Reopen {
        run: RUN,
        items: vec![0, 1],
    });
    let actions = bench.answer(actions, &items, u128::from);
    assert_eq!(leased(&actions), [0]);
    let actions = bench.done(0);
    bench.answer(actions, &items, u128::from);
    assert!(bench.done(1).contains(&Action::RunEnded { run: RUN }));
    assert_eq!(bench.scheduler.counts(RUN).unwrap().done, 2);
}

#[test]
fn a_run_is_taken_up_with_what_is_settled() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    let chain = |up: &[u32]| ItemSpec {
        upstream: up.to_vec(),
        ..item_spec(amount(1, 0), 10)
    };
    let mut spec = run_spec(
        RUN,
        vec![chain(&[]), chain(&[0]), chain(&[]), chain(&[2]), chain(&[3])],
    );
    spec.settled = vec![(0, ItemState::Done), (2, ItemState::Failed)];
    let actions = bench.send(Event::RunAdded(spec));
    assert!(actions.contains(&Action::Resolve { item: item(1) }));
    assert_eq!(
        (bench.state(3), bench.state(4)),
        (ItemState::CutOff, ItemState::CutOff)
    );
}

#[test]
fn a_step_that_only_fails_is_held_back_while_the_rest_goes_on() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    let mut items = vec![
        ItemSpec {
            step: 1,
            ..item_spec(amount(1, 0), 100)
        };
        30
    ];
    items.extend(vec![
        ItemSpec {
            step: 2,
            ..item_spec(amount(1, 0), 10)
        };
        3
    ]);
    bench.add(run_spec(RUN, items), u128::from);
    for index in 0..4 {
        bench.end(index, Outcome::Failed);
    }
    let actions = bench.end(4, Outcome::Failed);
    assert!(actions.contains(&Action::StepHeld { run: RUN, step: 1 }));
    assert_eq!(leased(&actions), [30]);
    assert_eq!(
        bench.scheduler.explain(item(7), 0),
        Some(WaitReason::StepHeld { failures: 5 })
    );
    bench.done(30);
    bench.done(31);
    let actions = bench.done(32);
    assert!(actions.contains(&Action::StepReleased { run: RUN, step: 1 }));
    let mut last = Vec::new();
    for index in 5..10 {
        last = bench.end(index, Outcome::Failed);
    }
    assert!(last.contains(&Action::RunEnded { run: RUN }));
    assert_eq!(bench.scheduler.counts(RUN).unwrap().failed, 30);
    assert!(conclusions(&last).contains(&(29, ItemState::Failed, Reason::StepHeld { failures: 10 })));
}

#[test]
fn items_do_not_start_where_the_lending_hours_end_too_soon() {
    let mut bench = Bench::new(&[]);
    let spec = AgentSpec {
        most: amount(4, 0),
        longest_lending_ms: Some(10_000),
        satisfies: Vec::new(),
    };
    let closing = Budget {
        lent: amount(4, 0),
        accepting: true,
        lends_until_ms: Some(1_000),
    };
    let agent = AgentId(0);
    bench.send(Event::AgentJoined {
        agent,
        spec,
        budget: closing,
        holds: Vec::new(),
        restarted: true,
    });
    let items = vec![
        item_spec(amount(1, 0), 900),
        item_spec(amount(1, 0), 5_000),
        // Longer than any lending hours: it has to start some time.
        item_spec(amount(1, 0), 50_000),
    ];
    bench.add(run_spec(RUN, items), u128::from);
    assert_eq!(bench.state(0), ItemState::Running);
    assert_eq!(bench.state(1), ItemState::Ready);
    assert_eq!(bench.state(2), ItemState::Running);
    bench.join(1, amount(4, 0), Vec::new(), true);
    assert_eq!(bench.state(1), ItemState::Running);
}

#[test]
fn better_estimates_reach_items_that_are_ready() {
    let mut bench = Bench::new(&[amount(8, 4 * GIB)]);
    bench.add(
        run_spec(RUN, vec![item_spec(amount(1, 4 * GIB), 10); 4]),
        u128::from,
    );
    assert_eq!(bench.state(1), ItemState::Ready);
    let estimate = Estimate {
        need: amount(1, GIB),
        elapsed_ms: Some(10),
    };
    for index in 1..4 {
        bench.send(Event::Estimated {
            item: item(index),
            estimate,
        });
    }
    assert_eq!(leased(&bench.done(0)), [1, 2, 3]);
}

#[test]
fn the_finish_estimate_is_bounded_by_work_and_by_the_longest_path() {
    let mut bench = Bench::new(&[amount(2, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 1000); 8]), u128::from);
    assert_eq!(bench.scheduler.finish_estimate_ms(RUN, 0), Some(4_000));
    assert_eq!(bench.scheduler.finish_estimate_ms(RUN, 500), Some(4_000));
    let chain = |up: &[u32]| ItemSpec {
        upstream: up.to_vec(),
        ..item_spec(amount(1, 0), 1000)
    };
    let mut alone = Bench::new(&[amount(8, 0)]);
    alone.add(
        run_spec(RUN, vec![chain(&[]), chain(&[0]), chain(&[1])]),
        u128::from,
    );
    assert_eq!(alone.scheduler.finish_estimate_ms(RUN, 0), Some(3_000));
}

#[test]
fn an_item_at_ten_times_its_expected_time_is_remarked_once() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 100)]), u128::from);
    bench.now = 999;
    assert!(bench.send(Event::Tick).is_empty());
    bench.now = 1000;
    let lease = bench.lease(0);
    let slow = Action::Slow {
        lease,
        item: item(0),
        elapsed_ms: 1000,
        expected_ms: 100,
    };
    assert_eq!(bench.send(Event::Tick), [slow]);
    assert!(bench.send(Event::Tick).is_empty());
}

#[test]
fn a_deep_chain_of_reused_items_does_not_recurse() {
    let items = (0..100_000u32)
        .map(|index| {
            let upstream = if index == 0 { Vec::new() } else { vec![index - 1] };
            let mut item = known_item(amount(1, 0), 10, &upstream);
            item.reused = true;
            item
        })
        .collect();
    let simulated = simulate(&simulation(vec![steady_agent(amount(1, 0))], items));
    assert_eq!(simulated.counts[0].reused, 100_000);
    assert_eq!(simulated.run_ends_ms, [Some(0)]);
}

#[test]
fn stopping_many_items_of_one_key_does_not_recurse() {
    let mut bench = Bench::new(&[]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 50_000]), |_| 7);
    let actions = bench.send(Event::Stop { run: RUN });
    assert_eq!(actions.last(), Some(&Action::RunEnded { run: RUN }));
}
