//! Reservations: an item that fits nowhere right now keeps its place on the agent where it will fit first, so
//! that a stream of small items cannot delay it for ever. Small ones fill in where by estimate they end before
//! the room is wanted, or fit beside it.
//!
//! A reservation, once made, holds against everything but runs of a higher priority; one an agent and one a
//! group. It moves only when its moment has passed and another agent has become the better bet.

use super::Scheduler;
use super::agent::{Presence, Reservation};
use super::ids::{AgentId, Millis, RunId};
use super::place::believed_ms;

/// Reservations at one time, over all agents. More would protect groups far back in line at the price of idle
/// agents.
const MOST_RESERVATIONS: usize = 8;

impl Scheduler {
    pub(super) fn may_reserve_more(&self) -> bool {
        self.reserved.len() < MOST_RESERVATIONS
    }

    /// Reserves the agent where the group's next item will fit first. If there is none, remembers that.
    pub(super) fn reserve(&mut self, number: u32, now: Millis) {
        match self.best_bet(number, None, now) {
            Some((at_ms, agent)) => self.set_reservation(number, agent, at_ms, 0),
            None => self.groups.get_mut(number).cannot_reserve = true,
        }
    }

    /// Moves reservations whose moment has passed.
    pub(super) fn renew_reservations(&mut self, now: Millis) {
        for agent in self.reserved.clone() {
            let Some(reservation) = self.fleet.get(agent).and_then(|agent| agent.reservation) else {
                continue;
            };
            if now <= reservation.at_ms {
                continue;
            }
            let number = reservation.group;
            let has_seats = self.seats.lacking(self.groups.get(number).key.seats).is_none();
            let best = self.best_bet(number, Some(agent), now).filter(|_| has_seats);
            self.drop_reservation(number);
            if let Some((at_ms, agent)) = best {
                self.fleet.mark_gained(agent);
                self.set_reservation(number, agent, at_ms, reservation.overdue.saturating_add(1));
            }
        }
    }

    /// Drops a group's reservation, if it has one. Whoever it kept out is worth a new look.
    pub(super) fn drop_reservation(&mut self, number: u32) {
        if let Some(agent) = self.groups.get_mut(number).reserved.take() {
            self.fleet.change(agent, |agent| agent.reservation = None);
            self.reserved.retain(|reserved| *reserved != agent);
            self.fleet.mark_gained(agent);
            self.pass += 1;
        }
    }

    pub(super) fn drop_reservation_of(&mut self, agent: AgentId) {
        if let Some(reservation) = self.fleet.get(agent).and_then(|agent| agent.reservation) {
            self.drop_reservation(reservation.group);
        }
    }

    /// After an agent's budget changed: a reservation for more than it lends is worth nothing.
    pub(super) fn drop_unfit_reservation(&mut self, agent: AgentId, now: Millis) {
        let Some(entry) = self.fleet.get(agent) else {
            return;
        };
        let Some(reservation) = entry.reservation else {
            return;
        };
        if !entry.is_open(now) || !reservation.need.fits_in(entry.budget.lent) {
            self.drop_reservation(reservation.group);
        }
    }

    pub(super) fn drop_reservations_of_run(&mut self, run: RunId) {
        for agent in self.reserved.clone() {
            let group = self
                .fleet
                .get(agent)
                .and_then(|agent| agent.reservation)
                .map(|one| one.group);
            if let Some(group) = group.filter(|group| self.groups.get(*group).run == run) {
                self.drop_reservation(group);
            }
        }
    }

    /// When and where the group's next item is expected to fit first, among agents without a reservation and
    /// `own`, which is its own.
    fn best_bet(&self, number: u32, own: Option<AgentId>, now: Millis) -> Option<(Millis, AgentId)> {
        let group = self.groups.get(number);
        let run = self.runs.get(&group.run)?;
        let elapsed_ms = believed_ms(group, run);
        self.fleet
            .iter()
            .filter(|(id, agent)| {
                agent.presence == Presence::Here
                    && agent.budget.accepting
                    && (agent.reservation.is_none() || own == Some(*id))
            })
            .filter(|(id, agent)| {
                // Wary items wait for one another, not for ever.
                agent.wary_leases > 0 || self.suits(group, run, *id, agent, now)
            })
            .filter(|(_, agent)| agent.satisfies(group.key.requirement))
            .filter_map(|(id, agent)| {
                let at_ms = agent.earliest_fit_ms(group.key.need, now)?;
                let in_hours = agent.budget.lends_until_ms.is_none_or(|until| {
                    at_ms.saturating_add(elapsed_ms) <= until
                        || !self
                            .fleet
                            .any_could_finish(group.key.requirement, group.key.need, elapsed_ms)
                });
                in_hours.then_some((at_ms, id))
            })
            .min()
    }

    fn set_reservation(&mut self, number: u32, agent: AgentId, at_ms: Millis, overdue: u32) {
        let group = self.groups.get_mut(number);
        group.reserved = Some(agent);
        let need = group.key.need;
        let priority = self.runs.get(&group.run).map_or(0, |run| run.priority);
        let reservation = Reservation {
            group: number,
            priority,
            need,
            at_ms,
            overdue,
        };
        self.fleet
            .change(agent, |agent| agent.reservation = Some(reservation));
        self.reserved.push(agent);
    }
}
