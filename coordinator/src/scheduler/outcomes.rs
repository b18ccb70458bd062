//! What the end of an attempt means for its item: done, again, or failed.

use tidemill_proto::v1::ItemState;

use super::group::rounded_memory;
use super::ids::{ItemId, LeaseNumber};
use super::lease::Lease;
use super::run::Phase;
use super::spec::{Amount, Outcome};
use super::{
    Action, EndReason, MACHINE_LIMIT, Moment, OVER_MEMORY_LIMIT, Reason, Scheduler, TOOK_DOWN_LIMIT,
};

impl Scheduler {
    /// A process ended.
    pub(super) fn ended(&mut self, number: LeaseNumber, outcome: Outcome, moment: &mut Moment) {
        let Some(lease) = self.close_lease(number, moment.now) else {
            return;
        };
        if matches!(
            outcome,
            Outcome::Declined | Outcome::HandedBack | Outcome::Machine
        ) {
            // What we believed of this agent is out of date; its next report says what is true.
            self.fleet.change(lease.agent, |agent| agent.awaits_report = true);
            self.drop_reservation_of(lease.agent);
        }
        let item = lease.item;
        if lease.let_go || self.item(item).is_none_or(|entry| entry.phase != Phase::Leased) {
            return;
        }
        match outcome {
            Outcome::Success => self.succeeded(&lease, moment),
            Outcome::Failed => {
                if self.has_success_in_step(item) {
                    self.note_agent_failure(&lease, moment);
                }
                self.charge(item, moment);
            }
            Outcome::OverMemory { peak_bytes } => self.over_memory(&lease, peak_bytes, moment),
            Outcome::Machine => {
                self.note_agent_failure(&lease, moment);
                if let Some(run) = self.runs.get_mut(&item.run) {
                    run.item_mut(item.index).avoid = Some(lease.agent);
                }
                self.count_machine_failure(item, moment);
            }
            Outcome::HandedBack | Outcome::Declined | Outcome::Stopped => self.make_ready(item, moment),
        }
    }

    /// A result is on disk.
    pub(super) fn settled(&mut self, item: ItemId, moment: &mut Moment) {
        if self.item(item).is_none_or(|entry| entry.phase.is_finished()) {
            return;
        }
        self.finish(item, ItemState::Done, moment);
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let step = run.item(item.index).step;
        if let Some(items) = run.steps.succeeded(step) {
            moment.actions.push(Action::StepReleased { run: item.run, step });
            for index in items {
                self.make_ready(ItemId { run: item.run, index }, moment);
            }
        }
    }

    /// A result could not be stored.
    pub(super) fn unsettled(&mut self, item: ItemId, moment: &mut Moment) {
        if self
            .item(item)
            .is_some_and(|entry| entry.phase == Phase::Settling)
        {
            self.count_machine_failure(item, moment);
        }
    }

    /// The agent vanished under a lease that was closed: once may be chance, twice is the item's doing.
    pub(super) fn took_down(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item_mut(item.index);
        entry.took_down = entry.took_down.saturating_add(1);
        if u32::from(entry.took_down) >= TOOK_DOWN_LIMIT {
            self.fail(item, Reason::TookDownAgents, moment);
        } else {
            self.make_ready(item, moment);
        }
    }

    /// The item does not need its lease any more: its process is ended, the booking stays until it is gone.
    pub(super) fn let_go(&mut self, number: LeaseNumber, why: EndReason, moment: &mut Moment) {
        if let Some(lease) = self.leases.get_mut(&number).filter(|lease| !lease.let_go) {
            lease.let_go = true;
            moment.actions.push(Action::End {
                lease: number,
                agent: lease.agent,
                why,
            });
        }
    }

    fn succeeded(&mut self, lease: &Lease, moment: &mut Moment) {
        self.fleet.change(lease.agent, |agent| agent.succeeded());
        let Some(run) = self.runs.get_mut(&lease.item.run) else {
            return;
        };
        run.set_phase(lease.item.index, Phase::Settling);
        if run.durations.add(moment.now.saturating_sub(lease.started_ms)) && run.has_unknown_durations() {
            self.refresh_paths(&lease.item.run);
        }
    }

    /// A failure that uses up a retry.
    fn charge(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item_mut(item.index);
        entry.failures += 1;
        if entry.failures <= entry.retries {
            return self.make_ready(item, moment);
        }
        let failures = entry.failures;
        self.fail(item, Reason::Attempts { failures }, moment);
    }

    fn over_memory(&mut self, lease: &Lease, peak_bytes: u64, moment: &mut Moment) {
        let item = lease.item;
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item_mut(item.index);
        entry.over_memory = entry.over_memory.saturating_add(1);
        let charged = u32::from(entry.over_memory) > OVER_MEMORY_LIMIT;
        let booked_bytes = lease.need.memory_bytes;
        let largest_bytes = self
            .fleet
            .largest_memory(entry.requirement, lease.need.millicores);
        if largest_bytes > 0 && booked_bytes >= largest_bytes {
            return self.fail(
                item,
                Reason::OverMemory {
                    booked_bytes,
                    largest_bytes,
                },
                moment,
            );
        }
        let grown = (booked_bytes.saturating_add(booked_bytes / 2))
            .max(peak_bytes.saturating_add(peak_bytes / 4))
            .max(booked_bytes + 1);
        let rounded = rounded_memory(grown, largest_bytes);
        let memory_bytes = if largest_bytes > 0 {
            rounded.min(largest_bytes)
        } else {
            rounded
        };
        let elapsed_ms = Some(entry.expected_ms).filter(|ms| *ms != super::durations::Durations::UNKNOWN);
        run.set_expectation(
            item.index,
            Amount {
                memory_bytes,
                ..lease.need
            },
            elapsed_ms,
        );
        if charged {
            self.charge(item, moment);
        } else {
            self.make_ready(item, moment);
        }
    }

    fn count_machine_failure(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item_mut(item.index);
        entry.machine = entry.machine.saturating_add(1);
        let times = u32::from(entry.machine);
        if times >= MACHINE_LIMIT {
            self.fail(item, Reason::Machine { times }, moment);
        } else {
            self.make_ready(item, moment);
        }
    }

    /// Fails an item for good, and holds its step back if it only ever fails.
    fn fail(&mut self, item: ItemId, reason: Reason, moment: &mut Moment) {
        self.conclude(item, ItemState::Failed, reason, moment);
        let of_the_step = matches!(reason, Reason::Attempts { .. } | Reason::OverMemory { .. });
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let step = run.item(item.index).step;
        if !of_the_step || !run.steps.failed(step) {
            return;
        }
        moment.actions.push(Action::StepHeld { run: item.run, step });
        let held: Vec<u32> = (0..run.items.len() as u32)
            .filter(|index| run.item(*index).step == step && run.item(*index).phase == Phase::Ready)
            .collect();
        for index in held {
            self.leave_ready(ItemId { run: item.run, index });
            if let Some(run) = self.runs.get_mut(&item.run) {
                run.steps.park(step, index);
                run.set_phase(index, Phase::Parked);
            }
        }
        self.review_keys(moment);
    }

    fn has_success_in_step(&self, item: ItemId) -> bool {
        self.runs
            .get(&item.run)
            .is_some_and(|run| run.steps.has_success(run.item(item.index).step))
    }

    fn note_agent_failure(&mut self, lease: &Lease, moment: &mut Moment) {
        let (item, now) = (lease.item, moment.now);
        let fast = now.saturating_sub(lease.started_ms) <= super::FAST_FAILURE_MS;
        if !fast {
            return;
        }
        let rest = self
            .fleet
            .change(lease.agent, |agent| agent.failed_an_item(item, now))
            .flatten();
        if let Some(until_ms) = rest {
            moment.actions.push(Action::Rested {
                agent: lease.agent,
                until_ms,
            });
            self.drop_reservation_of(lease.agent);
        }
    }
}
