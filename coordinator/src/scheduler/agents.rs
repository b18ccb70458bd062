//! Agents come, change what they lend, and go.

use super::agent::Presence;
use super::group::Search;
use super::ids::{AgentId, ItemId, LeaseNumber, Millis, RequirementId};
use super::run::Phase;
use super::seats::SeatSetId;
use super::spec::{AgentSpec, Amount, Budget, Departure};
use super::{Action, Moment, Scheduler};

impl Scheduler {
    pub(super) fn agent_joined(
        &mut self,
        agent: AgentId,
        spec: &AgentSpec,
        budget: Budget,
        holds: &[LeaseNumber],
        restarted: bool,
        moment: &mut Moment,
    ) {
        self.fleet.admit(agent);
        let blamed = self
            .fleet
            .change(agent, |agent| {
                agent.join(spec, budget);
                std::mem::take(&mut agent.blamed)
            })
            .unwrap_or_default();
        if !restarted {
            for item in blamed {
                self.clear_blame(item);
            }
        }
        let departure = if restarted {
            Departure::Vanished
        } else {
            Departure::Left
        };
        self.take_back(agent, departure, |lease| !holds.contains(&lease), moment);
        self.drop_unfit_reservation(agent, moment.now);
        self.fleet_changed(agent);
    }

    pub(super) fn agent_budget(&mut self, agent: AgentId, budget: Budget, now: Millis) {
        let changed = self.fleet.change(agent, |agent| {
            let changed = agent.budget != budget || agent.awaits_report;
            agent.budget = budget;
            agent.awaits_report = false;
            changed
        });
        if changed == Some(true) {
            self.drop_unfit_reservation(agent, now);
            self.fleet.mark_gained(agent);
            self.groups.for_each_active(|group| group.cannot_reserve = false);
        }
    }

    pub(super) fn agent_satisfies(&mut self, agent: AgentId, requirement: RequirementId, satisfied: bool) {
        self.fleet.admit(agent);
        self.fleet
            .change(agent, |agent| agent.set_satisfies(requirement, satisfied));
        self.fleet_changed(agent);
    }

    pub(super) fn agent_silent(&mut self, agent: AgentId, moment: &mut Moment) {
        let was_here = self
            .fleet
            .get(agent)
            .is_some_and(|agent| agent.presence == Presence::Here);
        if !was_here {
            return;
        }
        self.fleet
            .change(agent, |agent| agent.presence = Presence::Silent);
        self.drop_reservation_of(agent);
        self.fleet_changed(agent);
        self.conclude_stopped_on_silent_agents(moment);
    }

    pub(super) fn agent_gone(&mut self, agent: AgentId, departure: Departure, moment: &mut Moment) {
        let known = self
            .fleet
            .change(agent, |agent| agent.presence = Presence::Gone)
            .is_some();
        if !known {
            return;
        }
        self.drop_reservation_of(agent);
        self.fleet_changed(agent);
        self.take_back(agent, departure, |_| true, moment);
    }

    /// Takes up a lease of an earlier coordinator process. An item that still waits for an upstream item is not
    /// taken up: its inputs may come out differently this time.
    pub(super) fn adopt(
        &mut self,
        agent: AgentId,
        item: ItemId,
        need: Amount,
        attempt: u32,
        started_ms: Millis,
        moment: &mut Moment,
    ) {
        let free = |phase| {
            matches!(
                phase,
                Phase::Resolving | Phase::SameKey | Phase::Ready | Phase::Parked
            )
        };
        let open = self.runs.get(&item.run).is_some_and(|run| !run.stopping)
            && self.item(item).is_some_and(|entry| free(entry.phase))
            && self
                .fleet
                .get(agent)
                .is_some_and(|agent| agent.presence != Presence::Gone);
        if !open {
            moment.actions.push(Action::NotAdopted { item, agent });
            return;
        }
        if self.item(item).is_some_and(|entry| entry.phase == Phase::SameKey) {
            self.stop_waiting_for_key(item);
        }
        self.leave_ready(item);
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let elapsed_ms =
            Some(run.item(item.index).expected_ms).filter(|ms| *ms != super::durations::Durations::UNKNOWN);
        run.set_expectation(item.index, need, elapsed_ms);
        if let Some(lease) = self.open_lease(item, agent, attempt, started_ms) {
            moment.actions.push(Action::Adopted { lease, item, agent });
        }
        if self
            .item(item)
            .is_some_and(|entry| entry.resolved && !entry.keyed)
        {
            self.claim_key_while_running(item, moment);
        }
    }

    /// Closes leases of an agent and places their items again.
    fn take_back(
        &mut self,
        agent: AgentId,
        departure: Departure,
        which: impl Fn(LeaseNumber) -> bool,
        moment: &mut Moment,
    ) {
        let Some(entry) = self.fleet.get(agent) else {
            return;
        };
        let mut lost: Vec<LeaseNumber> = entry
            .held
            .iter()
            .map(|held| held.lease)
            .filter(|lease| which(*lease))
            .collect();
        lost.sort_unstable();
        let mut blamed = Vec::new();
        for number in lost {
            let Some(lease) = self.close_lease(number, moment.now) else {
                continue;
            };
            if lease.let_go
                || self
                    .item(lease.item)
                    .is_none_or(|entry| entry.phase != Phase::Leased)
            {
                continue;
            }
            match departure {
                // Without a process it did not bring the agent down.
                _ if lease.freed_at_ms.is_some() => self.make_ready(lease.item, moment),
                Departure::Left => self.make_ready(lease.item, moment),
                Departure::Vanished => {
                    blamed.push(lease.item);
                    self.took_down(lease.item, moment);
                }
            }
        }
        self.fleet.change(agent, |agent| agent.blamed = blamed);
    }

    /// The agent was only out of reach: its items did not bring it down.
    fn clear_blame(&mut self, item: ItemId) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let Some(entry) = run.items.get_mut(item.index as usize) else {
            return;
        };
        entry.took_down = entry.took_down.saturating_sub(1);
        if entry.phase == Phase::Ready {
            self.leave_ready(item);
            self.enter_group(item);
        }
    }

    /// Who could take what has changed: everything is worth a new look.
    pub(super) fn fleet_changed(&mut self, agent: AgentId) {
        self.fleet.mark_gained(agent);
        self.look_again();
    }

    pub(super) fn look_again(&mut self) {
        self.groups.for_each_active(|group| {
            group.search = Search::Open;
            group.cannot_reserve = false;
        });
    }

    pub(super) fn look_again_for_seats(&mut self) {
        self.groups.for_each_active(|group| {
            if group.key.seats != SeatSetId::EMPTY {
                group.search = Search::Open;
            }
        });
    }

    /// Ends rests that are over.
    pub(super) fn end_rests(&mut self, now: Millis) {
        let over: Vec<AgentId> = self
            .fleet
            .iter()
            .filter(|(_, agent)| agent.rest_until_ms > 0 && agent.rest_until_ms <= now)
            .map(|(id, _)| id)
            .collect();
        for agent in over {
            self.fleet.change(agent, |agent| agent.rest_until_ms = 0);
            self.fleet.mark_gained(agent);
        }
    }
}
