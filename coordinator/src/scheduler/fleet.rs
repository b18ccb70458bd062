//! All agents, and which of them have gained room since the last look.

use super::agent::{Agent, Presence};
use super::ids::{AgentId, Millis, RequirementId};
use super::spec::Amount;

/// All agents that were ever here, by number.
#[derive(Debug, Default)]
pub(super) struct Fleet {
    agents: Vec<Agent>,
    /// What is free on each, beside one another: the only thing that most looks need.
    rooms: Vec<Amount>,
    /// Agents on which more may fit than at the last look.
    gained: Vec<AgentId>,
}

impl Fleet {
    pub(super) fn get(&self, agent: AgentId) -> Option<&Agent> {
        self.agents.get(agent.0 as usize)
    }

    /// Changes an agent and keeps its room in step.
    pub(super) fn change<T>(&mut self, agent: AgentId, change: impl FnOnce(&mut Agent) -> T) -> Option<T> {
        let entry = self.agents.get_mut(agent.0 as usize)?;
        let answer = change(entry);
        self.rooms[agent.0 as usize] = if entry.presence == Presence::Here {
            entry.room()
        } else {
            Amount::default()
        };
        Some(answer)
    }

    /// Makes a place for an agent that was never here.
    pub(super) fn admit(&mut self, agent: AgentId) {
        while self.agents.len() <= agent.0 as usize {
            self.agents.push(Agent::new());
            self.rooms.push(Amount::default());
        }
    }

    pub(super) fn mark_gained(&mut self, agent: AgentId) {
        if !self.gained.contains(&agent) {
            self.gained.push(agent);
        }
    }

    pub(super) fn gained(&self) -> &[AgentId] {
        &self.gained
    }

    pub(super) fn clear_gained(&mut self) {
        self.gained.clear();
    }

    pub(super) fn room(&self, agent: AgentId) -> Amount {
        self.rooms[agent.0 as usize]
    }

    /// Agents with room for `need`, in the order of their numbers.
    pub(super) fn with_room(&self, need: Amount) -> impl Iterator<Item = AgentId> {
        let numbered = self.rooms.iter().enumerate();
        numbered
            .filter(move |(_, room)| need.fits_in(**room))
            .map(|(number, _)| AgentId(number as u32))
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = (AgentId, &Agent)> {
        self.agents
            .iter()
            .enumerate()
            .map(|(number, agent)| (AgentId(number as u32), agent))
    }

    /// Whether an agent other than `but` could take such an item at some time.
    pub(super) fn another_could_hold(&self, but: AgentId, requirement: RequirementId, need: Amount) -> bool {
        self.iter()
            .any(|(id, agent)| id != but && agent.could_ever_hold(requirement, need))
    }

    /// Whether any agent could take such an item and end it within its lending hours.
    pub(super) fn any_could_finish(
        &self,
        requirement: RequirementId,
        need: Amount,
        elapsed_ms: Millis,
    ) -> bool {
        self.iter()
            .any(|(_, agent)| agent.could_ever_hold(requirement, need) && agent.could_ever_finish(elapsed_ms))
    }

    /// The most memory that any agent which could take an item of these cores ever lends; 0: there is none.
    /// Agents that are silent count, since they mostly come back; gone ones only where there is no other.
    pub(super) fn largest_memory(&self, requirement: RequirementId, millicores: u32) -> u64 {
        let able = |agent: &&Agent| agent.satisfies(requirement) && millicores <= agent.most.millicores;
        let largest = |gone: bool| {
            let asked = self
                .agents
                .iter()
                .filter(|agent| (agent.presence == Presence::Gone) == gone);
            asked
                .filter(able)
                .map(|agent| agent.most.memory_bytes)
                .max()
                .unwrap_or(0)
        };
        match largest(false) {
            0 => largest(true),
            largest => largest,
        }
    }
}
