//! A submission becomes a run: a number, rows and inputs on disk, then items in the scheduler.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use tidemill_proto::v1::ItemState;
use tidemill_proto::{Digest, RunName, state};

use super::Engine;
use super::board::{RunBoard, RunFacts};
use super::clock::now_ms;
use super::commit::{Rows, Ticket};
use super::control::answer;
use super::event::{NewRun, Refusal, Reply};
use super::live::LiveRun;
use super::recipe::Recipe;
use super::rows::{counts_record, set_ended, tools_of};
use crate::query::archive::name_of;
use crate::query::names::fits_any;
use crate::record::rows::{CounterRecord, MetaRecord, RECORD_FORMAT, RunNameRecord, RunRecord};
use crate::record::{CommitError, keys, pack};
use crate::scheduler::{Event, ItemSpec, RunId, RunSpec, SeatId, SeatUse};

impl Engine {
    pub(super) fn submit(&mut self, mut new: Box<NewRun>, reply: Reply<RunName>) {
        let manifest = new.plan.manifest.clone();
        let number = match self.next_number(&manifest) {
            Ok(number) => number,
            Err(text) => return answer(reply, Err(Refusal::Broken(text))),
        };
        self.last_serial += 1;
        let name = RunName {
            manifest: manifest.clone(),
            number,
        };
        let record = &mut new.record;
        record.serial = self.last_serial;
        record.manifest.clone_from(&manifest);
        record.number = number;
        record.submitted_ms = now_ms();
        set_ended(record, 0);
        let waiting = tidemill_proto::v1::StateCounts {
            waiting: new.plan.len(),
            ..Default::default()
        };
        record.counts = Some(counts_record(waiting));
        let mut to_disk = Rows::with_blobs(std::mem::take(&mut new.blobs));
        let meta = MetaRecord {
            format: RECORD_FORMAT,
            starts: self.starts,
            last_run_serial: self.last_serial,
        };
        to_disk.push(pack::put_short(keys::meta(), &meta));
        to_disk.push(pack::put_short(
            keys::counter(&manifest),
            &CounterRecord { last_number: number },
        ));
        to_disk.push(pack::put_short(
            keys::run_name(&name),
            &RunNameRecord {
                serial: record.serial,
            },
        ));
        to_disk.add(pack::put(keys::run(record.serial), record, &self.archive.store));
        self.commit(to_disk, Ticket::Submitted(new, name, reply));
    }

    fn next_number(&mut self, manifest: &str) -> Result<u32, String> {
        let last = match self.counters.get(manifest) {
            Some(last) => *last,
            None => {
                let row = self.archive.row::<CounterRecord>(&keys::counter(manifest));
                row.map_err(|error| error.to_string())?
                    .map_or(0, |row| row.last_number)
            }
        };
        self.counters.insert(manifest.to_owned(), last + 1);
        Ok(last + 1)
    }

    /// The run is on disk: let its items go.
    pub(super) fn submitted(
        &mut self,
        new: NewRun,
        name: RunName,
        reply: Reply<RunName>,
        outcome: Result<(), CommitError>,
    ) {
        match outcome {
            Ok(()) => {}
            Err(CommitError::Missing(lacking)) => return answer(reply, Err(Refusal::Lacking(lacking))),
            Err(error) => return answer(reply, Err(Refusal::Broken(error.to_string()))),
        }
        let facts = RunFacts {
            run: name.clone(),
            serial: new.record.serial,
            submitted_ms: new.record.submitted_ms,
            person: new.record.person.clone(),
            folder: new.record.folder.clone(),
            plan: Digest::from_slice(&new.record.plan).unwrap_or_else(|_| Digest::of(b"")),
        };
        let board = Arc::new(RunBoard::new(facts, new.plan));
        board.move_run(|moves| {
            moves.priority = new.record.priority;
            moves.share = new.record.share;
        });
        let plan = board.plan();
        let anew: HashSet<u32> = if new.record.anew.is_empty() {
            HashSet::new()
        } else {
            (0..plan.len())
                .filter(|index| fits_any(&new.record.anew, plan.address(*index)))
                .collect()
        };
        let tools = plan.tools.clone();
        self.ask_for_tools(&tools);
        // Answered before the scheduler works on it: the caller may watch from the first item on.
        self.add_run(new.record, board, new.recipe, anew);
        answer(reply, Ok(name));
    }

    /// Takes a run in; items that the board shows as finished stay so.
    pub(super) fn add_run(
        &mut self,
        record: RunRecord,
        board: Arc<RunBoard>,
        recipe: Recipe,
        anew: HashSet<u32>,
    ) {
        let id = RunId(self.next_run);
        self.next_run += 1;
        let name = name_of(&record);
        let settled: Vec<(u32, ItemState)> = (0..board.plan().len())
            .map(|index| (index, board.state(index)))
            .filter(|(_, known)| state::is_finished(*known))
            .collect();
        let seats = self.number_seats(&board);
        let spec = RunSpec {
            run: id,
            items: with_seats(recipe.specs, &seats),
            settled,
            share: record.share,
            priority: record.priority,
            paused: record.paused,
        };
        let run = LiveRun {
            label: name.to_string().into(),
            tools: Arc::new(tools_of(&record)),
            record,
            board,
            signatures: recipe.signatures,
            wants_tool: Default::default(),
            active: Default::default(),
            anew,
            decided: HashMap::new(),
            trouble: None,
            tool_note: None,
            held_steps: HashSet::new(),
            ending: false,
        };
        self.runs.insert(id, run);
        self.by_name.insert(name, id);
        self.publish_live(id);
        self.step(Event::RunAdded(spec));
        self.refresh_notes();
    }

    /// Numbers for the plan's seats, in its order; the counts of the newest run hold.
    fn number_seats(&mut self, board: &RunBoard) -> Vec<SeatId> {
        let mut numbers = Vec::new();
        for (name, count) in &board.plan().seats {
            let next = SeatId(self.seats.len() as u32);
            let seat = *self.seats.entry(name.clone()).or_insert(next);
            numbers.push(seat);
            self.step(Event::Seats { seat, count: *count });
        }
        numbers
    }
}

/// The recipe numbers seats by their position in the plan; the scheduler knows them over all plans.
fn with_seats(specs: Vec<ItemSpec>, seats: &[SeatId]) -> Vec<ItemSpec> {
    if seats.is_empty() {
        return specs;
    }
    let renumbered = |used: SeatUse| SeatUse {
        seat: seats[used.seat.0 as usize],
        ..used
    };
    specs
        .into_iter()
        .map(|spec| ItemSpec {
            seats: spec.seats.into_iter().map(renumbered).collect(),
            ..spec
        })
        .collect()
}
