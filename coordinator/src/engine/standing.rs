//! What a forecast has to know of the present: who lends what when, and how far open runs are.

use std::collections::HashMap;
use std::sync::Arc;

use tidemill_proto::RunName;
use tidemill_proto::v1::Report;

use super::Engine;
use super::agents::{Agent, Possession};
use super::board::RunBoard;
use super::clock::now_ms;
use super::event::Reply;
use super::live::LeaseState;
use crate::scheduler::simulate::SimulatedAgent;
use crate::scheduler::{Budget, Millis};

/// The present.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// Agents that are here, by name, with what they lend from now on.
    pub agents: Vec<(String, SimulatedAgent)>,
    /// What each of them has.
    pub possessions: Vec<Possession>,
    /// Open runs.
    pub runs: Vec<RunStanding>,
}

/// How far an open run is.
#[derive(Debug, Clone)]
pub struct RunStanding {
    /// Its name.
    pub name: RunName,
    /// Its items.
    pub board: Arc<RunBoard>,
    /// Exact versions by the tool's name.
    pub tools: Arc<HashMap<String, String>>,
    /// Its ready items are held back.
    pub paused: bool,
    /// Its priority beside the others.
    pub priority: i32,
    /// Its share beside others of its priority; 0 counts as 1.
    pub share: u32,
    /// For how long items have run.
    pub running: HashMap<u32, Millis>,
}

impl Engine {
    pub(super) fn standing(&self, reply: Reply<Standing>) {
        let now = now_ms();
        let here = self.agents.iter().filter(|(_, agent)| agent.link.is_some());
        let agents = here.filter_map(|(id, agent)| {
            let (spec, budget) = (self.agents.spec(id)?, self.agents.budget(id)?);
            let budgets = timetable(agent, budget, now);
            let simulated = SimulatedAgent { spec, budgets };
            Some(((agent.hello.name.clone(), simulated), self.agents.possession(id)?))
        });
        let (agents, possessions) = agents.unzip();
        let runs = self.runs.iter().map(|(id, run)| RunStanding {
            name: run.board.facts().run.clone(),
            board: Arc::clone(&run.board),
            tools: Arc::clone(&run.tools),
            paused: run.board.moves().paused,
            priority: run.board.moves().priority,
            share: run.board.moves().share,
            running: self
                .leases
                .values()
                .filter(|lease| lease.item.run == *id && lease.state != LeaseState::Lost)
                .map(|lease| {
                    let ran_ms = u64::try_from(now - lease.started_ms).unwrap_or(0);
                    (lease.item.index, ran_ms)
                })
                .collect(),
        });
        let mut standing = Standing {
            agents,
            possessions,
            runs: runs.collect(),
        };
        standing.runs.sort_unstable_by_key(|run| run.board.facts().serial);
        // Whoever asked may have gone.
        let _ = reply.send(Ok(standing));
    }
}

/// What an agent lends from now on, by the hours that it told.
fn timetable(agent: &Agent, budget: Budget, now: i64) -> Vec<(Millis, Budget)> {
    let Report { lends_ahead, .. } = &agent.report;
    if lends_ahead.is_empty() {
        return vec![(0, budget)];
    }
    let passed_ms = u64::try_from(now - agent.seen_ms).unwrap_or(0);
    let mut budgets = vec![(
        0,
        Budget {
            accepting: false,
            lends_until_ms: None,
            ..budget
        },
    )];
    for span in lends_ahead {
        let from_ms = span.from_in_ms.saturating_sub(passed_ms);
        let to_ms = span.to_in_ms.saturating_sub(passed_ms);
        let lends = |accepting, lends_until_ms| Budget {
            accepting,
            lends_until_ms,
            ..budget
        };
        if from_ms == 0 {
            budgets.clear();
        }
        budgets.push((from_ms, lends(from_ms > 0 || budget.accepting, Some(to_ms))));
        budgets.push((to_ms, lends(false, None)));
    }
    budgets
}
