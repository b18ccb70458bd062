//! A scheduler driven by hand.

use tidemill_proto::v1::ItemState;

use super::*;

/// A scheduler with one run and a few agents, driven by hand.
pub(super) struct Bench {
    pub(super) scheduler: Scheduler,
    pub(super) now: Millis,
    pub(super) actions: Vec<Action>,
}

pub(super) const RUN: RunId = RunId(0);

pub(super) fn item(index: u32) -> ItemId {
    ItemId { run: RUN, index }
}

pub(super) fn item_spec(need: Amount, expected_ms: Millis) -> ItemSpec {
    ItemSpec {
        need,
        expected_ms: Some(expected_ms),
        ..ItemSpec::default()
    }
}

pub(super) fn run_spec(run: RunId, items: Vec<ItemSpec>) -> RunSpec {
    RunSpec {
        run,
        items,
        settled: Vec::new(),
        share: 1,
        priority: 0,
        paused: false,
    }
}

impl Bench {
    pub(super) fn new(agents: &[Amount]) -> Self {
        let mut bench = Self {
            scheduler: Scheduler::default(),
            now: 0,
            actions: Vec::new(),
        };
        for (number, lent) in agents.iter().enumerate() {
            bench.join(number as u32, *lent, Vec::new(), true);
        }
        bench
    }

    pub(super) fn join(&mut self, agent: u32, lent: Amount, holds: Vec<LeaseNumber>, restarted: bool) {
        let spec = AgentSpec {
            most: lent,
            longest_lending_ms: None,
            satisfies: Vec::new(),
        };
        let agent = AgentId(agent);
        self.send(Event::AgentJoined {
            agent,
            spec,
            budget: budget(lent),
            holds,
            restarted,
        });
    }

    /// Sends an event, and gives back what is to be done because of it.
    pub(super) fn send(&mut self, event: Event) -> Vec<Action> {
        let before = self.actions.len();
        self.scheduler.step(self.now, event, &mut self.actions);
        self.actions[before..].to_vec()
    }

    /// Adds a run and answers every question about it, each item with a key of its own unless it is given.
    pub(super) fn add(&mut self, spec: RunSpec, key_of: impl Fn(u32) -> u128) -> Vec<Action> {
        let items = spec.items.clone();
        let actions = self.send(Event::RunAdded(spec));
        self.answer(actions, &items, key_of)
    }

    pub(super) fn answer(
        &mut self,
        actions: Vec<Action>,
        items: &[ItemSpec],
        key_of: impl Fn(u32) -> u128,
    ) -> Vec<Action> {
        let mut seen = actions;
        let mut at = 0;
        while let Some(action) = seen.get(at).cloned() {
            at += 1;
            if let Action::Resolve { item } = action {
                let spec = &items[item.index as usize];
                let resolution = Resolution::Run {
                    key: KeyId(key_of(item.index)),
                    estimate: Estimate {
                        need: spec.need,
                        elapsed_ms: spec.expected_ms,
                    },
                    requirement: RequirementId::NONE,
                    near: Box::default(),
                };
                seen.extend(self.send(Event::Resolved { item, resolution }));
            }
        }
        seen
    }

    pub(super) fn state(&self, index: u32) -> ItemState {
        self.scheduler.state(item(index)).unwrap()
    }

    pub(super) fn lease(&self, index: u32) -> LeaseNumber {
        self.scheduler
            .lease_of(item(index))
            .unwrap_or_else(|| panic!("{index} has no lease"))
    }

    pub(super) fn end(&mut self, index: u32, outcome: Outcome) -> Vec<Action> {
        let lease = self.lease(index);
        self.send(Event::Ended { lease, outcome })
    }

    pub(super) fn done(&mut self, index: u32) -> Vec<Action> {
        let mut actions = self.end(index, Outcome::Success);
        actions.extend(self.send(Event::Settled { item: item(index) }));
        actions
    }

    pub(super) fn report(&mut self, agent: u32) -> Vec<Action> {
        let agent = AgentId(agent);
        let budget = self.scheduler.agent(agent).unwrap().budget;
        self.send(Event::AgentBudget { agent, budget })
    }
}

pub(super) fn conclusions(actions: &[Action]) -> Vec<(u32, ItemState, Reason)> {
    let concluded = |action: &Action| match action {
        Action::Conclude { item, state, reason } => Some((item.index, *state, *reason)),
        _ => None,
    };
    actions.iter().filter_map(concluded).collect()
}

pub(super) fn leased(actions: &[Action]) -> Vec<u32> {
    let lease = |action: &Action| match action {
        Action::Lease { item, .. } => Some(item.index),
        _ => None,
    };
    actions.iter().filter_map(lease).collect()
}
