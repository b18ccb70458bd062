//! Ends of attempts: from an agent's report to rows on disk, and from there to "done" and "you may forget it".

use std::collections::HashMap;

use tidemill_proto::v1::{Finished, Item, ItemState, Made, Settled, to_agent};
use tidemill_proto::{Digest, LeaseId, state};

use super::board::Outputs;
use super::clock::now_ms;
use super::commit::{Committed, Rows, Ticket};
use super::live::{Done, Lease, LeaseState};
use super::{Engine, rows};
use crate::estimate::Sample;
use crate::record::rows::{AttemptRecord, ItemReference, OutputRecord};
use crate::record::{CommitError, keys, pack};
use crate::scheduler::{AgentId, Event, ItemId, LeaseNumber, Outcome};

/// So often an item may lack inputs that are made again for it, before that counts as trouble of the machine.
const LACKING_LIMIT: usize = 25;

/// No more findings are kept of one failed attempt: rows stay short.
const MOST_FINDINGS: usize = 8;

/// What an agent says that an item made.
struct Reported {
    item: Item,
    /// In declared order.
    outputs: Outputs,
    /// Digests in outputs that are folders, by the output's name.
    parts: HashMap<String, Vec<u8>>,
}

impl Engine {
    /// The lease behind an id that an agent names, if it was given to that agent.
    pub(super) fn lease_of(&self, agent: AgentId, text: &str) -> Option<&Lease> {
        let wire: LeaseId = text.parse().ok()?;
        let number = match self.adopted.get(&wire) {
            Some(number) => *number,
            None if wire.start == self.start => LeaseNumber(wire.number),
            None => return None,
        };
        self.leases.get(&number).filter(|lease| lease.agent == agent)
    }

    pub(super) fn finished(&mut self, agent: AgentId, finished: Finished) {
        let Some(lease) = self.lease_of(agent, &finished.lease).cloned() else {
            return self.settle(agent, &finished.lease, false);
        };
        if lease.state == LeaseState::Reported {
            return; // said twice; the answer comes when the first is on disk
        }
        let late = lease.state == LeaseState::Lost;
        self.logs_end(lease.item);
        let has_result = !self.is_open(lease.item);
        if has_result || (late && finished.outcome != "done") {
            self.leases.remove(&lease.number);
            self.step(Event::Ended {
                lease: lease.number,
                outcome: Outcome::Stopped,
            });
            return self.settle(agent, &finished.lease, false);
        }
        if let Some(kept) = self.leases.get_mut(&lease.number) {
            kept.state = LeaseState::Reported;
        }
        if let Some(agent) = self.agents.get_mut(agent) {
            agent.finished += 1;
        }
        self.count_attempt(lease.item, &finished);
        if finished.outcome == "done" {
            let made = finished.outputs.iter().map(|made| made.digest.as_slice());
            self.note_whereabouts(agent, made);
            match self.outputs_of(lease.item, &finished) {
                Ok(reported) => return self.done(lease, reported, finished),
                Err(reason) => {
                    let finished = Finished {
                        outcome: "machine".to_owned(),
                        reason,
                        ..finished
                    };
                    return self.not_done(lease, finished);
                }
            }
        }
        self.not_done(lease, finished);
    }

    /// Whether an item can still take a result.
    fn is_open(&self, item: ItemId) -> bool {
        self.runs.get(&item.run).is_some_and(|run| {
            !run.decided.contains_key(&item.index) && !state::is_finished(run.board.state(item.index))
        })
    }

    fn count_attempt(&self, item: ItemId, finished: &Finished) {
        let Some(run) = self.runs.get(&item.run) else {
            return;
        };
        let measured = finished.measured.unwrap_or_default();
        run.board.move_run(|moves| {
            moves.attempts += 1;
            moves.cpu_ms += measured.user_ms + measured.system_ms;
        });
    }

    /// The reported outputs in declared order, with the parts of folders; else what is wrong with them.
    fn outputs_of(&self, item: ItemId, finished: &Finished) -> Result<Reported, String> {
        let run = self.runs.get(&item.run).ok_or("its run is gone")?;
        let planned = run
            .board
            .plan()
            .item(item.index)
            .map_err(|error| error.to_string())?;
        let made: HashMap<&str, &Made> = finished
            .outputs
            .iter()
            .map(|made| (made.name.as_str(), made))
            .collect();
        let mut outputs = Vec::with_capacity(planned.outputs.len());
        let mut parts = HashMap::new();
        for declared in &planned.outputs {
            let lacks = || format!("the agent reported success without the output {}", declared.name);
            let made = made.get(declared.name.as_str()).ok_or_else(lacks)?;
            let digest = Digest::from_slice(&made.digest).map_err(|error| error.to_string())?;
            outputs.push((digest, made.size));
            if !made.parts.is_empty() {
                parts.insert(declared.name.clone(), made.parts.concat());
            }
        }
        Ok(Reported {
            item: planned,
            outputs: outputs.into(),
            parts,
        })
    }

    /// A result: record it; the item is done when that is on disk.
    fn done(&mut self, lease: Lease, reported: Reported, finished: Finished) {
        let Reported { item, outputs, parts } = reported;
        self.step(Event::Ended {
            lease: lease.number,
            outcome: Outcome::Success,
        });
        let name = self.agent_name(lease.agent);
        let attempt = rows::attempt_record(
            &finished,
            lease.started_ms,
            lease.attempt,
            (&name, self.lent_memory_bytes(lease.agent)),
            false,
        );
        let remark = self.compare_with_earlier(lease.item, &item, &outputs);
        let log = Digest::from_slice(&finished.log).ok();
        let done = Done {
            lease,
            outputs,
            parts,
            attempt,
            remark,
            log,
        };
        self.commit_done(done, &item);
    }

    /// What to say when a step that ran in spite of a record made something else.
    fn compare_with_earlier(&mut self, id: ItemId, item: &Item, outputs: &Outputs) -> String {
        let Some(earlier) = self.active(id).and_then(|active| active.earlier().cloned()) else {
            return String::new();
        };
        let differ: Vec<&str> = item
            .outputs
            .iter()
            .zip(outputs.iter().zip(earlier.outputs.iter()))
            .filter(|(_, (now, before))| now.0 != before.0)
            .map(|(declared, _)| declared.name.as_str())
            .collect();
        if differ.is_empty() {
            return String::new();
        }
        let made_by = earlier
            .made_by
            .and_then(|made_by| self.archive.name_item(made_by).ok());
        let made_by = made_by.unwrap_or_else(|| "an earlier run".to_owned());
        format!(
            "this step is not repeatable: {} differs from what {made_by} made",
            differ.join(", ")
        )
    }

    fn commit_done(&mut self, done: Done, item: &Item) {
        let id = done.lease.item;
        let now = now_ms();
        let Some(active) = self.active(id) else { return };
        let mut attempts = active.attempts().to_vec();
        attempts.push(done.attempt.clone());
        let key = active.key;
        let Some(serial) = self.runs.get(&id.run).map(|run| run.record.serial) else {
            return;
        };
        let output_records = rows::output_records(item, &done.outputs, &done.parts);
        let mut blobs: Vec<Digest> = done.outputs.iter().map(|(digest, _)| *digest).collect();
        blobs.extend(done.parts.values().flat_map(|parts| rows::parts_of(parts)));
        blobs.extend(done.log);
        let mut row = rows::item_record(ItemState::Done, &done.remark, attempts, now);
        row.outputs = output_records.clone();
        row.key = key.map(|key| key.0.to_vec()).unwrap_or_default();
        for output in &mut row.outputs {
            output.parts.clear(); // the result's row has them
        }
        let mut to_disk = Rows::with_blobs(blobs);
        let store = &self.archive.store;
        to_disk.add(pack::put(keys::item(serial, id.index), &row, store));
        if let Some(key) = key {
            let made_by = ItemReference {
                run_serial: serial,
                index: id.index,
            };
            let not_repeatable = !done.remark.is_empty();
            let result = rows::result_record(output_records, made_by, &done.attempt, not_repeatable, now);
            to_disk.add(pack::put(keys::result(&key), &result, store));
        }
        self.commit(to_disk, Ticket::Result(Box::new(done)));
    }

    /// A result came back from the committer.
    pub(super) fn result_committed(&mut self, mut done: Done, outcome: Result<(), CommitError>) {
        let item = done.lease.item;
        match outcome {
            Ok(()) => {
                let lease = &done.lease;
                let name = self.agent_name(lease.agent);
                let input_bytes = self.active(item).map_or(0, |active| active.input_bytes);
                if let Some(measured) = done.attempt.measured {
                    self.learn(
                        item,
                        Sample {
                            input_bytes,
                            peak_memory_bytes: measured.peak_memory_bytes,
                            elapsed_ms: Some(measured.elapsed_ms),
                        },
                    );
                }
                if let Some(run) = self.runs.get_mut(&item.run) {
                    run.active.remove(&item.index);
                    run.decided.remove(&item.index);
                    run.anew.remove(&item.index);
                    let measured = done.attempt.measured.unwrap_or_default();
                    run.board.change(item.index, now_ms(), |cell| {
                        cell.state = ItemState::Done;
                        cell.attempts = lease.attempt;
                        cell.agent = Some(name);
                        cell.elapsed_ms = measured.elapsed_ms;
                        cell.peak_memory_bytes = measured.peak_memory_bytes;
                        cell.reason = (!done.remark.is_empty()).then(|| done.remark.as_str().into());
                        cell.outputs = Some(done.outputs.clone());
                    });
                }
                self.settle(lease.agent, &lease.wire.to_string(), true);
                self.forget_lease(lease.number);
                self.step(Event::Settled { item });
            }
            Err(CommitError::Missing(missing)) if done.log.is_some_and(|log| missing == [log]) => {
                // Only the log was lost: the result counts all the same.
                done.log = None;
                done.attempt.log.clear();
                let planned = self
                    .runs
                    .get(&item.run)
                    .and_then(|run| run.board.plan().item(item.index).ok());
                if let Some(planned) = planned {
                    self.commit_done(done, &planned);
                }
            }
            Err(error) => {
                tracing::warn!(%error, "a result could not be recorded; the item runs again");
                let reason = format!("its result could not be kept: {error}");
                let attempt = AttemptRecord {
                    outcome: "machine".to_owned(),
                    reason,
                    ..done.attempt
                };
                if let Some(active) = self.active(item) {
                    active.add_attempt(attempt);
                }
                self.settle(done.lease.agent, &done.lease.wire.to_string(), false);
                self.forget_lease(done.lease.number);
                self.step(Event::Unsettled { item });
            }
        }
    }

    /// An attempt without a result: record it, then let the agent forget it.
    fn not_done(&mut self, lease: Lease, mut finished: Finished) {
        let id = lease.item;
        let measured = finished.measured.unwrap_or_default();
        let outcome = match finished.outcome.as_str() {
            "over-memory" => Outcome::OverMemory {
                peak_bytes: measured.peak_memory_bytes,
            },
            "stopped" => Outcome::Stopped,
            "machine" => Outcome::Machine,
            _ => Outcome::Failed, // failed, over-time
        };
        let name = self.agent_name(lease.agent);
        let log = self.keep_log(&mut finished);
        if let Some(reason) = self.lost_files(id, &finished.lacking) {
            finished.reason = reason;
        }
        let planned = self
            .runs
            .get(&id.run)
            .and_then(|run| run.board.plan().item(id.index).ok());
        let findings = self.keep_findings(&finished);
        let mut attempt = rows::attempt_record(
            &finished,
            lease.started_ms,
            lease.attempt,
            (&name, self.lent_memory_bytes(lease.agent)),
            outcome.is_charged(),
        );
        attempt.findings = findings;
        let found = planned.map_or_else(Vec::new, |item| rows::findings_of(&attempt, &item));
        let blobs = attempt.findings.iter().map(|finding| &finding.digest);
        let blobs: Vec<Digest> = blobs
            .filter_map(|digest| Digest::from_slice(digest).ok())
            .chain(log)
            .collect();
        let mut input_bytes = 0;
        if let Some(active) = self.active(id) {
            active.add_attempt(attempt);
            input_bytes = active.input_bytes;
        }
        if let Some(run) = self.runs.get(&id.run) {
            run.board.change(id.index, now_ms(), |cell| {
                cell.attempts = lease.attempt;
                cell.agent = Some(name);
                cell.elapsed_ms = measured.elapsed_ms;
                cell.peak_memory_bytes = measured.peak_memory_bytes;
                cell.findings = found.into();
            });
        }
        if let Outcome::OverMemory { peak_bytes } = outcome {
            self.learn(
                id,
                Sample {
                    input_bytes,
                    peak_memory_bytes: peak_bytes,
                    elapsed_ms: None,
                },
            );
        }
        let lacking: Vec<Digest> = finished
            .lacking
            .iter()
            .filter_map(|bytes| Digest::from_slice(bytes).ok())
            .collect();
        // A lost input is nobody's fault: no retry and no trouble of the machine, but not without end either.
        let waits = self.make_again(id, &lacking);
        let outcome = if waits && outcome == Outcome::Machine && self.machine_attempts(id) <= LACKING_LIMIT {
            Outcome::HandedBack
        } else {
            outcome
        };
        self.step(Event::Ended {
            lease: lease.number,
            outcome,
        });
        // If that decided the item, its row is on its way already and has this attempt.
        let mut to_disk = Rows::with_blobs(blobs);
        if self.is_open(id) {
            self.add_open_row(id, &mut to_disk);
        }
        self.commit(to_disk, Ticket::Settle(lease.agent, lease.wire, lease.number));
    }

    /// Of blobs that an agent could not have, those that are files of the project: nobody can make them, so whoever has
    /// the project must be told.
    fn lost_files(&self, id: ItemId, lacking: &[Vec<u8>]) -> Option<String> {
        if lacking.is_empty() {
            return None;
        }
        let planned = self.runs.get(&id.run)?.board.plan().item(id.index).ok()?;
        let files = super::plan::files_named(&planned, lacking);
        (!files.is_empty()).then(|| {
            format!(
                "the store has lost {}; submit the manifest again from a folder that holds it, which puts it there",
                files.join(", ")
            )
        })
    }

    /// The row of an item that has attempts and no outcome yet.
    pub(super) fn add_open_row(&mut self, id: ItemId, to_disk: &mut Rows) {
        let Some(run) = self.runs.get(&id.run) else { return };
        let Some(active) = run.active.get(&id.index) else {
            return;
        };
        let mut row = rows::item_record(ItemState::Waiting, "", active.attempts().to_vec(), now_ms());
        row.key = active.key.map(|key| key.0.to_vec()).unwrap_or_default();
        to_disk.add(pack::put(
            keys::item(run.record.serial, id.index),
            &row,
            &self.archive.store,
        ));
    }

    /// The log's digest if its bytes are there; a failure must not be lost because its log was.
    fn keep_log(&self, finished: &mut Finished) -> Option<Digest> {
        let log = Digest::from_slice(&finished.log).ok()?;
        match self.archive.store.missing(&[log]) {
            Ok(missing) if missing.is_empty() => Some(log),
            _ => {
                finished.log.clear();
                None
            }
        }
    }

    /// What a failed attempt wrote all the same, as far as its bytes are there: a failure must not be lost because they are not.
    fn keep_findings(&self, finished: &Finished) -> Vec<OutputRecord> {
        let is_there = |made: &&Made| {
            let digest = Digest::from_slice(&made.digest);
            digest.is_ok_and(|digest| {
                let missing = self.archive.store.missing(&[digest]);
                missing.is_ok_and(|missing| missing.is_empty())
            })
        };
        let found = finished.outputs.iter().filter(|_| finished.outcome == "failed");
        found
            .filter(is_there)
            .take(MOST_FINDINGS)
            .map(|made| OutputRecord {
                name: made.name.clone(),
                digest: made.digest.clone(),
                size: made.size,
                parts: Vec::new(),
            })
            .collect()
    }

    /// How many attempts of an item ended because of the machine, a lost input among the reasons.
    fn machine_attempts(&mut self, id: ItemId) -> usize {
        self.active(id).map_or(0, |active| {
            let attempts = active.attempts().iter();
            attempts.filter(|attempt| attempt.outcome == "machine").count()
        })
    }

    /// Inputs that could not be had are made again by the items that made them. True if the item has to wait for
    /// any: for these, or for one that another item has missed before.
    fn make_again(&mut self, id: ItemId, lacking: &[Digest]) -> bool {
        if lacking.is_empty() {
            return false;
        }
        let Some(run) = self.runs.get(&id.run) else {
            return false;
        };
        let Ok(planned) = run.board.plan().item(id.index) else {
            return false;
        };
        let upstream = super::plan::upstream_indexes(&planned);
        let waits = upstream.iter().any(|index| !run.has_finished(*index));
        let makers: Vec<u32> = upstream
            .into_iter()
            .filter(|index| {
                let outputs = run.board.outputs(*index);
                outputs.is_some_and(|outputs| outputs.iter().any(|(digest, _)| lacking.contains(digest)))
            })
            .collect();
        if makers.is_empty() {
            return waits;
        }
        let now = now_ms();
        for index in &makers {
            run.board.change(*index, now, |cell| {
                cell.state = ItemState::Waiting;
                cell.reason = Some("its result was lost and is made again".into());
                cell.outputs = None;
            });
        }
        self.pending.push_back(Event::Reopen {
            run: id.run,
            items: makers,
        });
        true
    }

    /// Tells an agent that it may forget a result.
    pub(super) fn settle(&mut self, agent: AgentId, lease: &str, accepted: bool) {
        self.agents.send(
            agent,
            to_agent::Message::Settled(Settled {
                lease: lease.to_owned(),
                accepted,
            }),
        );
    }

    pub(super) fn forget_lease(&mut self, number: LeaseNumber) {
        if let Some(lease) = self.leases.remove(&number) {
            self.adopted.remove(&lease.wire);
        }
    }

    pub(super) fn logs_end(&self, item: ItemId) {
        if let Some(run) = self.runs.get(&item.run) {
            self.logs.end(&run.log_place(item.index));
        }
    }

    /// What an agent lends by its last report, in bytes.
    fn lent_memory_bytes(&self, agent: AgentId) -> u64 {
        self.agents
            .get(agent)
            .map_or(0, |agent| agent.report.memory_bytes)
    }

    pub(super) fn agent_name(&self, agent: AgentId) -> std::sync::Arc<str> {
        self.agents
            .get(agent)
            .map_or("", |agent| agent.hello.name.as_str())
            .into()
    }

    pub(super) fn committed(&mut self, committed: Committed) {
        let Committed { ticket, outcome } = committed;
        if let Err(error) = &outcome {
            tracing::error!(%error, "a change could not be recorded");
        }
        match ticket {
            Ticket::Submitted(run, name, reply) => self.submitted(*run, name, reply, outcome),
            Ticket::Result(done) => self.result_committed(*done, outcome),
            Ticket::Show(shown) => self.show(*shown, outcome),
            Ticket::Settle(agent, wire, number) => {
                self.settle(agent, &wire.to_string(), outcome.is_ok());
                self.forget_lease(number);
            }
            Ticket::RunEnded(run) => self.run_ended(run, outcome),
            Ticket::Asked(run, reply) => self.asked(&run, reply, outcome),
            Ticket::Reopened(again, items, reply) => self.reopened(*again, &items, reply, outcome),
        }
    }

    pub(super) fn blob_lost(&mut self, digest: Digest) {
        // The next item or run that needs it finds it missing and has it made again.
        tracing::warn!(%digest, "a blob that was asked for is not in the store");
    }
}
