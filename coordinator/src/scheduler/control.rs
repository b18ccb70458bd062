//! Runs come and go, and what people do with them.

use tidemill_proto::v1::ItemState;

use super::agent::Presence;
use super::ids::{ItemId, LeaseNumber, RunId};
use super::run::{Phase, Run};
use super::spec::RunSpec;
use super::{Action, EndReason, Moment, Reason, Scheduler};

impl Scheduler {
    pub(super) fn add_run(&mut self, spec: RunSpec, moment: &mut Moment) {
        let id = spec.run;
        if self.runs.contains_key(&id) {
            return;
        }
        let run = Run::new(spec, &mut self.seats);
        self.runs.insert(id, run);
        self.consider_all(id, moment);
    }

    pub(super) fn remove_run(&mut self, id: RunId, moment: &mut Moment) {
        let Some(run) = self.runs.get(&id) else { return };
        let count = run.items.len() as u32;
        self.end_leases(id, EndReason::Stopped, moment);
        // Waiting ones first, so that a key is never handed on within the run that goes.
        for pass in [Phase::SameKey, Phase::Ready] {
            for index in 0..count {
                let item = ItemId { run: id, index };
                match self.item(item).map(|entry| entry.phase) {
                    Some(Phase::SameKey) if pass == Phase::SameKey => {
                        self.stop_waiting_for_key(item);
                        self.quietly_finish(item);
                    }
                    Some(phase) if pass == Phase::Ready && !phase.is_finished() => {
                        self.leave_ready(item);
                        self.quietly_finish(item);
                        self.release_key(item, moment);
                    }
                    _ => {}
                }
            }
        }
        if let Some(run) = self.runs.remove(&id) {
            self.groups.free(run.groups.into_values());
        }
    }

    pub(super) fn stop(&mut self, id: RunId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&id) else { return };
        run.stopping = true;
        let count = run.items.len() as u32;
        for waiting_for_key in [true, false] {
            for index in 0..count {
                let item = ItemId { run: id, index };
                let stops = match self.item(item).map(|entry| entry.phase) {
                    Some(Phase::SameKey) => waiting_for_key,
                    Some(Phase::Blocked | Phase::Resolving | Phase::Ready | Phase::Parked) => {
                        !waiting_for_key
                    }
                    _ => false,
                };
                if stops {
                    self.conclude(item, ItemState::Stopped, Reason::Stopped, moment);
                }
            }
        }
        // Those that run become `stopped` when their process is gone.
        for (number, lease) in &self.leases {
            if lease.item.run == id && !lease.let_go {
                moment.actions.push(Action::End {
                    lease: *number,
                    agent: lease.agent,
                    why: EndReason::Stopped,
                });
            }
        }
        self.conclude_stopped_on_silent_agents(moment);
    }

    /// Nobody waits for a silent agent to say that an item of a stopped run has ended.
    pub(super) fn conclude_stopped_on_silent_agents(&mut self, moment: &mut Moment) {
        let silent = |lease: &super::lease::Lease| {
            let stopping = self.runs.get(&lease.item.run).is_some_and(|run| run.stopping);
            let agent = self.fleet.get(lease.agent);
            stopping && !lease.let_go && agent.is_some_and(|agent| agent.presence == Presence::Silent)
        };
        let items: Vec<(LeaseNumber, ItemId)> = self
            .leases
            .iter()
            .filter(|(_, lease)| silent(lease))
            .map(|(number, lease)| (*number, lease.item))
            .collect();
        for (number, item) in items {
            if let Some(lease) = self.leases.get_mut(&number) {
                lease.let_go = true;
            }
            self.conclude(item, ItemState::Stopped, Reason::Stopped, moment);
        }
    }

    pub(super) fn set_paused(&mut self, id: RunId, paused: bool, moment: &mut Moment) {
        if let Some(run) = self.runs.get_mut(&id) {
            run.paused = paused;
            if paused {
                self.drop_reservations_of_run(id);
            }
            self.look_again();
            self.review_keys(moment);
        }
    }

    pub(super) fn set_priority(&mut self, id: RunId, priority: i32, moment: &mut Moment) {
        if let Some(run) = self.runs.get_mut(&id) {
            run.priority = priority;
            self.drop_reservations_of_run(id);
            self.look_again();
            self.review_keys(moment);
        }
    }

    pub(super) fn set_share(&mut self, id: RunId, share: u32) {
        if let Some(run) = self.runs.get_mut(&id) {
            // What was served counts at the new share, so that the change acts on what is to come.
            let share = share.max(1);
            let served = u128::from(run.served) * u128::from(run.share) / u128::from(share);
            run.served = u64::try_from(served).unwrap_or(u64::MAX);
            run.share = share;
        }
    }

    pub(super) fn reopen(&mut self, id: RunId, items: &[u32], moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&id) else { return };
        run.stopping = false;
        let mut parked = Vec::new();
        for index in items {
            if !run.get(*index).is_some_and(|entry| entry.phase.is_finished()) {
                continue;
            }
            run.set_phase(*index, Phase::Blocked);
            run.end_announced = false;
            let entry = run.item_mut(*index);
            (entry.failures, entry.over_memory, entry.machine, entry.took_down) = (0, 0, 0, 0);
            entry.avoid = None;
            entry.resolved = false;
            let step = entry.step;
            let item = ItemId {
                run: id,
                index: *index,
            };
            moment.actions.push(Action::Changed {
                item,
                state: ItemState::Waiting,
            });
            parked.append(&mut run.steps.reopen(step));
        }
        for index in parked {
            self.make_ready(ItemId { run: id, index }, moment);
        }
        self.refresh_paths(&id);
        self.consider_all(id, moment);
    }

    /// Counts what every blocked item waits for, and lets those go that wait for nothing.
    fn consider_all(&mut self, id: RunId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&id) else { return };
        let count = run.items.len() as u32;
        for index in 0..count {
            let upstream = run.graph.upstream(index);
            let pending = upstream
                .iter()
                .filter(|up| !run.item(**up).phase.is_finished())
                .count();
            run.item_mut(index).pending = pending as u32;
        }
        for index in 0..count {
            self.block_again(ItemId { run: id, index }, moment);
        }
        for index in 0..count {
            let item = ItemId { run: id, index };
            if self.item(item).is_some_and(|entry| entry.phase == Phase::Blocked) {
                self.consider(item, moment);
            }
        }
    }

    fn end_leases(&mut self, id: RunId, why: EndReason, moment: &mut Moment) {
        let numbers: Vec<LeaseNumber> = self
            .leases
            .iter()
            .filter(|(_, lease)| lease.item.run == id)
            .map(|(number, _)| *number)
            .collect();
        for number in numbers {
            self.let_go(number, why, moment);
        }
    }

    fn quietly_finish(&mut self, item: ItemId) {
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.set_phase(item.index, Phase::Finished(ItemState::Stopped));
        }
    }
}
