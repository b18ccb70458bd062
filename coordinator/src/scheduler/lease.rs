//! Leases: which agent works on which item, and what that takes.

use super::agent::Held;
use super::ids::{AgentId, ItemId, LeaseNumber, Millis};
use super::run::core_ms;
use super::seats::SeatSetId;
use super::spec::Amount;
use super::{Action, Scheduler};

/// One lease.
#[derive(Debug, Clone)]
pub(super) struct Lease {
    pub(super) item: ItemId,
    pub(super) agent: AgentId,
    pub(super) attempt: u32,
    pub(super) need: Amount,
    pub(super) seats: SeatSetId,
    pub(super) started_ms: Millis,
    /// What it was expected to take when it started.
    pub(super) expected_ms: Millis,
    /// The expectation was more than the run's median.
    pub(super) expectation_known: bool,
    pub(super) wary: bool,
    /// The item no longer waits for this lease: only its booking counts until the process is gone.
    pub(super) let_go: bool,
    pub(super) slow_said: bool,
    /// When its process ended, if that was said before the lease was over: nothing is booked for it since.
    pub(super) freed_at_ms: Option<Millis>,
}

impl Scheduler {
    /// Books `item` on `agent`. The item has left its group.
    pub(super) fn open_lease(
        &mut self,
        item: ItemId,
        agent: AgentId,
        attempt: u32,
        started_ms: Millis,
    ) -> Option<LeaseNumber> {
        let run = self.runs.get_mut(&item.run)?;
        let number = LeaseNumber(self.next_lease);
        self.next_lease += 1;
        let expected_ms = run.expected_ms(item.index);
        let entry = run.item_mut(item.index);
        entry.lease = number;
        entry.attempts = attempt;
        let lease = Lease {
            item,
            agent,
            attempt,
            need: entry.need,
            seats: entry.seats,
            started_ms,
            expected_ms,
            expectation_known: entry.expected_ms != super::durations::Durations::UNKNOWN,
            wary: entry.took_down > 0,
            let_go: false,
            slow_said: false,
            freed_at_ms: None,
        };
        run.set_phase(item.index, super::run::Phase::Leased);
        run.serve(signed(core_ms(lease.need.millicores, expected_ms)));
        self.seats.take(lease.seats);
        let held = Held {
            expected_end_ms: started_ms.saturating_add(expected_ms),
            lease: number,
            need: lease.need,
        };
        let wary = lease.wary;
        self.fleet.change(agent, |agent| {
            agent.book(held);
            agent.wary_leases += u32::from(wary);
        });
        self.leases.insert(number, lease);
        Some(number)
    }

    /// The process of a lease is gone: others may have what it booked, though its item is not decided yet.
    pub(super) fn process_ended(&mut self, number: LeaseNumber, now: Millis) {
        let Some(lease) = self.leases.get_mut(&number) else {
            return;
        };
        if lease.freed_at_ms.is_some() {
            return;
        }
        lease.freed_at_ms = Some(now);
        let agent = lease.agent;
        let seats = std::mem::replace(&mut lease.seats, SeatSetId::EMPTY);
        self.fleet.change(agent, |agent| agent.free(number));
        self.fleet.mark_gained(agent);
        self.give_seats_back(seats);
    }

    fn give_seats_back(&mut self, seats: SeatSetId) {
        if seats != SeatSetId::EMPTY {
            self.seats.give_back(seats);
            self.look_again_for_seats();
        }
    }

    /// Frees what a lease holds. `None`: there is no such lease (any more).
    pub(super) fn close_lease(&mut self, number: LeaseNumber, now: Millis) -> Option<Lease> {
        let lease = self.leases.remove(&number)?;
        self.fleet.change(lease.agent, |agent| {
            agent.unbook(number);
            agent.wary_leases -= u32::from(lease.wary);
        });
        self.fleet.mark_gained(lease.agent);
        self.give_seats_back(lease.seats);
        if let Some(run) = self.runs.get_mut(&lease.item.run) {
            let elapsed_ms = lease.freed_at_ms.unwrap_or(now).saturating_sub(lease.started_ms);
            let served = signed(core_ms(lease.need.millicores, elapsed_ms));
            run.serve(served - signed(core_ms(lease.need.millicores, lease.expected_ms)));
        }
        Some(lease)
    }

    /// Remarks leases that run for ten times their expected duration.
    pub(super) fn remark_slow_leases(&mut self, now: Millis, actions: &mut Vec<Action>) {
        for (number, lease) in &mut self.leases {
            let elapsed_ms = now.saturating_sub(lease.started_ms);
            let slow = lease.expectation_known && elapsed_ms / super::SLOW_FACTOR >= lease.expected_ms.max(1);
            if slow && !lease.slow_said && !lease.let_go && lease.freed_at_ms.is_none() {
                lease.slow_said = true;
                actions.push(Action::Slow {
                    lease: *number,
                    item: lease.item,
                    elapsed_ms,
                    expected_ms: lease.expected_ms,
                });
            }
        }
    }
}

fn signed(core_ms: u64) -> i64 {
    i64::try_from(core_ms).unwrap_or(i64::MAX / 2).min(i64::MAX / 2)
}
