//! The way of an item: one promise each.

use tidemill_proto::v1::ItemState;

use super::super::explain::WaitReason;
use super::bench::{Bench, RUN, conclusions, item, item_spec, leased, run_spec};
use super::*;

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
