//! One agent as the scheduler sees it: what it lends, what is booked there, and whether it may get more.

use super::ids::{ItemId, LeaseNumber, Millis, RequirementId};
use super::spec::{AgentSpec, Amount, Budget};

/// A rest after fast failures starts with this, and doubles each time up to the longest.
const FIRST_REST_MS: Millis = 30_000;
const LONGEST_REST_MS: Millis = 30 * 60_000;
/// Different items that an agent fails in a row before it is rested.
const FAILURES_BEFORE_REST: u32 = 5;

/// Whether the agent is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Presence {
    Here,
    /// Its link is broken; it still holds its leases.
    Silent,
    Gone,
}

/// One agent.
#[derive(Debug)]
pub(super) struct Agent {
    pub(super) presence: Presence,
    pub(super) most: Amount,
    pub(super) longest_lending_ms: Option<Millis>,
    pub(super) budget: Budget,
    pub(super) booked: Amount,
    /// Its leases, the one that is expected to end first in front.
    pub(super) held: Vec<Held>,
    /// Leases among them whose item is suspected of bringing agents down.
    pub(super) wary_leases: u32,
    /// Turned an item away: gets nothing until it reports again.
    pub(super) awaits_report: bool,
    pub(super) rest_until_ms: Millis,
    /// Items that were blamed when it vanished.
    pub(super) blamed: Vec<ItemId>,
    pub(super) reservation: Option<Reservation>,
    satisfies: Vec<u64>,
    failures_in_row: u32,
    failed_last: Option<ItemId>,
    next_rest_ms: Millis,
}

/// What one lease holds on its agent.
#[derive(Debug, Clone, Copy)]
pub(super) struct Held {
    pub(super) expected_end_ms: Millis,
    pub(super) lease: LeaseNumber,
    pub(super) need: Amount,
}

/// Room that is kept for a group whose items fit nowhere right now.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reservation {
    pub(super) group: u32,
    pub(super) priority: i32,
    pub(super) need: Amount,
    /// When the room is expected to be there.
    pub(super) at_ms: Millis,
    /// Times that the moment passed without the room being there. After two, estimates are no longer
    /// believed: only what fits beside the reserved room is placed.
    pub(super) overdue: u32,
}

impl Agent {
    pub(super) fn new() -> Self {
        Self {
            presence: Presence::Gone,
            most: Amount::default(),
            longest_lending_ms: None,
            budget: Budget::default(),
            booked: Amount::default(),
            held: Vec::new(),
            wary_leases: 0,
            awaits_report: false,
            rest_until_ms: 0,
            blamed: Vec::new(),
            reservation: None,
            satisfies: Vec::new(),
            failures_in_row: 0,
            failed_last: None,
            next_rest_ms: FIRST_REST_MS,
        }
    }

    pub(super) fn join(&mut self, spec: &AgentSpec, budget: Budget) {
        self.presence = Presence::Here;
        self.most = spec.most;
        self.longest_lending_ms = spec.longest_lending_ms;
        self.awaits_report = false;
        self.satisfies.clear();
        for requirement in &spec.satisfies {
            self.set_satisfies(*requirement, true);
        }
        self.budget = budget;
    }

    pub(super) fn set_satisfies(&mut self, requirement: RequirementId, satisfied: bool) {
        if requirement == RequirementId::NONE {
            return;
        }
        let (word, bit) = (requirement.0 as usize / 64, requirement.0 % 64);
        if self.satisfies.len() <= word {
            self.satisfies.resize(word + 1, 0);
        }
        self.satisfies[word] = (self.satisfies[word] & !(1 << bit)) | (u64::from(satisfied) << bit);
    }

    pub(super) fn satisfies(&self, requirement: RequirementId) -> bool {
        let (word, bit) = (requirement.0 as usize / 64, requirement.0 % 64);
        requirement == RequirementId::NONE
            || self.satisfies.get(word).is_some_and(|bits| bits >> bit & 1 == 1)
    }

    /// May get new items now.
    pub(super) fn is_open(&self, now: Millis) -> bool {
        self.presence == Presence::Here
            && self.budget.accepting
            && !self.awaits_report
            && self.rest_until_ms <= now
            // Where the budget shrank below what is booked, not even an item that needs nothing of it goes.
            && self.booked.fits_in(self.budget.lent)
    }

    /// Could take an item of this need at some time: it is here, and lends that much at most.
    pub(super) fn could_ever_hold(&self, requirement: RequirementId, need: Amount) -> bool {
        self.presence == Presence::Here && self.satisfies(requirement) && need.fits_in(self.most)
    }

    /// Whether an item of this duration could ever end within its lending hours.
    pub(super) fn could_ever_finish(&self, elapsed_ms: Millis) -> bool {
        self.longest_lending_ms
            .is_none_or(|longest_ms| elapsed_ms <= longest_ms)
    }

    /// Lent and not booked. A budget that shrank below what is booked leaves nothing.
    pub(super) fn room(&self) -> Amount {
        Amount {
            millicores: self.budget.lent.millicores.saturating_sub(self.booked.millicores),
            memory_bytes: self
                .budget
                .lent
                .memory_bytes
                .saturating_sub(self.booked.memory_bytes),
        }
    }

    pub(super) fn book(&mut self, held: Held) {
        self.booked.millicores = self.booked.millicores.saturating_add(held.need.millicores);
        self.booked.memory_bytes = self.booked.memory_bytes.saturating_add(held.need.memory_bytes);
        let order = |one: &Held| (one.expected_end_ms, one.lease);
        let at = self.held.partition_point(|one| order(one) < order(&held));
        self.held.insert(at, held);
    }

    /// Nothing is booked any more for a lease that is still held: its process is gone.
    pub(super) fn free(&mut self, lease: LeaseNumber) {
        if let Some(held) = self.held.iter_mut().find(|held| held.lease == lease) {
            let need = std::mem::take(&mut held.need);
            self.booked.millicores -= need.millicores;
            self.booked.memory_bytes -= need.memory_bytes;
        }
    }

    pub(super) fn unbook(&mut self, lease: LeaseNumber) {
        let Some(at) = self.held.iter().position(|held| held.lease == lease) else {
            return;
        };
        let held = self.held.remove(at);
        self.booked.millicores -= held.need.millicores;
        self.booked.memory_bytes -= held.need.memory_bytes;
    }

    /// When `need` is expected to fit, if nothing new were placed here. `None`: it is more than the agent lends.
    pub(super) fn earliest_fit_ms(&self, need: Amount, now: Millis) -> Option<Millis> {
        if !need.fits_in(self.budget.lent) {
            return None;
        }
        let mut booked = self.booked;
        let mut at_ms = now.max(self.rest_until_ms);
        for held in &self.held {
            if booked.fits_in(self.budget.lent) && need.fits_in(less(self.budget.lent, booked)) {
                return Some(at_ms);
            }
            if held.need == Amount::default() {
                continue; // its end frees nothing
            }
            booked = less(booked, held.need);
            at_ms = at_ms.max(believed_end_ms(held.expected_end_ms, now));
        }
        Some(at_ms)
    }

    /// What is expected to be free at a time, if nothing new were placed here.
    pub(super) fn room_at(&self, at_ms: Millis, now: Millis) -> Amount {
        let ended = self
            .held
            .iter()
            .filter(|held| believed_end_ms(held.expected_end_ms, now) <= at_ms);
        let booked = ended.fold(self.booked, |booked, held| less(booked, held.need));
        less(self.budget.lent, booked)
    }

    /// Whether an item that is expected to end at `end_ms` leaves the reserved room alone: it ends before the
    /// room is wanted, or it fits beside it.
    pub(super) fn leaves_reservation(
        &self,
        reservation: &Reservation,
        need: Amount,
        end_ms: Millis,
        now: Millis,
    ) -> bool {
        if reservation.overdue < 2 && end_ms <= reservation.at_ms {
            return true;
        }
        let mut still_booked = reservation.need;
        for held in &self.held {
            if believed_end_ms(held.expected_end_ms, now) > reservation.at_ms {
                still_booked.millicores = still_booked.millicores.saturating_add(held.need.millicores);
                still_booked.memory_bytes = still_booked.memory_bytes.saturating_add(held.need.memory_bytes);
            }
        }
        still_booked.fits_in(self.budget.lent) && need.fits_in(less(self.budget.lent, still_booked))
    }

    /// An item failed here, for a reason that may be the agent's. Returns the end of its rest if it has one now.
    pub(super) fn failed_an_item(&mut self, item: ItemId, now: Millis) -> Option<Millis> {
        if self.failed_last == Some(item) {
            return None;
        }
        self.failed_last = Some(item);
        self.failures_in_row += 1;
        if self.failures_in_row < FAILURES_BEFORE_REST {
            return None;
        }
        self.failures_in_row = 0;
        self.rest_until_ms = now.saturating_add(self.next_rest_ms);
        self.next_rest_ms = LONGEST_REST_MS.min(self.next_rest_ms * 2);
        Some(self.rest_until_ms)
    }

    pub(super) fn succeeded(&mut self) {
        self.failures_in_row = 0;
        self.failed_last = None;
        self.next_rest_ms = FIRST_REST_MS;
    }
}

/// An item that is overdue is expected to take as long again as it is late: nothing better is known.
fn believed_end_ms(expected_end_ms: Millis, now: Millis) -> Millis {
    if expected_end_ms > now {
        expected_end_ms
    } else {
        now + (now - expected_end_ms) + 1
    }
}

/// `from` without `taken`, never below zero.
pub(super) fn less(from: Amount, taken: Amount) -> Amount {
    Amount {
        millicores: from.millicores.saturating_sub(taken.millicores),
        memory_bytes: from.memory_bytes.saturating_sub(taken.memory_bytes),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amount(cores: u32, memory_bytes: u64) -> Amount {
        Amount {
            millicores: cores * 1000,
            memory_bytes,
        }
    }

    fn agent(held: &[(Millis, Amount)]) -> Agent {
        let mut agent = Agent::new();
        let budget = Budget {
            lent: amount(4, 100),
            accepting: true,
            lends_until_ms: None,
        };
        let spec = AgentSpec {
            most: amount(4, 100),
            longest_lending_ms: None,
            satisfies: vec![RequirementId(70)],
        };
        agent.join(&spec, budget);
        for (number, (expected_end_ms, need)) in held.iter().enumerate() {
            let lease = LeaseNumber(number as u64);
            agent.book(Held {
                expected_end_ms: *expected_end_ms,
                lease,
                need: *need,
            });
        }
        agent
    }

    #[test]
    fn earliest_fit_waits_for_both_cores_and_memory() {
        let agent = agent(&[(50, amount(1, 20)), (20, amount(2, 10)), (90, amount(1, 70))]);
        assert_eq!(agent.earliest_fit_ms(amount(0, 0), 10), Some(10));
        assert_eq!(agent.earliest_fit_ms(amount(2, 10), 10), Some(20));
        assert_eq!(agent.earliest_fit_ms(amount(1, 30), 10), Some(50));
        assert_eq!(agent.earliest_fit_ms(amount(4, 10), 10), Some(90));
        assert_eq!(agent.earliest_fit_ms(amount(5, 10), 10), None);
    }

    #[test]
    fn an_overdue_item_is_expected_to_be_as_late_again() {
        let agent = agent(&[(50, amount(4, 20))]);
        assert_eq!(agent.earliest_fit_ms(amount(1, 1), 60), Some(71));
    }

    #[test]
    fn filling_in_ends_before_the_reserved_moment_or_fits_beside_it() {
        let agent = agent(&[(50, amount(2, 20))]);
        let reservation = Reservation {
            group: 0,
            priority: 0,
            need: amount(3, 60),
            at_ms: 50,
            overdue: 0,
        };
        assert!(agent.leaves_reservation(&reservation, amount(2, 80), 50, 0));
        assert!(!agent.leaves_reservation(&reservation, amount(2, 10), 51, 0));
        assert!(agent.leaves_reservation(&reservation, amount(1, 40), 900, 0));
        assert!(!agent.leaves_reservation(&reservation, amount(1, 41), 900, 0));
        let overdue = Reservation {
            overdue: 2,
            ..reservation
        };
        assert!(!agent.leaves_reservation(&overdue, amount(2, 80), 50, 0));
    }

    #[test]
    fn requirements_are_kept_by_number() {
        let mut agent = agent(&[]);
        assert!(agent.satisfies(RequirementId(70)));
        assert!(!agent.satisfies(RequirementId(6)));
        assert!(agent.satisfies(RequirementId::NONE));
        agent.set_satisfies(RequirementId(70), false);
        assert!(!agent.satisfies(RequirementId(70)));
    }

    #[test]
    fn different_items_that_fail_in_a_row_bring_a_rest_that_doubles() {
        let mut agent = agent(&[]);
        let item = |index| ItemId {
            run: super::super::RunId(0),
            index,
        };
        for _ in 0..20 {
            assert_eq!(agent.failed_an_item(item(0), 0), None);
        }
        for index in 1..4 {
            assert_eq!(agent.failed_an_item(item(index), 0), None);
        }
        assert_eq!(agent.failed_an_item(item(4), 1_000), Some(31_000));
        assert!(!agent.is_open(30_999));
        assert!(agent.is_open(31_000));
    }
}
