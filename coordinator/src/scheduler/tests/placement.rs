//! Who goes where, and when: one promise each.

use tidemill_proto::v1::ItemState;

use super::super::explain::{Names, WaitReason};
use super::super::simulate::{finished_items, simulate};
use super::bench::{Bench, RUN, item, item_spec, leased, run_spec};
use super::*;

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
        near: Box::default(),
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
    let mut bench = Bench::new(&[amount(8, 8 * GIB), amount(8, 4 * GIB), amount(1, 6 * GIB)]);
    let spec = item_spec(amount(1, GIB), 10);
    bench.send(Event::RunAdded(run_spec(RUN, vec![spec; 4])));
    let (large, small, other, gone) = (AgentId(0), AgentId(1), AgentId(2), AgentId(9));
    // The one with the most of its inputs; then that one is full, and the next best counts.
    let nearest: [&[AgentId]; 4] = [&[other, large], &[other, large], &[], &[gone, other]];
    for (index, near) in (0..).zip(nearest) {
        let resolution = Resolution::Run {
            key: KeyId(u128::from(index)),
            estimate: Estimate {
                need: amount(1, GIB),
                elapsed_ms: Some(10),
            },
            requirement: RequirementId::NONE,
            near: near.into(),
        };
        bench.send(Event::Resolved {
            item: item(index),
            resolution,
        });
    }
    let place = |index| bench.scheduler.lease(bench.lease(index)).unwrap().agent;
    assert_eq!(
        [place(0), place(1), place(2), place(3)],
        [other, large, small, small]
    );
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
        "needs 6 GiB; the largest free budget is 4 GiB on ash; ash frees 3 GiB in about 4 min"
    );
    // Another has more free, but will never have enough.
    bench.join(1, amount(8, 5 * GIB), Vec::new(), true);
    let waits = bench.scheduler.explain(other, 60_000).unwrap();
    assert_eq!(
        waits.sentence(&Plain),
        "needs 6 GiB; the largest free budget is 5 GiB on birch; ash frees 3 GiB in about 3 min"
    );
    bench.send(Event::Hold { held: true });
    assert_eq!(bench.scheduler.explain(other, 0), Some(WaitReason::Held));
    bench.send(Event::Hold { held: false });
    bench.send(Event::Quiet { until_ms: 9_000 });
    let waits = bench.scheduler.explain(other, 500).unwrap();
    assert_eq!(waits, WaitReason::Quiet { for_ms: 8_500 });
    assert!(
        waits.sentence(&Plain).contains("for at most 9 s"),
        "{}",
        waits.sentence(&Plain)
    );
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
    let waits = |bench: &Bench| bench.scheduler.explain(item(1), 0).unwrap().sentence(&Plain);
    assert_eq!(
        waits(&bench),
        "ash has room, but its lending hours would end first"
    );
    let closed = Budget {
        accepting: false,
        ..closing
    };
    bench.send(Event::AgentBudget {
        agent,
        budget: closed,
    });
    assert_eq!(waits(&bench), "ash has room, but takes nothing new now");
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
