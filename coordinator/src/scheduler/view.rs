//! What can be asked about runs, items, agents and leases. Nothing here changes anything.

use tidemill_proto::v1::{ItemState, StateCounts};

use super::agent::{Agent, Presence};
use super::ids::{AgentId, ItemId, LeaseNumber, Millis, RunId};
use super::run::Phase;
use super::spec::{Amount, Budget};
use super::work::Work;
use super::{Estimate, Scheduler};

/// One lease, as others see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LeaseView {
    /// Item that is worked on.
    pub item: ItemId,
    /// Agent that works on it.
    pub agent: AgentId,
    /// Number of the attempt, from 1.
    pub attempt: u32,
    /// What is booked.
    pub need: Amount,
    /// When it was given.
    pub started_ms: Millis,
    /// What it was expected to take.
    pub expected_ms: Millis,
    /// The item no longer waits for it; it is being ended.
    pub let_go: bool,
    /// Its process is gone: nothing is booked for it any more.
    pub freed: bool,
}

/// One agent, as others see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AgentView {
    /// It is connected (else it is silent or gone).
    pub here: bool,
    /// What it lends now.
    pub budget: Budget,
    /// What is booked of that.
    pub booked: Amount,
    /// Its leases, the one that is expected to end first in front.
    pub leases: Vec<LeaseNumber>,
    /// It gets nothing before this time, since it failed items too fast; 0: it is not rested.
    pub rest_until_ms: Millis,
}

impl Scheduler {
    /// Items by state. `None`: there is no such run.
    pub fn counts(&self, run: RunId) -> Option<StateCounts> {
        Some(self.runs.get(&run)?.counts())
    }

    /// An item's state. `None`: there is no such item.
    pub fn state(&self, item: ItemId) -> Option<ItemState> {
        Some(self.item(item)?.phase.state())
    }

    /// `Action::Resolve` was asked for the item, all that it reads is finished, and the answer still counts. The look
    /// behind an answer takes a while: an item may be stopped meanwhile, or what it reads be opened again.
    pub fn awaits_resolution(&self, item: ItemId) -> bool {
        self.item(item).is_some_and(|entry| {
            matches!(entry.phase, Phase::Resolving | Phase::Leased) && !entry.resolved && entry.pending == 0
        })
    }

    /// The item's process succeeded, and its result is not on disk yet.
    pub fn is_settling(&self, item: ItemId) -> bool {
        self.item(item)
            .is_some_and(|entry| entry.phase == Phase::Settling)
    }

    /// The estimate that counts for an unfinished item.
    pub fn estimate(&self, item: ItemId) -> Option<Estimate> {
        let run = self.runs.get(&item.run)?;
        let entry = run.get(item.index)?;
        Some(Estimate {
            need: entry.need,
            elapsed_ms: Some(run.expected_ms(item.index)),
        })
    }

    /// A lease that has not ended.
    pub fn lease(&self, lease: LeaseNumber) -> Option<LeaseView> {
        let lease = self.leases.get(&lease)?;
        Some(LeaseView {
            item: lease.item,
            agent: lease.agent,
            attempt: lease.attempt,
            need: lease.need,
            started_ms: lease.started_ms,
            expected_ms: lease.expected_ms,
            let_go: lease.let_go,
            freed: lease.freed_at_ms.is_some(),
        })
    }

    /// The lease under which an item runs.
    pub fn lease_of(&self, item: ItemId) -> Option<LeaseNumber> {
        self.item(item)
            .filter(|entry| entry.phase == Phase::Leased)
            .map(|entry| entry.lease)
    }

    /// An agent that was ever here.
    pub fn agent(&self, agent: AgentId) -> Option<AgentView> {
        self.fleet.get(agent).map(agent_view)
    }

    /// All agents that were ever here, by number.
    pub fn agents(&self) -> impl Iterator<Item = (AgentId, AgentView)> + '_ {
        self.fleet.iter().map(|(id, agent)| (id, agent_view(agent)))
    }

    /// When the run is expected to end, if nothing else is submitted: the work that is left over the cores and
    /// memory that are lent now, but never less than the longest path. `None`: no agent is here, or no such run.
    ///
    /// Beside other open runs of its priority the run is counted with its share of the cores.
    pub fn finish_estimate_ms(&self, run: RunId, now: Millis) -> Option<Millis> {
        let entry = self.runs.get(&run)?;
        if entry.unfinished() == 0 {
            return Some(now);
        }
        let lent = self
            .fleet
            .iter()
            .filter(|(_, agent)| agent.presence == Presence::Here && agent.budget.accepting)
            .map(|(_, agent)| agent.budget.lent);
        let lent = lent
            .filter(|lent| lent.millicores > 0)
            .fold(Work::default(), |sum, lent| sum.plus(Work::of(lent, 1)));
        if lent == Work::default() {
            return None;
        }
        let rivals = self
            .runs
            .values()
            .filter(|other| other.unfinished() > 0 && other.is_served() && other.priority == entry.priority);
        let shares: u64 = rivals
            .map(|other| u64::from(other.share))
            .sum::<u64>()
            .max(u64::from(entry.share));
        let done = self.leases_of(run).fold(Work::default(), |sum, lease| {
            let elapsed_ms = now.saturating_sub(lease.started_ms).min(lease.expected_ms);
            sum.plus(Work::of(lease.need, elapsed_ms))
        });
        let work = entry.remaining_work().minus(done).times(shares);
        let by_work = work.time_on(lent.times(u64::from(entry.share)));
        Some(now.saturating_add(by_work.max(self.longest_path_ms(run, now))))
    }

    /// The longest expected path that is left of a run, over items that run or are ready.
    fn longest_path_ms(&self, run: RunId, now: Millis) -> Millis {
        let Some(entry) = self.runs.get(&run) else {
            return 0;
        };
        let running = self.leases_of(run).filter_map(|lease| {
            let tail_ms = entry.get(lease.item.index)?.tail_ms;
            let end_ms = lease.started_ms.saturating_add(lease.expected_ms);
            Some(end_ms.saturating_sub(now).saturating_add(tail_ms))
        });
        let groups = entry.groups.values().map(|number| self.groups.get(*number));
        let ready = groups
            .filter(|group| group.live > 0)
            .filter_map(|group| group.first().map(|turn| entry.path_ms(turn.index.0)));
        running.chain(ready).max().unwrap_or(0)
    }

    fn leases_of(&self, run: RunId) -> impl Iterator<Item = &super::lease::Lease> {
        self.leases
            .values()
            .filter(move |lease| lease.item.run == run && !lease.let_go)
    }
}

fn agent_view(agent: &Agent) -> AgentView {
    AgentView {
        here: agent.presence == Presence::Here,
        budget: agent.budget,
        booked: agent.booked,
        leases: agent.held.iter().map(|held| held.lease).collect(),
        rest_until_ms: agent.rest_until_ms,
    }
}

/// Bytes that the scheduler keeps for each item of a run beside its edges, in line and with its key: the item
/// itself, its places in the two edge lists, its place in line, and its key's entry.
pub fn bytes_per_item() -> usize {
    use std::mem::size_of;
    size_of::<super::run::Item>()
        + 2 * size_of::<u32>()
        + size_of::<super::group::Turn>()
        // Nodes of the ordered map are at least half full.
        + 2 * (size_of::<super::KeyId>() + size_of::<ItemId>())
}

#[cfg(test)]
mod tests {
    #[test]
    fn an_item_stays_well_under_300_bytes() {
        assert!(super::bytes_per_item() < 260, "{}", super::bytes_per_item());
    }
}
