//! The way of one item: waiting, ready, finished; and what its end means for those behind it.

use tidemill_proto::v1::ItemState;

use super::durations::Durations;
use super::group::{DurationClass, GroupKey, Turn, rounded_memory};
use super::ids::{ItemId, Millis};
use super::run::{Item, Phase, Run};
use super::settings::Order;
use super::spec::{Amount, Estimate, Resolution};
use super::steps::Leftover;
use super::{Action, EndReason, Moment, Reason, Scheduler};

impl Scheduler {
    pub(super) fn item(&self, item: ItemId) -> Option<&Item> {
        self.runs.get(&item.run)?.get(item.index)
    }

    /// The engine answered `Resolve`.
    pub(super) fn resolved(&mut self, item: ItemId, resolution: Resolution, moment: &mut Moment) {
        let Some(phase) = self.item(item).map(|entry| entry.phase) else {
            return;
        };
        match resolution {
            _ if !self.awaits_resolution(item) => {}
            Resolution::Reused => self.finish(item, ItemState::Reused, moment),
            // An item that already runs shows by itself whether it can.
            Resolution::Failed if phase == Phase::Leased => {}
            Resolution::Failed => self.conclude(item, ItemState::Failed, Reason::Unresolved, moment),
            Resolution::Run {
                key,
                estimate,
                requirement,
                near,
            } => {
                let Some(run) = self.runs.get_mut(&item.run) else {
                    return;
                };
                let entry = run.item_mut(item.index);
                entry.resolved = true;
                entry.key = key;
                entry.requirement = requirement;
                entry.near = near;
                if phase == Phase::Leased {
                    return self.claim_key_while_running(item, moment);
                }
                self.take_estimate(item, estimate);
                self.claim_key(item, moment);
            }
        }
    }

    /// A better estimate came in.
    pub(super) fn estimated(&mut self, item: ItemId, estimate: Estimate) {
        match self.item(item).map(|entry| entry.phase) {
            Some(Phase::Ready) => {
                self.leave_ready(item);
                self.take_estimate(item, estimate);
                self.enter_group(item);
            }
            Some(Phase::SameKey | Phase::Parked) => self.take_estimate(item, estimate),
            _ => {}
        }
    }

    fn take_estimate(&mut self, item: ItemId, estimate: Estimate) {
        let Some(entry) = self.item(item) else { return };
        let largest = self
            .fleet
            .largest_memory(entry.requirement, estimate.need.millicores);
        let mut memory_bytes = rounded_memory(estimate.need.memory_bytes, largest);
        // What it outgrew once it needs again, whatever the estimate says.
        if entry.over_memory > 0 {
            memory_bytes = memory_bytes.max(entry.need.memory_bytes);
        }
        let need = Amount {
            memory_bytes,
            ..estimate.need
        };
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.set_expectation(item.index, need, estimate.elapsed_ms);
        }
    }

    /// The item can be placed from now on.
    pub(super) fn make_ready(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        if run.stopping {
            return self.conclude(item, ItemState::Stopped, Reason::Stopped, moment);
        }
        let entry = run.item_mut(item.index);
        if entry.pending > 0 {
            // What it reads is being made again.
            entry.resolved = false;
            self.show_phase(item, Phase::Blocked, moment);
            return self.release_key(item, moment);
        }
        let (step, resolved, keyed) = (entry.step, entry.resolved, entry.keyed);
        if !resolved {
            // Taken over while it ran, and it ran in vain: nothing is known of it yet.
            self.show_phase(item, Phase::Resolving, moment);
            return moment.actions.push(Action::Resolve { item });
        }
        if !keyed {
            return self.claim_key(item, moment);
        }
        if run.steps.is_held(step) {
            run.steps.park(step, item.index);
            return self.show_phase(item, Phase::Parked, moment);
        }
        self.catch_up(item);
        let was = self.item(item).map(|entry| entry.phase.state());
        self.enter_group(item);
        if was != Some(ItemState::Ready) {
            moment.actions.push(Action::Changed {
                item,
                state: ItemState::Ready,
            });
        }
    }

    /// An item before this one has to make its result again: whoever has not begun waits for that, and is then
    /// resolved anew.
    pub(super) fn block_again(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(entry) = self.item(item).filter(|entry| entry.pending > 0) else {
            return;
        };
        let was = entry.phase;
        match was {
            Phase::Ready | Phase::Parked => self.leave_ready(item),
            Phase::SameKey => self.stop_waiting_for_key(item),
            Phase::Resolving => {}
            Phase::Blocked | Phase::Leased | Phase::Settling | Phase::Finished(_) => return,
        }
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.item_mut(item.index).resolved = false;
            run.set_phase(item.index, Phase::Blocked);
        }
        if was.state() != ItemState::Waiting {
            moment.actions.push(Action::Changed {
                item,
                state: ItemState::Waiting,
            });
        }
        self.release_key(item, moment);
    }

    /// A run that had nothing to place does not get its idle time back: it starts level with the least served.
    fn catch_up(&mut self, item: ItemId) {
        let has_work = |run: &Run| run.ready > 0 || run.count(ItemState::Running) > 0;
        let Some(run) = self.runs.get(&item.run) else {
            return;
        };
        if has_work(run) {
            return;
        }
        let level = self
            .runs
            .values()
            .filter(|other| has_work(other))
            .map(|other| other.served)
            .min();
        if let (Some(level), Some(run)) = (level, self.runs.get_mut(&item.run)) {
            run.served = run.served.max(level);
        }
    }

    /// Puts an item among those of the same need.
    pub(super) fn enter_group(&mut self, item: ItemId) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let turn = turn_of(self.settings.order, run, item.index);
        let entry = run.item(item.index);
        let expected = if entry.expected_ms == Durations::UNKNOWN {
            DurationClass::UNKNOWN
        } else {
            DurationClass::of(entry.expected_ms)
        };
        let key = GroupKey {
            requirement: entry.requirement,
            need: entry.need,
            seats: entry.seats,
            expected,
            avoid: entry.avoid,
            wary: entry.took_down > 0,
        };
        let number = self.groups.number_of(run, key);
        run.item_mut(item.index).group = number;
        run.set_phase(item.index, Phase::Ready);
        self.groups.push(number, turn);
    }

    /// Takes an item out of the ready ones, if it is among them. The caller sets its next phase.
    pub(super) fn leave_ready(&mut self, item: ItemId) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item(item.index);
        let (step, group) = (entry.step, entry.group);
        match entry.phase {
            Phase::Parked => run.steps.unpark(step, item.index),
            Phase::Ready => {
                // The phase must change before the heap is tidied: that is how left-overs are told apart.
                run.set_phase(item.index, Phase::Resolving);
                self.groups.get_mut(group).live -= 1;
                self.tidy_group(group);
            }
            _ => {}
        }
    }

    /// After items left a group: drops left-overs, and the group itself from the list if it is empty.
    pub(super) fn tidy_group(&mut self, number: u32) {
        let group = self.groups.get_mut(number);
        let Some(run) = self.runs.get(&group.run) else {
            return;
        };
        group.drop_stale(|index| {
            let entry = run.item(index);
            entry.phase == Phase::Ready && entry.group == number
        });
        if group.live == 0 {
            self.drop_reservation(number);
            self.groups.deactivate(number);
        }
    }

    /// Sets a phase, and says so if that changes the state to one that has no action of its own.
    pub(super) fn show_phase(&mut self, item: ItemId, phase: Phase, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let before = run.item(item.index).phase.state();
        run.set_phase(item.index, phase);
        let state = phase.state();
        if state != before && matches!(state, ItemState::Waiting | ItemState::Ready) {
            moment.actions.push(Action::Changed { item, state });
        }
    }

    /// Finishes an item without a result, and has that recorded.
    pub(super) fn conclude(&mut self, item: ItemId, state: ItemState, reason: Reason, moment: &mut Moment) {
        moment.actions.push(Action::Conclude { item, state, reason });
        self.finish(item, state, moment);
    }

    /// Finishes an item that is not finished yet, from whatever phase it is in.
    pub(super) fn finish(&mut self, item: ItemId, state: ItemState, moment: &mut Moment) {
        let Some(entry) = self.item(item) else { return };
        match entry.phase {
            Phase::Finished(_) => return,
            Phase::Ready | Phase::Parked => self.leave_ready(item),
            Phase::SameKey => self.stop_waiting_for_key(item),
            Phase::Leased => {
                let number = entry.lease;
                self.let_go(number, EndReason::Superseded, moment);
            }
            Phase::Blocked | Phase::Resolving | Phase::Settling => {}
        }
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.set_phase(item.index, Phase::Finished(state));
        }
        self.finished.push_back(item);
        self.release_key(item, moment);
    }

    /// Carries the end of items to those behind them, and looks whether runs are at their end.
    pub(super) fn spread(&mut self, moment: &mut Moment) {
        loop {
            while let Some(item) = self.finished.pop_front() {
                self.spread_one(item, moment);
            }
            if !self.take_up_leftovers(moment) {
                break;
            }
        }
        for (id, run) in &mut self.runs {
            if run.unfinished() == 0 && !run.end_announced {
                run.end_announced = true;
                moment.actions.push(Action::RunEnded { run: *id });
            }
        }
    }

    fn spread_one(&mut self, item: ItemId, moment: &mut Moment) {
        let mut nth = 0;
        loop {
            let Some(run) = self.runs.get_mut(&item.run) else {
                return;
            };
            let Some(&index) = run.graph.downstream(item.index).get(nth) else {
                return;
            };
            nth += 1;
            let entry = run.item_mut(index);
            entry.pending = entry.pending.saturating_sub(1);
            if entry.phase == Phase::Blocked {
                self.consider(ItemId { run: item.run, index }, moment);
            }
        }
    }

    /// Looks whether a blocked item can go on or is cut off.
    pub(super) fn consider(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item(item.index);
        let upstream = run.graph.upstream(item.index);
        let lacks = |index: &&u32| run.item(**index).phase.is_finished() && !run.has_outputs(**index);
        let cut_by = if entry.partial {
            let nothing_there = entry.pending == 0 && upstream.iter().all(|index| lacks(&index));
            upstream.first().filter(|_| nothing_there)
        } else {
            upstream.iter().find(lacks)
        };
        if let Some(&index) = cut_by {
            self.conclude(item, ItemState::CutOff, Reason::Upstream { index }, moment);
        } else if entry.pending == 0 {
            run.set_phase(item.index, Phase::Resolving);
            moment.actions.push(Action::Resolve { item });
        }
    }

    /// Where nothing but held back steps is left of a run, they go on or are given up. True if anything moved.
    fn take_up_leftovers(&mut self, moment: &mut Moment) -> bool {
        let stuck = |run: &&mut Run| run.unfinished() > 0 && run.only_held_is_left();
        let found = self.runs.iter_mut().find_map(|(id, run)| {
            Some(run)
                .filter(stuck)
                .and_then(|run| Some((*id, run.steps.leftover()?)))
        });
        let Some((run, leftover)) = found else {
            return false;
        };
        match leftover {
            Leftover::Release { step, items } => {
                moment.actions.push(Action::StepReleased { run, step });
                for index in items {
                    self.make_ready(ItemId { run, index }, moment);
                }
            }
            Leftover::GiveUp { items, failures, .. } => {
                for index in items {
                    let reason = Reason::StepHeld { failures };
                    self.conclude(ItemId { run, index }, ItemState::Failed, reason, moment);
                }
            }
        }
        true
    }

    /// Computes all paths of a run anew and puts its ready items in line by them.
    pub(super) fn refresh_paths(&mut self, run: &super::RunId) {
        let order = self.settings.order;
        let Some(run) = self.runs.get_mut(run) else { return };
        run.measure_paths();
        for number in run.groups.values() {
            let here = |index: u32| {
                let entry = run.item(index);
                entry.phase == Phase::Ready && entry.group == *number
            };
            self.groups
                .get_mut(*number)
                .refill(|index| here(index).then(|| turn_of(order, run, index)));
        }
    }
}

/// An item's place in line.
fn turn_of(order: Order, run: &Run, index: u32) -> Turn {
    let path_ms: Millis = match order {
        Order::LongestPath => run.path_ms(index),
        Order::AsListed => 0,
    };
    Turn {
        path_ms,
        index: std::cmp::Reverse(index),
    }
}
