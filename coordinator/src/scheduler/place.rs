//! Placement: who is next, and where it goes.
//!
//! A pass looks at groups of ready items, not at items, and at agents that have gained room, not at all agents,
//! unless a group is new. It ends when nothing that is left fits anywhere.

use std::cmp::Reverse;

use super::agent::Agent;
use super::group::{Group, Search, Turn};
use super::ids::{AgentId, ItemId, Millis, RunId};
use super::run::Run;
use super::settings::Reservations;
use super::{Action, Moment, Scheduler};

/// Place in line over all runs; the greatest is next. Never equal for two groups, since an item is in one.
type Rank = (i32, Reverse<u64>, Turn, Reverse<RunId>);

/// What a look at all groups finds.
#[derive(Debug, Default)]
struct Look {
    /// The next group that may fit somewhere.
    next: Option<u32>,
    /// The first group before it that fits nowhere and has nothing reserved yet.
    passed_over: Option<u32>,
}

impl Scheduler {
    /// Gives leases until nothing more fits.
    pub(super) fn place(&mut self, moment: &mut Moment) {
        if self.held || moment.now < self.quiet_until_ms {
            return;
        }
        self.pass += 1;
        loop {
            let look = self.look(moment.now);
            let Some(number) = look.next else { break };
            let Some(agent) = self.choose_agent(number, moment.now) else {
                let lacks_seats = self.seats.lacking(self.groups.get(number).key.seats).is_some();
                let group = self.groups.get_mut(number);
                group.tried_in_pass = self.pass;
                group.search = if lacks_seats {
                    Search::LacksSeats
                } else {
                    Search::FitsNowhere
                };
                continue;
            };
            if let Some(passed_over) = look.passed_over {
                // It is about to be overtaken: keep room for it first, then look again who still fits.
                self.reserve(passed_over, moment.now);
                continue;
            }
            self.lease_first(number, agent, moment);
        }
        self.fleet.clear_gained();
    }

    fn look(&self, now: Millis) -> Look {
        let may_reserve = self.settings.reservations == Reservations::Kept && self.may_reserve_more();
        let mut next: Option<(Rank, u32)> = None;
        let mut passed_over: Option<(Rank, u32)> = None;
        for (number, group) in self.groups.active() {
            let best = if self.may_fit(group, now) {
                &mut next
            } else if may_reserve
                && group.search == Search::FitsNowhere
                && group.reserved.is_none()
                && !group.cannot_reserve
            {
                &mut passed_over
            } else {
                continue;
            };
            let Some(rank) = self.rank(group) else { continue };
            if best.is_none_or(|(found, _)| rank > found) {
                *best = Some((rank, number));
            }
        }
        let overtaken = passed_over.filter(|(rank, _)| next.is_some_and(|(found, _)| *rank > found));
        Look {
            next: next.map(|(_, number)| number),
            passed_over: overtaken.map(|(_, number)| number),
        }
    }

    /// `None`: the run takes no part.
    fn rank(&self, group: &Group) -> Option<Rank> {
        let run = self.runs.get(&group.run).filter(|run| run.is_served())?;
        Some((
            run.priority,
            Reverse(run.served),
            group.first()?,
            Reverse(group.run),
        ))
    }

    /// Whether the group is worth a closer look in this pass.
    fn may_fit(&self, group: &Group, now: Millis) -> bool {
        match group.search {
            Search::LacksSeats => false,
            _ if group.tried_in_pass == self.pass => false,
            Search::Open => true,
            Search::FitsNowhere => {
                let need = group.key.need;
                self.fleet.gained().iter().any(|agent| {
                    need.fits_in(self.fleet.room(*agent))
                        && self.fleet.get(*agent).is_some_and(|agent| agent.is_open(now))
                })
            }
        }
    }

    /// The agent for the next item of a group: the one that holds most of its inputs and has room, or else the one whose memory is
    /// left the tightest.
    fn choose_agent(&self, number: u32, now: Millis) -> Option<AgentId> {
        let group = self.groups.get(number);
        let run = self.runs.get(&group.run)?;
        if self.seats.lacking(group.key.seats).is_some() {
            return None;
        }
        let need = group.key.need;
        let fits = |agent: &AgentId| self.fits(number, group, run, *agent, now);
        let mut near = run.item(group.first()?.index.0).near.iter();
        let has_room = |agent: &&AgentId| {
            self.fleet.get(**agent).is_some() && need.fits_in(self.fleet.room(**agent)) && fits(agent)
        };
        if let Some(near) = near.find(has_room) {
            return Some(*near);
        }
        let tightest = |agent: &AgentId| {
            let room = self.fleet.room(*agent);
            (room.memory_bytes, room.millicores, *agent)
        };
        if group.search == Search::FitsNowhere {
            let gained = self.fleet.gained().iter().copied();
            return gained
                .filter(|agent| need.fits_in(self.fleet.room(*agent)) && fits(agent))
                .min_by_key(tightest);
        }
        self.fleet
            .with_room(need)
            .filter(|agent| fits(agent))
            .min_by_key(tightest)
    }

    /// All that decides beside cores and memory.
    fn fits(&self, number: u32, group: &Group, run: &Run, agent: AgentId, now: Millis) -> bool {
        let Some(entry) = self.fleet.get(agent) else {
            return false;
        };
        entry.is_open(now)
            && self.suits(group, run, agent, entry, now)
            && self.respects_reservation(number, group, run, entry, now)
    }

    /// Whether the group's items may go to this agent at all, room apart.
    pub(super) fn suits(&self, group: &Group, run: &Run, agent: AgentId, entry: &Agent, now: Millis) -> bool {
        let key = &group.key;
        if !entry.satisfies(key.requirement) || (key.wary && entry.wary_leases > 0) {
            return false;
        }
        if key.avoid == Some(agent) && self.fleet.another_could_hold(agent, key.requirement, key.need) {
            return false;
        }
        let elapsed_ms = believed_ms(group, run);
        entry.budget.lends_until_ms.is_none_or(|until_ms| {
            now.saturating_add(elapsed_ms) <= until_ms
                || !self.fleet.any_could_finish(key.requirement, key.need, elapsed_ms)
        })
    }

    fn respects_reservation(
        &self,
        number: u32,
        group: &Group,
        run: &Run,
        agent: &Agent,
        now: Millis,
    ) -> bool {
        agent.reservation.as_ref().is_none_or(|reservation| {
            let end_ms = now.saturating_add(believed_ms(group, run));
            reservation.group == number
                || run.priority > reservation.priority
                || agent.leaves_reservation(reservation, group.key.need, end_ms, now)
        })
    }

    fn lease_first(&mut self, number: u32, agent: AgentId, moment: &mut Moment) {
        let group = self.groups.get_mut(number);
        let Some(turn) = group.first() else { return };
        let item = ItemId {
            run: group.run,
            index: turn.index.0,
        };
        group.pop();
        if !self.reserved.is_empty() {
            // The next one may be short enough to end before a reserved moment where this one was not.
            group.search = Search::Open;
        }
        self.drop_reservation(number);
        let attempt = self.item(item).map_or(1, |entry| entry.attempts + 1);
        let lease = self.open_lease(item, agent, attempt, moment.now);
        self.tidy_group(number);
        let (Some(lease), Some(entry)) = (lease, self.item(item)) else {
            return;
        };
        let need = entry.need;
        moment.actions.push(Action::Lease {
            lease,
            item,
            agent,
            attempt,
            need,
        });
    }
}

/// How long the group's next item is expected to take.
pub(super) fn believed_ms(group: &Group, run: &Run) -> Millis {
    group
        .first()
        .map_or(run.durations.median_ms(), |turn| run.expected_ms(turn.index.0))
}
