//! What lost agents, broken links, late results and restarts mean.

use tidemill_proto::v1::ItemState;

use super::bench::{Bench, RUN, item, item_spec, leased, run_spec};
use super::*;

fn vanish(bench: &mut Bench, agent: u32) -> Vec<Action> {
    bench.send(Event::AgentSilent {
        agent: AgentId(agent),
    });
    bench.send(Event::AgentGone {
        agent: AgentId(agent),
        departure: Departure::Vanished,
    })
}

fn agent_of(bench: &Bench, index: u32) -> AgentId {
    bench.scheduler.lease(bench.lease(index)).unwrap().agent
}

#[test]
fn a_silent_agent_gets_nothing_new_and_keeps_its_leases_until_it_is_gone() {
    let mut bench = Bench::new(&[amount(2, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 3]), u128::from);
    let agent = AgentId(0);
    bench.send(Event::AgentSilent { agent });
    assert_eq!(bench.state(0), ItemState::Running);
    bench.join(1, amount(1, 0), Vec::new(), true);
    assert_eq!(agent_of(&bench, 2), AgentId(1));
    bench.send(Event::AgentGone {
        agent,
        departure: Departure::Left,
    });
    assert_eq!(
        (bench.state(0), bench.state(1)),
        (ItemState::Ready, ItemState::Ready)
    );
}

#[test]
fn an_agent_that_comes_back_goes_on_with_what_it_holds() {
    let mut bench = Bench::new(&[amount(2, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 2]), u128::from);
    let (kept, lost) = (bench.lease(0), bench.lease(1));
    bench.send(Event::AgentSilent { agent: AgentId(0) });
    // The second start never reached it.
    bench.join(0, amount(2, 0), vec![kept], false);
    assert_eq!(bench.lease(0), kept);
    assert_ne!(bench.lease(1), lost);
    assert!(
        bench
            .send(Event::Ended {
                lease: lost,
                outcome: Outcome::Success
            })
            .is_empty()
    );
    assert_eq!(bench.state(1), ItemState::Running);
}

#[test]
fn an_item_that_took_down_two_agents_is_not_tried_on_a_third() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    vanish(&mut bench, 0);
    bench.join(1, amount(1, 0), Vec::new(), true);
    assert_eq!(bench.state(0), ItemState::Running);
    let actions = vanish(&mut bench, 1);
    let reason = Reason::TookDownAgents;
    assert!(actions.contains(&Action::Conclude {
        item: item(0),
        state: ItemState::Failed,
        reason
    }));
}

#[test]
fn items_that_saw_an_agent_go_down_are_kept_apart_so_that_only_the_culprit_fails() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 4]), u128::from);
    vanish(&mut bench, 0);
    bench.join(1, amount(4, 0), Vec::new(), true);
    bench.join(2, amount(4, 0), Vec::new(), true);
    let running = |bench: &Bench| {
        (0..4)
            .filter(|index| bench.state(*index) == ItemState::Running)
            .count()
    };
    assert_eq!(running(&bench), 2, "one on each agent");
    let culprit = (0..4)
        .find(|index| bench.scheduler.lease_of(item(*index)).is_some())
        .unwrap();
    let agent = agent_of(&bench, culprit);
    vanish(&mut bench, agent.0);
    assert_eq!(bench.state(culprit), ItemState::Failed);
    assert_eq!(bench.scheduler.counts(RUN).unwrap().failed, 1);
}

#[test]
fn an_agent_that_was_only_out_of_reach_clears_its_items() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    for _ in 0..5 {
        vanish(&mut bench, 0);
        assert_eq!(bench.state(0), ItemState::Ready);
        bench.join(0, amount(1, 0), Vec::new(), false);
        assert_eq!(bench.state(0), ItemState::Running);
    }
}

#[test]
fn a_late_result_counts_and_ends_the_second_attempt() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    vanish(&mut bench, 0);
    bench.join(1, amount(1, 0), Vec::new(), true);
    let lease = bench.lease(0);
    let actions = bench.send(Event::Settled { item: item(0) });
    assert!(actions.contains(&Action::End {
        lease,
        agent: AgentId(1),
        why: EndReason::Superseded
    }));
    assert_eq!(bench.state(0), ItemState::Done);
    // The booking stays until the process is gone.
    assert_eq!(bench.scheduler.agent(AgentId(1)).unwrap().booked, amount(1, 0));
    assert!(
        bench
            .send(Event::Ended {
                lease,
                outcome: Outcome::Success
            })
            .is_empty()
    );
    assert_eq!(bench.scheduler.agent(AgentId(1)).unwrap().booked, amount(0, 0));
    assert!(bench.send(Event::Settled { item: item(0) }).is_empty());
    assert_eq!(bench.scheduler.counts(RUN).unwrap().done, 1);
}

#[test]
fn a_declined_item_is_not_sent_to_that_agent_before_its_next_report() {
    let mut bench = Bench::new(&[amount(4, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    assert!(bench.end(0, Outcome::Declined).contains(&Action::Changed {
        item: item(0),
        state: ItemState::Ready
    }));
    assert_eq!(bench.state(0), ItemState::Ready);
    bench.send(Event::Tick);
    assert_eq!(bench.state(0), ItemState::Ready);
    bench.report(0);
    assert_eq!(bench.state(0), ItemState::Running);
}

#[test]
fn reasons_of_the_machine_use_up_no_retry_up_to_a_bound() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    for _ in 1..MACHINE_LIMIT {
        bench.end(0, Outcome::Machine);
        assert_eq!(bench.state(0), ItemState::Ready);
        bench.report(0);
    }
    bench.end(0, Outcome::Machine);
    assert_eq!(bench.state(0), ItemState::Failed);
}

#[test]
fn after_a_reason_of_the_machine_another_agent_is_tried() {
    let mut bench = Bench::new(&[amount(1, 0), amount(2, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    let first = agent_of(&bench, 0);
    bench.end(0, Outcome::Machine);
    bench.report(first.0);
    assert_ne!(agent_of(&bench, 0), first);
}

#[test]
fn an_agent_that_fails_many_different_items_fast_is_rested() {
    let mut bench = Bench::new(&[amount(1, 0), amount(1, 0)]);
    let items = vec![
        ItemSpec {
            retries: 9,
            ..item_spec(amount(1, 0), 100_000)
        };
        20
    ];
    bench.add(run_spec(RUN, items), u128::from);
    let bad = AgentId(1);
    let on = |bench: &Bench, agent| {
        let view = bench.scheduler.agent(agent).unwrap();
        view.leases
            .first()
            .map(|lease| bench.scheduler.lease(*lease).unwrap().item.index)
    };
    // The other agent shows that the step can succeed.
    let good_item = on(&bench, AgentId(0)).unwrap();
    bench.done(good_item);
    let mut rested = None;
    for _ in 0..20 {
        let Some(index) = on(&bench, bad) else { break };
        let actions = bench.end(index, Outcome::Machine);
        rested = actions
            .iter()
            .find(|action| matches!(action, Action::Rested { .. }))
            .cloned()
            .or(rested);
        bench.report(1);
    }
    assert_eq!(
        rested,
        Some(Action::Rested {
            agent: bad,
            until_ms: 30_000
        })
    );
    assert_eq!(on(&bench, bad), None);
    bench.now = 30_000;
    bench.send(Event::Tick);
    assert!(on(&bench, bad).is_some());
}

#[test]
fn a_result_that_cannot_be_stored_is_made_again() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10)]), u128::from);
    bench.end(0, Outcome::Success);
    bench.send(Event::Unsettled { item: item(0) });
    assert_eq!(bench.state(0), ItemState::Running);
    bench.done(0);
    assert_eq!(bench.state(0), ItemState::Done);
}

#[test]
fn after_a_restart_agents_first_say_what_they_hold() {
    let mut bench = Bench::new(&[]);
    bench.send(Event::Quiet { until_ms: 5_000 });
    let items = vec![item_spec(amount(1, 0), 10); 2];
    bench.add(run_spec(RUN, items), u128::from);
    bench.join(0, amount(2, 0), Vec::new(), false);
    assert_eq!(bench.state(0), ItemState::Ready);
    let adopt = |index, attempt| Event::Adopt {
        agent: AgentId(0),
        item: item(index),
        need: amount(1, 0),
        attempt,
        started_ms: 0,
    };
    let actions = bench.send(adopt(1, 3));
    assert_eq!(
        actions,
        [Action::Adopted {
            lease: bench.lease(1),
            item: item(1),
            agent: AgentId(0)
        }]
    );
    let not_adopted = Action::NotAdopted {
        item: item(1),
        agent: AgentId(0),
    };
    assert_eq!(bench.send(adopt(1, 3)), [not_adopted]);
    bench.now = 5_000;
    bench.send(Event::Tick);
    assert_eq!(bench.state(0), ItemState::Running);
    bench.end(1, Outcome::Failed);
    assert_eq!(bench.state(1), ItemState::Failed);
}

#[test]
fn an_item_taken_up_before_it_was_looked_up_is_looked_up_again_when_it_ran_in_vain() {
    let mut bench = Bench::new(&[amount(2, 0)]);
    let specs = vec![item_spec(amount(1, 0), 10)];
    bench.send(Event::RunAdded(run_spec(RUN, specs.clone())));
    let (agent, need) = (AgentId(0), amount(1, 0));
    bench.send(Event::Adopt {
        agent,
        item: item(0),
        need,
        attempt: 1,
        started_ms: 0,
    });
    assert_eq!(bench.state(0), ItemState::Running);
    let actions = bench.end(0, Outcome::HandedBack);
    assert!(actions.contains(&Action::Resolve { item: item(0) }));
    bench.answer(actions, &specs, u128::from);
    bench.report(0);
    assert_eq!(bench.state(0), ItemState::Running);
}

#[test]
fn a_budget_that_shrinks_below_what_is_booked_gives_nothing_away() {
    let mut bench = Bench::new(&[amount(4, 4 * GIB)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, GIB), 10); 8]), u128::from);
    let agent = AgentId(0);
    bench.send(Event::AgentBudget {
        agent,
        budget: budget(amount(4, GIB)),
    });
    for index in 0..3 {
        bench.done(index);
        assert_eq!(bench.state(4), ItemState::Ready);
    }
    bench.done(3);
    assert_eq!(bench.state(4), ItemState::Running);
    assert_eq!(bench.state(5), ItemState::Ready);
}

#[test]
fn removing_a_run_ends_its_leases_and_hands_its_keys_on() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 2]), |_| 7);
    bench.add(run_spec(RunId(1), vec![item_spec(amount(1, 0), 10)]), |_| 7);
    let lease = bench.lease(0);
    let actions = bench.send(Event::RunRemoved { run: RUN });
    assert!(actions.contains(&Action::End {
        lease,
        agent: AgentId(0),
        why: EndReason::Stopped
    }));
    assert_eq!(bench.scheduler.counts(RUN), None);
    bench.send(Event::Ended {
        lease,
        outcome: Outcome::Stopped,
    });
    let other = ItemId {
        run: RunId(1),
        index: 0,
    };
    assert_eq!(bench.scheduler.state(other), Some(ItemState::Running));
}

#[test]
fn an_item_does_not_outgrow_its_agent_while_that_one_is_silent() {
    let mut bench = Bench::new(&[amount(1, 8 * GIB)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 6 * GIB), 10)]), u128::from);
    bench.send(Event::AgentSilent { agent: AgentId(0) });
    bench.end(0, Outcome::OverMemory { peak_bytes: 6 * GIB });
    bench.join(0, amount(1, 8 * GIB), Vec::new(), false);
    assert_eq!(
        bench.scheduler.lease(bench.lease(0)).unwrap().need,
        amount(1, 8 * GIB)
    );
}

#[test]
fn what_a_gone_process_booked_is_free_once_while_its_item_still_runs() {
    let mut bench = Bench::new(&[amount(1, 10)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 10), 10); 3]), u128::from);
    let first = bench.lease(0);
    let next = bench.send(Event::ProcessEnded { lease: first });
    assert_eq!(
        leased(&next),
        [1],
        "its place is taken before its result is there"
    );
    assert_eq!(bench.state(0), ItemState::Running);
    assert!(bench.send(Event::ProcessEnded { lease: first }).is_empty());
    assert!(
        bench
            .done(0)
            .iter()
            .all(|action| !matches!(action, Action::Lease { .. }))
    );
    assert_eq!(bench.state(0), ItemState::Done);
    assert_eq!(bench.scheduler.agent(AgentId(0)).unwrap().booked, amount(1, 10));
}

#[test]
fn an_item_whose_process_was_gone_is_placed_again_without_blame_when_its_agent_is_lost() {
    let mut bench = Bench::new(&[amount(1, 0)]);
    bench.add(run_spec(RUN, vec![item_spec(amount(1, 0), 10); 2]), u128::from);
    let lease = bench.lease(0);
    bench.send(Event::ProcessEnded { lease });
    vanish(&mut bench, 0);
    assert_eq!(
        (bench.state(0), bench.state(1)),
        (ItemState::Ready, ItemState::Ready)
    );
    bench.join(0, amount(2, 0), Vec::new(), true);
    assert_eq!(bench.scheduler.agent(AgentId(0)).unwrap().booked.millicores, 2000);
    assert!(
        bench.send(Event::ProcessEnded { lease }).is_empty(),
        "late, and of no meaning"
    );
    assert_eq!(bench.scheduler.agent(AgentId(0)).unwrap().booked.millicores, 2000);
}
