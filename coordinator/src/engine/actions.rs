//! Carries out what the scheduler decides.

use tidemill_proto::v1::{End, ItemState, ToolVersion, source, to_agent};
use tidemill_proto::v1::{Item, StagedInput, Start};
use tidemill_proto::{Digest, LeaseId};

use super::clock::now_ms;
use super::commit::{Rows, Shown, Ticket};
use super::inputs::is_folder;
use super::live::{Lease, LeaseState, LiveRun};
use super::plan::tool_of;
use super::{Engine, rows};
use crate::record::rows::AttemptRecord;
use crate::record::{CommitError, keys, pack};
use crate::scheduler::{Action, AgentId, Amount, EndReason, Event, ItemId, LeaseNumber, Outcome, Reason};

impl Engine {
    pub(super) fn perform(&mut self, action: Action) {
        match action {
            Action::Resolve { item } => self.unresolved.push_back(item),
            Action::Changed { item, state } => self.changed(item, state),
            Action::Lease {
                lease,
                item,
                agent,
                attempt: _,
                need,
            } => self.lease(lease, item, agent, need),
            Action::End { lease, agent, why } => self.end(lease, agent, why),
            Action::Conclude { item, state, reason } => self.conclude(item, state, reason),
            Action::ReusedFrom { item, from } => self.reused_from(item, from),
            Action::Adopted {
                lease,
                item: _,
                agent: _,
            } => self.just_adopted = Some(lease),
            Action::NotAdopted { item: _, agent: _ } => self.just_adopted = None,
            Action::RunEnded { run } => self.end_run(run),
            Action::StepHeld { run, step } => {
                if let Some(run) = self.runs.get_mut(&run) {
                    run.held_steps.insert(step);
                }
            }
            Action::StepReleased { run, step } => {
                if let Some(run) = self.runs.get_mut(&run) {
                    run.held_steps.remove(&step);
                }
            }
            Action::Rested { agent, until_ms } => {
                let agent = self.agent_name(agent);
                tracing::warn!(%agent, until_ms, "an agent failed items too fast and gets nothing for a while");
            }
            Action::Slow {
                lease: _,
                item,
                elapsed_ms,
                expected_ms,
            } => {
                self.remark_slow(item, elapsed_ms, expected_ms);
            }
        }
    }

    /// `run/item`, for people.
    pub(super) fn address(&self, item: ItemId) -> String {
        let run = self.runs.get(&item.run);
        run.map_or_else(String::new, |run| {
            format!("{}/{}", run.label, run.board.plan().address(item.index))
        })
    }

    /// People see it beside the item for as long as it runs.
    fn remark_slow(&self, item: ItemId, elapsed_ms: u64, expected_ms: u64) {
        let address = self.address(item);
        tracing::warn!(item = %address, elapsed_ms, expected_ms, "an item runs much longer than expected");
        let Some(run) = self.runs.get(&item.run) else {
            return;
        };
        let remark = format!(
            "slow: it has run for {} s, and {} s were expected",
            elapsed_ms / 1000,
            expected_ms.div_ceil(1000)
        );
        run.board.change(item.index, now_ms(), |cell| {
            if cell.state == ItemState::Running {
                cell.reason = Some(remark.into());
            }
        });
    }

    fn changed(&mut self, item: ItemId, state: ItemState) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        run.decided.remove(&item.index);
        run.board.change(item.index, now_ms(), |cell| {
            cell.state = state;
            cell.reason = None;
            cell.outputs = None;
        });
    }

    fn lease(&mut self, number: LeaseNumber, item: ItemId, agent: AgentId, need: Amount) {
        let attempts = self
            .active(item)
            .map_or(0, |active| active.attempts().last().map_or(0, |last| last.number));
        let now = now_ms();
        let lease = Lease {
            number,
            item,
            agent,
            wire: LeaseId {
                start: self.start,
                number: number.0,
            },
            attempt: attempts + 1,
            need,
            started_ms: now,
            state: LeaseState::Running,
        };
        let name = self.agent_name(agent);
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        run.board.change(item.index, now, |cell| {
            cell.state = ItemState::Running;
            cell.attempts = lease.attempt;
            cell.agent = Some(name);
            cell.reason = None;
        });
        let started = start_message(run, &lease);
        self.logs.begin(run.log_place(item.index), lease.attempt);
        self.leases.insert(number, lease);
        match started {
            Ok(start) => {
                let inputs = start.inputs.iter().map(|input| input.digest.as_slice());
                self.note_whereabouts(agent, inputs);
                self.agents.send(agent, to_agent::Message::Start(start));
            }
            Err(reason) => {
                tracing::error!(%reason, "an item cannot be started");
                self.pending.push_back(Event::Ended {
                    lease: number,
                    outcome: Outcome::Machine,
                });
            }
        }
    }

    /// An agent that fetches what it reads has these blobs now, or soon. Of one that reads the store itself all are as near.
    pub(super) fn note_whereabouts<'a>(&mut self, agent: AgentId, digests: impl Iterator<Item = &'a [u8]>) {
        if self.agents.get(agent).is_some_and(|agent| agent.report.fetches) {
            for digest in digests.filter_map(|digest| Digest::from_slice(digest).ok()) {
                self.whereabouts.note(digest, agent);
            }
        }
    }

    fn end(&mut self, lease: LeaseNumber, agent: AgentId, why: EndReason) {
        let Some(kept) = self.leases.get(&lease) else {
            return;
        };
        let reason = match why {
            EndReason::Stopped => "the run was stopped",
            EndReason::Superseded => "the item has a result from elsewhere",
        };
        let end = End {
            lease: kept.wire.to_string(),
            reason: reason.to_owned(),
        };
        self.agents.send(agent, to_agent::Message::End(end));
    }

    /// The item has an outcome without a result.
    fn conclude(&mut self, item: ItemId, state: ItemState, reason: Reason) {
        let attempts = self
            .active(item)
            .map(|active| active.attempts().to_vec())
            .unwrap_or_default();
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let text = sentence(run, item, reason, &attempts);
        run.decided.insert(item.index, state);
        let blobs: Vec<Digest> = attempts
            .last()
            .and_then(|last| Digest::from_slice(&last.log).ok())
            .into_iter()
            .collect();
        let active = run.active.remove(&item.index);
        let mut row = rows::item_record(state, &text, attempts, now_ms());
        row.key = active
            .and_then(|active| active.key)
            .map(|key| key.0.to_vec())
            .unwrap_or_default();
        let mut to_disk = Rows::with_blobs(blobs);
        to_disk.add(pack::put(
            keys::item(run.record.serial, item.index),
            &row,
            &self.archive.store,
        ));
        self.logs.end(&run.log_place(item.index));
        let shown = Shown {
            item,
            state,
            reason: text,
        };
        self.commit(to_disk, Ticket::Show(Box::new(shown)));
    }

    /// An outcome is on disk: people may see it.
    pub(super) fn show(&mut self, shown: Shown, outcome: Result<(), CommitError>) {
        let Shown { item, state, reason } = shown;
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        if let Err(error) = outcome {
            // What is not on disk is not shown; the run stays open and says why.
            run.trouble = Some(format!("an outcome cannot be recorded: {error}"));
            return;
        }
        if run.decided.remove(&item.index).is_none() {
            return; // opened again meanwhile
        }
        run.board.change(item.index, now_ms(), |cell| {
            cell.state = state;
            cell.reason = (!reason.is_empty()).then(|| reason.into());
            cell.outputs = None;
        });
    }
}

/// Why an item has no result, in words.
fn sentence(run: &LiveRun, item: ItemId, reason: Reason, attempts: &[AttemptRecord]) -> String {
    let last = attempts
        .last()
        .map(|last| last.reason.as_str())
        .unwrap_or_default();
    let with_last = |text: String| {
        if last.is_empty() {
            text
        } else {
            format!("{text}: {last}")
        }
    };
    match reason {
        Reason::Attempts { failures: 0 | 1 } => {
            if last.is_empty() {
                "its program failed".to_owned()
            } else {
                last.to_owned()
            }
        }
        Reason::Attempts { failures } => with_last(format!("failed {failures} times")),
        Reason::OverMemory {
            booked_bytes,
            largest_bytes,
        } => format!(
            "needs more memory than it can get: it outgrew {}, the largest agent lends {}",
            mebibytes(booked_bytes),
            mebibytes(largest_bytes)
        ),
        Reason::Machine { times } => with_last(format!("the machines failed it {times} times")),
        Reason::TookDownAgents => "two agents went down while it ran; it is not tried on a third".to_owned(),
        Reason::Unresolved => {
            let failure = run
                .active
                .get(&item.index)
                .and_then(|active| active.failure().map(str::to_owned));
            failure.unwrap_or_else(|| "it cannot run".to_owned())
        }
        Reason::Upstream { index } => {
            let plan = run.board.plan();
            let did = match run.known_state(index) {
                ItemState::Failed => "failed",
                ItemState::CutOff => "was cut off",
                ItemState::Stopped => "was stopped",
                _ => "has no result",
            };
            format!("{} {did}", plan.address(index))
        }
        Reason::StepHeld { failures } => {
            format!("not tried: {failures} items of its step failed and none succeeded")
        }
        Reason::Stopped => "stopped by a person".to_owned(),
    }
}

fn mebibytes(bytes: u64) -> String {
    format!("{} MiB", bytes.div_ceil(1024 * 1024))
}

/// What an agent has to know to run an item.
fn start_message(run: &LiveRun, lease: &Lease) -> Result<Start, String> {
    let plan = run.board.plan();
    let item = plan.item(lease.item.index).map_err(|error| error.to_string())?;
    let (inputs, missing) = staged_inputs(run, &item)?;
    let tools = tool_of(&item)
        .and_then(|name| {
            let exact = run.tools.get(name)?.clone();
            Some(ToolVersion {
                name: name.to_owned(),
                exact,
            })
        })
        .into_iter()
        .collect();
    Ok(Start {
        lease: lease.wire.to_string(),
        inputs,
        memory_limit_bytes: lease.need.memory_bytes,
        millicores: lease.need.millicores,
        tags: plan.tags.clone(),
        tools,
        missing,
        attempt: lease.attempt,
        run: run.label.to_string(),
        estimate_memory_bytes: lease.need.memory_bytes,
        program: tool_of(&item)
            .and_then(|name| plan.tools.iter().find(|tool| tool.name == name))
            .map(|tool| tool.program.clone())
            .unwrap_or_default(),
        item: Some(item),
    })
}

/// Inputs with their digests, and the labels of sources that have no result.
fn staged_inputs(run: &LiveRun, item: &Item) -> Result<(Vec<StagedInput>, Vec<String>), String> {
    let plan = run.board.plan();
    let (mut inputs, mut missing) = (Vec::new(), Vec::new());
    for input in &item.inputs {
        for (index, source) in input.sources.iter().enumerate() {
            let mut staged = StagedInput {
                input: input.name.clone(),
                index: index as u32,
                label: source.label.clone(),
                extension: source.extension.clone(),
                ..StagedInput::default()
            };
            match source.from.as_ref() {
                Some(source::From::File(file)) => {
                    staged.digest.clone_from(&file.digest);
                    staged.size = file.size;
                    staged.folder = is_folder(file);
                    staged.companions.clone_from(&file.companions);
                }
                Some(source::From::Edge(edge)) => {
                    let maker = plan.item(edge.item).map_err(|error| error.to_string())?;
                    let position = maker.outputs.iter().position(|output| output.name == edge.output);
                    let position = position.ok_or_else(|| format!("{} has no such output", maker.address))?;
                    let made = run.board.outputs(edge.item);
                    let Some((digest, size)) = made.as_ref().and_then(|made| made.get(position)) else {
                        if !run.has_finished(edge.item) {
                            return Err(format!("{} is being made again", maker.address));
                        }
                        missing.push(source.label.clone());
                        continue;
                    };
                    staged.digest = digest.to_vec();
                    staged.size = *size;
                    staged.folder = maker.outputs[position].folder;
                }
                None => return Err(format!("the input {} has a source without origin", input.name)),
            }
            inputs.push(staged);
        }
    }
    Ok((inputs, missing))
}
