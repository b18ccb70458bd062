//! What people do with runs, and how runs end.

use std::collections::HashSet;
use std::sync::Arc;

use tidemill_proto::v1::{Item, ItemState, RunRow};
use tidemill_proto::{Digest, RunName, state};

use super::board::RunBoard;
use super::clock::now_ms;
use super::commit::{Rows, Ticket};
use super::event::{Again, Event as EngineEvent, Explained, Refusal, Reply};
use super::inputs::blobs_read;
use super::plan::{PlanError, upstream_indexes};
use super::recipe::Recipe;
use super::{Engine, rows, summary};
use crate::query::names::fits_any;
use crate::record::rows::ItemRecord;
use crate::record::{CommitError, keys, pack};
use crate::scheduler::explain::{Names, WaitReason};
use crate::scheduler::{AgentId, Event, ItemId, RequirementId, RunId, SeatId};

impl Engine {
    fn live_run(&self, name: &RunName) -> Result<RunId, Refusal> {
        let ended = || Refusal::State(format!("{name} has ended"));
        self.by_name.get(name).copied().ok_or_else(ended)
    }

    pub(super) fn stop(&mut self, name: RunName, reply: Reply<RunRow>) {
        let id = match self.live_run(&name) {
            Ok(id) => id,
            Err(refusal) => return answer(reply, Err(refusal)),
        };
        if let Some(run) = self.runs.get_mut(&id) {
            run.board.move_run(|moves| moves.stopped_by_person = true);
        }
        self.commit_run_row(id, Ticket::Asked(name, reply));
        self.step(Event::Stop { run: id });
    }

    pub(super) fn pause(&mut self, name: RunName, paused: bool, reply: Reply<RunRow>) {
        let id = match self.live_run(&name) {
            Ok(id) => id,
            Err(refusal) => return answer(reply, Err(refusal)),
        };
        if let Some(run) = self.runs.get_mut(&id) {
            run.board.move_run(|moves| moves.paused = paused);
            run.record.note_pause(paused, now_ms());
        }
        self.commit_run_row(id, Ticket::Asked(name, reply));
        self.step(if paused {
            Event::Pause { run: id }
        } else {
            Event::Resume { run: id }
        });
        self.refresh_notes();
    }

    pub(super) fn prefer(
        &mut self,
        name: RunName,
        priority: Option<i32>,
        share: Option<u32>,
        reply: Reply<RunRow>,
    ) {
        let id = match self.live_run(&name) {
            Ok(id) => id,
            Err(refusal) => return answer(reply, Err(refusal)),
        };
        if let Some(run) = self.runs.get_mut(&id) {
            run.board.move_run(|moves| {
                moves.priority = priority.unwrap_or(moves.priority);
                moves.share = share.unwrap_or(moves.share);
            });
        }
        self.commit_run_row(id, Ticket::Asked(name, reply));
        if let Some(priority) = priority {
            self.step(Event::Priority { run: id, priority });
        }
        if let Some(share) = share {
            self.step(Event::Share { run: id, share });
        }
        self.refresh_notes();
    }

    /// Writes a run's row as it is now.
    fn commit_run_row(&mut self, id: RunId, ticket: Ticket) {
        let Some(run) = self.runs.get_mut(&id) else { return };
        rows::refresh_run(&mut run.record, &run.board);
        let mut to_disk = Rows::default();
        to_disk.add(pack::put(
            keys::run(run.record.serial),
            &run.record,
            &self.archive.store,
        ));
        self.commit(to_disk, ticket);
    }

    /// What a person asked for is on disk.
    pub(super) fn asked(&mut self, name: &RunName, reply: Reply<RunRow>, outcome: Result<(), CommitError>) {
        let row = match outcome {
            Err(error) => Err(Refusal::Broken(error.to_string())),
            Ok(()) => match self.by_name.get(name).and_then(|id| self.runs.get(id)) {
                Some(run) => Ok(run.board.run_row()),
                // It ended in the same moment.
                None => match self
                    .archive
                    .find(&name.to_string())
                    .and_then(|serial| self.archive.run(serial))
                {
                    Ok(Some(record)) => Ok(crate::query::archive::run_row(&record)),
                    Ok(None) => Err(Refusal::NotFound(format!("there is no run {name}"))),
                    Err(error) => Err(Refusal::Broken(error.to_string())),
                },
            },
        };
        answer(reply, row);
    }

    /// Every item of a run has an outcome: write that down.
    pub(super) fn end_run(&mut self, id: RunId) {
        let now = now_ms();
        let Some(run) = self.runs.get_mut(&id) else { return };
        run.ending = true;
        rows::refresh_run(&mut run.record, &run.board);
        rows::set_ended(&mut run.record, now);
        // The outcomes before this row are still on their way; the scheduler knows them already.
        run.record.counts = self.scheduler.counts(id).map(rows::counts_record);
        let mut to_disk = Rows::default();
        to_disk.add(pack::put(
            keys::run(run.record.serial),
            &run.record,
            &self.archive.store,
        ));
        self.commit(to_disk, Ticket::RunEnded(id));
    }

    /// A run's end is on disk.
    pub(super) fn run_ended(&mut self, id: RunId, outcome: Result<(), CommitError>) {
        let Some(run) = self.runs.get_mut(&id) else { return };
        if !run.ending {
            return; // opened again meanwhile
        }
        if let Err(error) = outcome {
            run.trouble = Some(format!("its end cannot be recorded: {error}"));
            return;
        }
        let Some(run) = self.runs.remove(&id) else { return };
        let name = run.board.facts().run.clone();
        self.by_name.remove(&name);
        self.live
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .remove(&name);
        run.board.move_run(|moves| {
            moves.ended_ms = run.record.ended_ms;
            moves.finish_estimate_ms = 0;
            moves.note.clear();
        });
        let (folder, program) = (self.config.summaries(), self.config.summary_program.clone());
        if folder.is_some() || program.is_some() {
            summary::tell(folder, program, summary::summary(&run.board));
        }
        self.step(Event::RunRemoved { run: id });
        // A process that is still being ended keeps its booking until its agent says that it is gone.
        let scheduler = &self.scheduler;
        self.leases
            .retain(|number, lease| lease.item.run != id || scheduler.lease(*number).is_some());
        let leases = &self.leases;
        self.adopted.retain(|_, number| leases.contains_key(number));
        for event in std::mem::take(&mut self.postponed) {
            self.handle(event);
        }
    }

    pub(super) fn again(&mut self, mut again: Box<Again>, reply: Reply<RunRow>) {
        let name = again.board.facts().run.clone();
        let live = self.by_name.get(&name).and_then(|id| self.runs.get(id));
        match live {
            Some(run) if run.ending => return self.postponed.push(EngineEvent::Again(again, reply)),
            Some(run) => {
                again.board = run.board.clone();
                again.record = run.record.clone();
            }
            None => match self.archive.load(again.record.serial) {
                // Loaded again here: what the caller has may be older.
                Ok(stored) => {
                    again.board = stored.board;
                    again.record = stored.record;
                }
                Err(error) => return answer(reply, Err(Refusal::Broken(error.to_string()))),
            },
        }
        let items = match chosen(&again.board, &again.patterns, again.anew) {
            Ok(items) => items,
            Err(error) => return answer(reply, Err(Refusal::Broken(error.to_string()))),
        };
        if items.is_empty() {
            let text = match (again.patterns.is_empty(), again.anew) {
                (true, _) => format!("{name} has no failed, cut-off or stopped items"),
                (false, true) => format!("no item of {name} fits {}", again.patterns.join(", ")),
                (false, false) => {
                    format!(
                        "no failed, cut-off or stopped item of {name} fits {}",
                        again.patterns.join(", ")
                    )
                }
            };
            return answer(reply, Err(Refusal::State(text)));
        }
        let mut to_disk = match self.inputs_at_hand(&again.board, &items) {
            Ok(inputs) => Rows::with_blobs(inputs),
            Err(text) => return answer(reply, Err(Refusal::Broken(text))),
        };
        rows::set_ended(&mut again.record, 0);
        again.record.stopped_by_person = false;
        to_disk.add(pack::put(
            keys::run(again.record.serial),
            &again.record,
            &self.archive.store,
        ));
        for index in &items {
            match self.archive.item(again.record.serial, *index) {
                Ok(Some(row)) => {
                    let attempts = row.attempts;
                    let row = ItemRecord {
                        state: ItemState::Waiting as i32,
                        attempts,
                        changed_ms: now_ms(),
                        ..ItemRecord::default()
                    };
                    let key = keys::item(again.record.serial, *index);
                    to_disk.add(pack::put(key, &row, &self.archive.store));
                }
                Ok(None) => {}
                Err(error) => return answer(reply, Err(Refusal::Broken(error.to_string()))),
            }
        }
        self.commit(to_disk, Ticket::Reopened(again, items, reply));
    }

    /// Files of the project that these items read and that are stored or staged: one that the store had lost may have been
    /// put there again, and what is only staged is not read. What lacks stays lacking, and is named when an item needs it.
    fn inputs_at_hand(&self, board: &RunBoard, items: &[u32]) -> Result<Vec<Digest>, String> {
        let planned: Result<Vec<Item>, PlanError> =
            items.iter().map(|index| board.plan().item(*index)).collect();
        let planned = planned.map_err(|error| error.to_string())?;
        let mut inputs =
            blobs_read(planned.iter(), &self.archive.store).map_err(|error| error.to_string())?;
        let missing = self.archive.store.missing(&inputs);
        let missing: HashSet<Digest> = missing.map_err(|error| error.to_string())?.into_iter().collect();
        inputs.retain(|digest| !missing.contains(digest));
        Ok(inputs)
    }

    /// The reopened items wait on disk: let them go.
    pub(super) fn reopened(
        &mut self,
        again: Again,
        items: &[u32],
        reply: Reply<RunRow>,
        outcome: Result<(), CommitError>,
    ) {
        if let Err(error) = outcome {
            return answer(reply, Err(Refusal::Broken(error.to_string())));
        }
        let now = now_ms();
        let name = again.board.facts().run.clone();
        let anew: HashSet<u32> = if again.anew {
            let plan = again.board.plan();
            items
                .iter()
                .copied()
                .filter(|i| again.patterns.is_empty() || fits_any(&again.patterns, plan.address(*i)))
                .collect()
        } else {
            HashSet::new()
        };
        let board = again.board.clone();
        board.move_run(|moves| {
            moves.ended_ms = 0;
            moves.stopped_by_person = false;
        });
        for index in items {
            board.change(*index, now, |cell| {
                cell.state = ItemState::Waiting;
                cell.reason = None;
                cell.outputs = None;
            });
        }
        if let Some(id) = self.by_name.get(&name).copied() {
            if let Some(run) = self.runs.get_mut(&id) {
                let ended_meanwhile = std::mem::take(&mut run.ending);
                rows::set_ended(&mut run.record, 0);
                run.record.stopped_by_person = false;
                if ended_meanwhile {
                    // Its end is behind the reopening in the committer's queue: open it once more.
                    let key = keys::run(run.record.serial);
                    self.riding.add(pack::put(key, &run.record, &self.archive.store));
                }
                run.anew.extend(anew);
                run.decided.retain(|index, _| !items.contains(index));
            }
            self.step(Event::Reopen {
                run: id,
                items: items.to_vec(),
            });
        } else {
            match Recipe::of(board.plan()) {
                Ok(recipe) => {
                    // Agents that joined since the run ended were never asked about its programs.
                    let tools = board.plan().tools.clone();
                    self.ask_for_tools(&tools);
                    self.add_run(again.record, Arc::clone(&board), recipe, anew);
                }
                Err(error) => return answer(reply, Err(Refusal::Broken(error.to_string()))),
            }
        }
        answer(reply, Ok(board.run_row()));
    }

    /// What an unfinished item waits for, in words.
    pub(super) fn why_it_waits(&self, item: ItemId) -> Option<String> {
        let run = self.runs.get(&item.run)?;
        if let Some(note) = &run.tool_note
            && run
                .wants_tool
                .values()
                .any(|waiting| waiting.contains(&item.index))
        {
            return Some(note.clone());
        }
        let reason = self.scheduler.explain(item, self.scheduler_now())?;
        if let (WaitReason::Held, Some(no_room)) = (reason, &self.no_room) {
            return Some(no_room.clone());
        }
        Some(reason.sentence(&Words {
            engine: self,
            run: item.run,
        }))
    }

    pub(super) fn explain(&self, name: &RunName, index: u32, reply: Reply<Explained>) {
        let item = self.by_name.get(name).map(|run| ItemId { run: *run, index });
        let explained = item.map(|item| Explained {
            waits_for: self.why_it_waits(item).unwrap_or_default(),
            estimate: self.scheduler.estimate(item),
        });
        answer(reply, Ok(explained.unwrap_or_default()));
    }
}

/// Names for the scheduler's numbers.
struct Words<'a> {
    engine: &'a Engine,
    run: RunId,
}

impl Names for Words<'_> {
    fn agent(&self, agent: AgentId) -> String {
        self.engine.agent_name(agent).to_string()
    }
    fn item(&self, item: ItemId) -> String {
        if item.run != self.run {
            return self.engine.address(item);
        }
        let run = self.engine.runs.get(&item.run);
        run.map_or_else(String::new, |run| run.board.plan().address(item.index).to_owned())
    }
    fn requirement(&self, requirement: RequirementId) -> String {
        self.engine.agents.requirement_text(requirement)
    }
    fn seat(&self, seat: SeatId) -> String {
        let named = self.engine.seats.iter().find(|(_, number)| **number == seat);
        named.map_or_else(String::new, |(name, _)| name.clone())
    }
}

/// The items that are to wait anew, in plan order: those that are meant, what they need, and what they cut off.
fn chosen(board: &RunBoard, patterns: &[String], anew: bool) -> Result<Vec<u32>, PlanError> {
    let plan = board.plan();
    let count = plan.len();
    let lacks = |index: u32| {
        matches!(
            board.state(index),
            ItemState::Failed | ItemState::CutOff | ItemState::Stopped
        )
    };
    let meant = |index: u32| patterns.is_empty() || fits_any(patterns, plan.address(index));
    let mut taken = vec![false; count as usize];
    let mut upstream = Vec::with_capacity(count as usize);
    for index in 0..count {
        upstream.push(upstream_indexes(&plan.item(index)?));
        let finished = state::is_finished(board.state(index));
        taken[index as usize] = meant(index) && (lacks(index) || (anew && finished));
    }
    // What a chosen item needs: upstream items stand before, so one pass backwards finds all of it.
    for index in (0..count).rev().filter(|index| lacks(*index)).collect::<Vec<_>>() {
        if taken[index as usize] {
            for up in &upstream[index as usize] {
                taken[*up as usize] |= lacks(*up);
            }
        }
    }
    // What depends on a chosen item and has no result, or may get another one.
    for index in 0..count {
        let follows = upstream[index as usize].iter().any(|up| taken[*up as usize]);
        let may_change = lacks(index) || (state::is_finished(board.state(index)) && anew);
        let partial = follows && state::has_outputs(board.state(index));
        taken[index as usize] |= follows && (may_change || partial);
    }
    Ok((0..count).filter(|index| taken[*index as usize]).collect())
}

/// Answers someone who may have gone.
pub(super) fn answer<T>(reply: Reply<T>, outcome: Result<T, Refusal>) {
    let _ = reply.send(outcome);
}
