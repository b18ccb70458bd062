//! One run as a query sees it: live, or out of the record.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError};

use tidemill_proto::state;
use tidemill_proto::v1::{
    Estimate, Item, ItemInput, ItemState, ItemView, KeyChange, Wait, WhyAnswer, source,
};

use super::archive::{Archive, ArchiveError, name_of};
use super::names::{fits_any, hint, nearest};
use super::waits::{Times, waits};
use super::why::{Subject, difference, joined};
use crate::engine::board::RunBoard;
use crate::engine::event::LiveRuns;
use crate::engine::plan::upstream_indexes;
use crate::engine::rows::{attempt_view, key_parts};
use crate::forecast::expect::learned_of;
use crate::record::rows::{ItemRecord, RunRecord};

/// How many earlier runs are looked through for the same item.
const EARLIER_RUNS: usize = 50;

/// One run, with what is needed to answer about it.
pub struct Seen {
    /// Its row; of a live run as of the last write.
    pub record: RunRecord,
    /// Its state.
    pub board: Arc<RunBoard>,
    /// Exact versions by the tool's name.
    pub tools: Arc<HashMap<String, String>>,
    /// It has not ended.
    pub live: bool,
}

/// Why a question about an item cannot be answered.
#[derive(Debug, thiserror::Error)]
pub enum ItemError {
    /// The run has no such item.
    #[error("{run} has no item {asked}{}", hint(near))]
    NoItem {
        /// The run.
        run: String,
        /// What was asked for.
        asked: String,
        /// Addresses that are near.
        near: Vec<String>,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

/// Finds a run as people name it. Blocks.
///
/// # Errors
/// When there is no such run, or the record cannot be read.
pub fn see(archive: &Archive, live: &LiveRuns, asked: &str) -> Result<Seen, ArchiveError> {
    let serial = archive.find(asked)?;
    see_serial(archive, live, serial)
}

fn see_serial(archive: &Archive, live: &LiveRuns, serial: u64) -> Result<Seen, ArchiveError> {
    let no_run = || ArchiveError::NoRun {
        asked: format!("with the serial {serial}"),
        near: Vec::new(),
    };
    let record = archive.run(serial)?.ok_or_else(no_run)?;
    let name = name_of(&record);
    let entry = live
        .read()
        .unwrap_or_else(PoisonError::into_inner)
        .get(&name)
        .cloned();
    if let Some(entry) = entry {
        return Ok(Seen {
            record,
            board: entry.board,
            tools: entry.tools,
            live: true,
        });
    }
    let stored = archive.load(serial)?;
    let tools = Arc::new(archive.tools(&stored.record));
    Ok(Seen {
        record: stored.record,
        board: stored.board,
        tools,
        live: false,
    })
}

impl Seen {
    fn subject(&self) -> Subject<'_> {
        Subject {
            board: &self.board,
            tools: &self.tools,
        }
    }

    /// The number of an item.
    ///
    /// # Errors
    /// With near addresses.
    pub fn index(&self, address: &str) -> Result<u32, ItemError> {
        let plan = self.board.plan();
        plan.find(address).ok_or_else(|| ItemError::NoItem {
            run: self.board.facts().run.to_string(),
            asked: address.to_owned(),
            near: nearest(address, (0..plan.len()).map(|index| plan.address(index))),
        })
    }

    /// The size of an output, if it was made.
    pub fn output_bytes(&self, index: u32, output: &str) -> Option<u64> {
        let made = self.board.outputs(index)?;
        let item = self.board.plan().item(index).ok()?;
        let position = item.outputs.iter().position(|declared| declared.name == output)?;
        made.get(position).map(|(_, size)| *size)
    }

    /// Everything about one item but what only the engine knows. Blocks.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn item_view(&self, archive: &Archive, index: u32) -> Result<ItemView, ItemError> {
        let plan = self.board.plan();
        let item = plan.item(index).map_err(ArchiveError::from)?;
        let recorded = archive.item(self.record.serial, index)?.unwrap_or_default();
        let parts = self.subject().parts(&item).ok();
        let needs = item.needs.clone().unwrap_or_default();
        let made = |index: u32, output: &str| self.output_bytes(index, output);
        let learned = learned_of(archive, plan, &self.tools, index, made).map_err(ArchiveError::from)?;
        let mut downstream = Vec::new();
        for later in index + 1..plan.len() {
            let reads = upstream_indexes(&plan.item(later).map_err(ArchiveError::from)?).contains(&index);
            if reads {
                downstream.push(plan.address(later).to_owned());
            }
        }
        let made_by = recorded
            .reused_from
            .map(|made_by| archive.name_item(made_by))
            .transpose()?;
        Ok(ItemView {
            row: Some(self.board.item_row(index).map_err(ArchiveError::from)?),
            attempts_made: recorded.attempts.iter().map(attempt_view).collect(),
            key: parts
                .as_ref()
                .map(|parts| parts.key().0.to_vec())
                .unwrap_or_default(),
            declared: Some(Estimate {
                memory_bytes: needs.memory_bytes,
                millicores: needs.millicores,
                elapsed_ms: needs.seconds.saturating_mul(1000),
            }),
            learned: learned.map(|learned| Estimate {
                memory_bytes: learned.need.memory_bytes,
                millicores: learned.need.millicores,
                elapsed_ms: learned.elapsed_ms.unwrap_or(0),
            }),
            key_parts: parts.as_ref().map(key_parts).unwrap_or_default(),
            upstream: upstream_indexes(&item)
                .into_iter()
                .map(|up| plan.address(up).to_owned())
                .collect(),
            downstream,
            booked: None,
            waits_for: String::new(),
            made_by: made_by.unwrap_or_default(),
            inputs: self.inputs(&item),
            waits: self.waits(&item, index, &recorded)?,
        })
    }

    /// Every file that an item reads, with where it comes from.
    fn inputs(&self, item: &Item) -> Vec<ItemInput> {
        let mut found = Vec::new();
        for input in &item.inputs {
            for source in &input.sources {
                let mut one = ItemInput {
                    name: input.name.clone(),
                    label: if input.many {
                        source.label.clone()
                    } else {
                        String::new()
                    },
                    ..ItemInput::default()
                };
                match &source.from {
                    Some(source::From::File(file)) => {
                        let companions = file.companions.iter().map(|companion| ItemInput {
                            name: input.name.clone(),
                            from: file.path.clone(),
                            digest: companion.digest.clone(),
                            size: companion.size,
                            label: one.label.clone(),
                            beside: companion.name.clone(),
                        });
                        let companions: Vec<ItemInput> = companions.collect();
                        one.from.clone_from(&file.path);
                        one.digest.clone_from(&file.digest);
                        one.size = file.size;
                        found.push(one);
                        found.extend(companions);
                    }
                    Some(source::From::Edge(edge)) => {
                        one.from = format!("{} {}", self.board.plan().address(edge.item), edge.output);
                        one.size = self.output_bytes(edge.item, &edge.output).unwrap_or(0);
                        let made = self.subject().made(edge.item, &edge.output);
                        one.digest = made.map(|digest| digest.to_vec()).unwrap_or_default();
                        found.push(one);
                    }
                    None => {}
                }
            }
        }
        found
    }

    fn waits(&self, item: &Item, index: u32, recorded: &ItemRecord) -> Result<Vec<Wait>, ItemError> {
        let plan = self.board.plan();
        let mut upstream = Vec::new();
        for up in upstream_indexes(item) {
            let is_finished = state::is_finished(self.board.state(up));
            let row = self.board.item_row(up).map_err(ArchiveError::from)?;
            upstream.push((plan.address(up), is_finished.then_some(row.changed_ms)));
        }
        let row = self.board.item_row(index).map_err(ArchiveError::from)?;
        Ok(waits(&Times {
            submitted_ms: self.board.facts().submitted_ms,
            upstream: &upstream,
            attempts: &recorded.attempts,
            state: row.state(),
            changed_ms: row.changed_ms,
            pauses: &self.record.pauses,
        }))
    }

    /// Why an item is where it is. `waits_for` is the engine's word on an unfinished item. Blocks.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn why(
        &self,
        archive: &Archive,
        live: &LiveRuns,
        index: u32,
        waits_for: &str,
    ) -> Result<WhyAnswer, ItemError> {
        let address = self.board.plan().address(index);
        let now = self.board.state(index);
        let recorded = archive.item(self.record.serial, index)?.unwrap_or_default();
        let earlier = self.earlier(archive, live, address)?;
        let found = earlier
            .as_ref()
            .and_then(|earlier| difference(self.subject(), earlier.subject(), address));
        let changes: Vec<KeyChange> = found
            .as_ref()
            .map(|found| found.changes.clone())
            .unwrap_or_default();
        let compared_with = earlier
            .as_ref()
            .map(|earlier| earlier.board.facts().run.to_string());
        let cause = match (&earlier, found) {
            (Some(_), Some(found)) if !found.causes.is_empty() => joined(&found.causes),
            (Some(earlier), _) => self.unchanged(earlier, address),
            (None, _) => "it is new: no earlier run has it".to_owned(),
        };
        let reason = self
            .board
            .cell(index)
            .and_then(|cell| cell.reason)
            .unwrap_or_default();
        let sentence = match now {
            ItemState::Done => format!("ran because {cause}"),
            ItemState::Reused => match recorded.reused_from {
                Some(made_by) => format!("reused: same key as {}", archive.name_item(made_by)?),
                None => "reused: there was a result for its key".to_owned(),
            },
            ItemState::Failed => format!("{}; ran because {cause}", failure(&recorded, &reason)),
            ItemState::CutOff => format!("cut off because {}", self.root_failure(archive, &reason)?),
            ItemState::Stopped => "stopped before it had a result".to_owned(),
            ItemState::Running => format!("runs because {cause}"),
            ItemState::Ready if waits_for.is_empty() => format!("will run because {cause}"),
            ItemState::Ready => format!("will run because {cause}; {waits_for}"),
            ItemState::Waiting | ItemState::Unspecified if waits_for.is_empty() => "waits".to_owned(),
            ItemState::Waiting | ItemState::Unspecified => waits_for.to_owned(),
        };
        Ok(WhyAnswer {
            state: now as i32,
            sentence,
            changes,
            compared_with: compared_with.unwrap_or_default(),
        })
    }

    /// What cut an item off, with what the item that failed failed of.
    fn root_failure(&self, archive: &Archive, reason: &str) -> Result<String, ItemError> {
        let root = reason.strip_suffix(" failed");
        let Some((address, index)) = root.and_then(|root| Some((root, self.board.plan().find(root)?))) else {
            return Ok(reason.to_owned());
        };
        let recorded = archive.item(self.record.serial, index)?.unwrap_or_default();
        let why = self
            .board
            .cell(index)
            .and_then(|cell| cell.reason)
            .unwrap_or_default();
        Ok(format!("{address} {}", failure(&recorded, &why)))
    }

    /// Why an item ran although its key is the same as before.
    fn unchanged(&self, earlier: &Seen, address: &str) -> String {
        let run = &earlier.board.facts().run;
        let before = earlier
            .board
            .plan()
            .find(address)
            .map(|index| earlier.board.state(index));
        match before {
            _ if fits_any(&self.record.anew, address) => "it was asked for anew".to_owned(),
            Some(before) if state::has_outputs(before) => {
                format!("it was asked for anew, or its result of {run} is no longer in the store")
            }
            Some(before) => format!("it is {} in {run}", state::word(before)),
            None => "it is new: no earlier run has it".to_owned(),
        }
    }

    /// The newest earlier run of the same manifest in which the item came to something.
    fn earlier(
        &self,
        archive: &Archive,
        live: &LiveRuns,
        address: &str,
    ) -> Result<Option<Seen>, ArchiveError> {
        let mut plans = HashMap::new();
        for record in archive.before(&self.record.manifest, self.record.serial, EARLIER_RUNS)? {
            // The plan and one row tell whether the run is worth loading as a whole.
            let Some(index) = index_in(archive, &record, address, &mut plans)? else {
                continue;
            };
            let row = archive.item(record.serial, index)?.unwrap_or_default();
            let came_to = row.state();
            if (state::has_outputs(came_to) || came_to == ItemState::Failed)
                && let Ok(seen) = see_serial(archive, live, record.serial)
            {
                return Ok(Some(seen));
            }
        }
        Ok(None)
    }
}

/// The place of an item in the plan of a run; `None` also for a run whose plan is no longer there. `known`: by the plan's
/// digest.
fn index_in(
    archive: &Archive,
    record: &RunRecord,
    address: &str,
    known: &mut HashMap<Vec<u8>, Option<u32>>,
) -> Result<Option<u32>, ArchiveError> {
    if let Some(index) = known.get(&record.plan) {
        return Ok(*index);
    }
    let index = match archive.plan(record) {
        Ok(plan) => plan.items.iter().position(|item| item.address == address),
        Err(error) if error.is_lost() => None,
        Err(error) => return Err(error),
    };
    let index = index.and_then(|index| u32::try_from(index).ok());
    known.insert(record.plan.clone(), index);
    Ok(index)
}

/// What a failed item failed of: exit code and last line of the log.
fn failure(recorded: &ItemRecord, reason: &str) -> String {
    let Some(last) = recorded.attempts.last() else {
        return format!("failed: {reason}");
    };
    let line = last
        .log_tail
        .lines()
        .rev()
        .find(|line| !line.trim().is_empty())
        .unwrap_or("")
        .trim();
    match (last.exit_code, line) {
        (0, "") => format!("failed: {reason}"),
        (0, line) => format!("failed: {reason}: {line}"),
        (code, "") => format!("failed with exit code {code}"),
        (code, line) => format!("failed with exit code {code}: {line}"),
    }
}
