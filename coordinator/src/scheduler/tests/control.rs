//! What people do with runs, and what they see: one promise each.

use tidemill_proto::v1::ItemState;

use super::super::explain::WaitReason;
use super::super::simulate::simulate;
use super::bench::{Bench, RUN, item, item_spec, leased, run_spec};
use super::*;

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
