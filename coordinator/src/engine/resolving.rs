//! From "its inputs are known" to "reused", "has to run here" or "cannot run": keys, results, requirements,
//! estimates; and which exact version of each tool a run gets.

use std::collections::HashMap;
use std::sync::Arc;

use tidemill_proto::Digest;
use tidemill_proto::v1::{ItemState, Tool};

use super::agents::Requirement;
use super::board::Outputs;
use super::clock::now_ms;
use super::event::{LiveEntry, Reply};
use super::live::Active;
use super::lookup::{self, Answer, Earlier, Question, sum_of};
use super::tools::Choice;
use super::{Engine, Fixing, rows};
use crate::record::rows::ItemReference;
use crate::record::{keys, pack};
use crate::scheduler::{self, Event, ItemId, KeyId, RequirementId, Resolution, RunId};

impl Engine {
    /// Looks up at most `limit` of the items whose inputs are known.
    pub(super) fn resolve_some(&mut self, limit: usize) {
        for _ in 0..limit {
            let Some(item) = self.unresolved.pop_front() else {
                return;
            };
            self.looked_up += 1;
            self.resolve(item);
        }
    }

    fn resolve(&mut self, item: ItemId) {
        // It may have been stopped while it waited for its turn, or for a tool's version; or what it reads is being
        // made again, and it is asked for once more after that.
        if !self.scheduler.awaits_resolution(item) {
            return;
        }
        let Some(answer) = self.look(item) else { return };
        let resolution = match answer {
            Answer::Reused {
                key,
                outputs,
                made_by,
            } => {
                self.reused(item, key, outputs, made_by);
                Resolution::Reused
            }
            Answer::Run {
                key,
                requirement,
                inputs,
                earlier,
            } => self.runs_with(item, key, requirement, &inputs, earlier),
            Answer::NeedsTool(tool) => {
                if let Some(run) = self.runs.get_mut(&item.run) {
                    run.wants_tool.entry(tool).or_default().push(item.index);
                }
                self.fix_versions(item.run);
                return;
            }
            Answer::Broken(reason) => self.cannot_run(item, reason),
        };
        self.step(Event::Resolved { item, resolution });
    }

    /// Computes an item's key and looks for its result; `None` if its run is gone.
    pub(super) fn look(&self, item: ItemId) -> Option<Answer> {
        let run = self.runs.get(&item.run)?;
        let question = Question {
            index: item.index,
            board: &run.board,
            tools: &run.tools,
            anew: run.anew.contains(&item.index),
        };
        Some(lookup::look(&self.archive, &question))
    }

    /// What is kept of an item in work; attempts of earlier lives of the run come from the record.
    pub(super) fn active(&mut self, item: ItemId) -> Option<&mut Active> {
        let run = self.runs.get_mut(&item.run)?;
        let known = run.board.cell(item.index).is_some_and(|cell| cell.attempts > 0);
        let (archive, serial) = (&self.archive, run.record.serial);
        Some(run.active.entry(item.index).or_insert_with(|| {
            let attempts = match known.then(|| archive.item(serial, item.index)).transpose() {
                Ok(row) => row.flatten().map(|row| row.attempts).unwrap_or_default(),
                Err(error) => {
                    tracing::error!(%error, "the earlier attempts of an item cannot be read");
                    Vec::new()
                }
            };
            Active::with_attempts(attempts)
        }))
    }

    /// Remembers why an item cannot run.
    fn cannot_run(&mut self, item: ItemId, reason: String) -> Resolution {
        if let Some(active) = self.active(item) {
            active.set_failure(reason);
        }
        Resolution::Failed
    }

    fn runs_with(
        &mut self,
        item: ItemId,
        key: tidemill_proto::Key,
        requirement: Requirement,
        inputs: &[(Digest, u64)],
        earlier: Option<Earlier>,
    ) -> Resolution {
        let input_bytes = sum_of(inputs);
        let tool = requirement.tool.as_ref().map(|(_, exact)| exact.clone());
        let requirement = self.requirement(requirement);
        if let Some(active) = self.active(item) {
            active.key = Some(key);
            active.input_bytes = input_bytes;
            active.set_earlier(earlier);
        }
        let Some(estimate) = self.estimate(item, input_bytes, tool.as_deref()) else {
            return self.cannot_run(item, "its entry in the plan is damaged".to_owned());
        };
        Resolution::Run {
            key: KeyId::from_key_bytes(key.0.as_bytes()),
            estimate,
            requirement,
            near: self.whereabouts.nearest(inputs),
        }
    }

    /// The number of a requirement; a new one is told to the scheduler, agent by agent.
    pub(super) fn requirement(&mut self, requirement: Requirement) -> RequirementId {
        let (number, new) = self.agents.requirement(requirement.clone());
        if new {
            let here: Vec<scheduler::AgentId> = self.agents.iter().map(|(id, _)| id).collect();
            for agent in here {
                let satisfied = self.agents.satisfies(agent, &requirement);
                self.step(Event::AgentSatisfies {
                    agent,
                    requirement: number,
                    satisfied,
                });
            }
        }
        number
    }

    /// The item has a result already: show it, and let the row ride along.
    fn reused(
        &mut self,
        item: ItemId,
        key: tidemill_proto::Key,
        outputs: Outputs,
        made_by: Option<ItemReference>,
    ) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let known = run.board.cell(item.index).is_some_and(|cell| cell.attempts > 0);
        let earlier = if known {
            self.active(item).map(|active| active.attempts().to_vec())
        } else {
            None
        };
        let attempts = earlier.unwrap_or_default();
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        run.active.remove(&item.index);
        let now = now_ms();
        let mut row = rows::item_record(ItemState::Reused, "", attempts, now);
        row.key = key.0.to_vec();
        row.reused_from = made_by;
        if let Ok(planned) = run.board.plan().item(item.index) {
            row.outputs = rows::output_records(&planned, &outputs, &HashMap::new());
        }
        self.riding.add(pack::put(
            keys::item(run.record.serial, item.index),
            &row,
            &self.archive.store,
        ));
        run.board.change(item.index, now, |cell| {
            cell.state = ItemState::Reused;
            cell.reason = None;
            cell.outputs = Some(outputs);
        });
    }

    /// The item has the same key as `from`, which is done.
    pub(super) fn reused_from(&mut self, item: ItemId, from: ItemId) {
        let source = self.runs.get(&from.run).and_then(|run| {
            let outputs = run.board.outputs(from.index)?;
            let made_by = ItemReference {
                run_serial: run.record.serial,
                index: from.index,
            };
            Some((in_order_of(run.board.plan(), from.index, outputs), made_by))
        });
        let key = self
            .runs
            .get(&item.run)
            .and_then(|run| run.active.get(&item.index)?.key);
        let (Some((by_name, made_by)), Some(key)) = (source, key) else {
            tracing::error!(
                ?item,
                ?from,
                "an item that waited for its double cannot find the result"
            );
            return;
        };
        let planned = self
            .runs
            .get(&item.run)
            .and_then(|run| run.board.plan().item(item.index).ok());
        let outputs: Option<Vec<_>> = planned.map(|planned| {
            planned
                .outputs
                .iter()
                .filter_map(|output| by_name.get(&output.name).copied())
                .collect()
        });
        self.reused(item, key, outputs.unwrap_or_default().into(), Some(made_by));
    }

    /// Fixes the versions that a run waits for, where that is possible now.
    pub(super) fn fix_versions(&mut self, id: RunId) {
        let now = now_ms();
        let patience = self.patience_ms();
        let Some(run) = self.runs.get_mut(&id) else { return };
        let mut fixed = Vec::new();
        let mut note = None;
        for (name, _) in run.wants_tool.iter() {
            let Some(tool) = run.board.plan().tools.iter().find(|tool| tool.name == *name) else {
                continue;
            };
            match self
                .agents
                .tools
                .choose(&tool.program, &tool.version, now, patience)
            {
                Choice::Exact(exact) => fixed.push((name.clone(), exact)),
                Choice::Pending => {}
                Choice::Nowhere(text) => note = Some(text),
            }
        }
        run.tool_note = note;
        if fixed.is_empty() {
            return;
        }
        let mut tools = (*run.tools).clone();
        for (name, exact) in fixed {
            let waiting = run.wants_tool.remove(&name).unwrap_or_default();
            self.unresolved
                .extend(waiting.into_iter().map(|index| ItemId { run: id, index }));
            tools.insert(name, exact);
        }
        run.tools = Arc::new(tools);
        run.record.tools = rows::fixed_tools(&run.tools);
        let row = pack::put(keys::run(run.record.serial), &run.record, &self.archive.store);
        // Before any item that depends on it: rows keep their order.
        self.riding.add(row);
        self.publish_live(id);
    }

    /// How long questions to agents are waited for.
    fn patience_ms(&self) -> i64 {
        i64::try_from(self.config.tool_answer_wait.as_millis()).unwrap_or(i64::MAX)
    }

    /// Lets queries see a run and its tools.
    pub(super) fn publish_live(&self, id: RunId) {
        if let Some(run) = self.runs.get(&id) {
            let entry = LiveEntry {
                board: run.board.clone(),
                tools: run.tools.clone(),
            };
            let mut live = self
                .live
                .write()
                .unwrap_or_else(std::sync::PoisonError::into_inner);
            live.insert(run.board.facts().run.clone(), entry);
        }
    }

    /// Asks agents for the versions of `tools`.
    pub(super) fn ask_for_tools(&mut self, tools: &[Tool]) {
        let now = now_ms();
        for tool in tools {
            self.agents.ask_for(&tool.program, now);
        }
    }

    pub(super) fn fix_tools(&mut self, tools: Vec<Tool>, reply: Reply<HashMap<String, String>>) {
        self.ask_for_tools(&tools);
        self.fixing.push(Fixing { tools, reply });
        self.answer_fixing();
    }

    /// Answers those who wait for versions, once no agent is waited for any more.
    pub(super) fn answer_fixing(&mut self) {
        let (now, patience) = (now_ms(), self.patience_ms());
        for fixing in std::mem::take(&mut self.fixing) {
            let mut found = HashMap::new();
            let mut pending = false;
            for tool in &fixing.tools {
                match self
                    .agents
                    .tools
                    .choose(&tool.program, &tool.version, now, patience)
                {
                    Choice::Exact(exact) => {
                        found.insert(tool.name.clone(), exact);
                    }
                    Choice::Pending => pending = true,
                    Choice::Nowhere(_) => {}
                }
            }
            if pending {
                self.fixing.push(fixing);
            } else {
                // Whoever asked may have gone.
                let _ = fixing.reply.send(Ok(found));
            }
        }
    }
}

/// What an item made, by the names that it declared.
fn in_order_of(
    plan: &super::plan::KeptPlan,
    index: u32,
    outputs: Outputs,
) -> HashMap<String, (tidemill_proto::Digest, u64)> {
    let names = plan.item(index).map(|item| item.outputs).unwrap_or_default();
    names
        .into_iter()
        .map(|output| output.name)
        .zip(outputs.iter().copied())
        .collect()
}
