//! Reads runs out of the record. Blocks: call it from threads that may.

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::sync::Arc;

use prost::Message;
use tidemill_proto::v1::{ItemState, Plan, RunRow, RunState};
use tidemill_proto::{Digest, Key, RunName, state};
use tidemill_store::{Store, StoreError};

use super::names::{hint, nearest};
use crate::engine::board::{Outputs, RunBoard, RunFacts, RunMoves};
use crate::engine::plan::{KeptPlan, PlanError};
use crate::engine::rows::{counts_of, findings_of, tools_of};
use crate::record::pack::{self, UnpackError};
use crate::record::rows::{ItemRecord, ItemReference, ResultRecord, RunNameRecord, RunRecord};
use crate::record::{Record, RecordError, Scan, keys};

/// How many names are looked through for one that is near to a mistyped one.
const NAMES_COMPARED: usize = 500;

/// Reads the record and the blobs that it names. Clones share it.
#[derive(Clone)]
pub struct Archive {
    /// Rows.
    pub record: Arc<dyn Record>,
    /// Plans, logs, long rows.
    pub store: Store,
}

/// Why something cannot be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArchiveError {
    /// There is no such run.
    #[error("there is no run {asked}{}", hint(near))]
    NoRun {
        /// What was asked for.
        asked: String,
        /// Names that are near.
        near: Vec<String>,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// A row cannot be read.
    #[error(transparent)]
    Row(#[from] UnpackError),
    /// A blob cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A plan is damaged.
    #[error(transparent)]
    Plan(#[from] PlanError),
}

impl ArchiveError {
    /// Whether it is gone or damaged for good, rather than unreadable just now.
    pub fn is_lost(&self) -> bool {
        match self {
            Self::Store(error) | Self::Row(UnpackError::Blob { source: error, .. }) => {
                matches!(error, StoreError::Absent { .. } | StoreError::Corrupt { .. })
            }
            Self::Plan(_) | Self::NoRun { .. } => true,
            Self::Record(_) | Self::Row(UnpackError::Record(_)) => false,
        }
    }
}

/// One run out of the record.
pub struct StoredRun {
    /// Its row.
    pub record: RunRecord,
    /// Its state.
    pub board: Arc<RunBoard>,
}

impl Archive {
    /// The row under `key`.
    pub fn row<M: Message + Default>(&self, key: &[u8]) -> Result<Option<M>, ArchiveError> {
        match self.record.get(key)? {
            Some(value) => Ok(Some(pack::read(key, &value, &self.store)?)),
            None => Ok(None),
        }
    }

    /// The result recorded under a key.
    pub fn result(&self, key: &Key) -> Result<Option<ResultRecord>, ArchiveError> {
        self.row(&keys::result(key))
    }

    /// One item's row.
    pub fn item(&self, serial: u64, index: u32) -> Result<Option<ItemRecord>, ArchiveError> {
        self.row(&keys::item(serial, index))
    }

    /// The serial of a run as people name it: `name.N`, or `name` for the newest.
    ///
    /// # Errors
    /// [`ArchiveError::NoRun`] with near names.
    pub fn find(&self, asked: &str) -> Result<u64, ArchiveError> {
        if let Ok(name) = asked.parse::<RunName>()
            && let Some(row) = self.row::<RunNameRecord>(&keys::run_name(&name))?
        {
            return Ok(row.serial);
        }
        let newest = self
            .record
            .scan(&Scan::of(keys::run_names(asked)).reverse().limit(1))?;
        if let Some((key, value)) = newest.first() {
            return Ok(pack::read::<RunNameRecord>(key, value, &self.store)?.serial);
        }
        let recent = self.history("", NAMES_COMPARED)?;
        let mut names: Vec<String> = recent.iter().map(|record| name_of(record).to_string()).collect();
        if asked.parse::<RunName>().is_err() {
            names.extend(recent.into_iter().map(|record| record.manifest));
        }
        let near = nearest(asked, names.iter().map(String::as_str));
        Err(ArchiveError::NoRun {
            asked: asked.to_owned(),
            near,
        })
    }

    /// Runs of a manifest (empty: of all), newest first.
    pub fn history(&self, manifest: &str, limit: usize) -> Result<Vec<RunRecord>, ArchiveError> {
        self.runs_of(Scan::of(keys::runs()).reverse(), manifest, limit)
    }

    /// Runs of a manifest that were submitted before another one, newest first.
    pub fn before(&self, manifest: &str, serial: u64, limit: usize) -> Result<Vec<RunRecord>, ArchiveError> {
        self.runs_of(
            Scan::of(keys::runs()).reverse().after(keys::run(serial)),
            manifest,
            limit,
        )
    }

    fn runs_of(&self, scan: Scan, manifest: &str, limit: usize) -> Result<Vec<RunRecord>, ArchiveError> {
        let mut found = Vec::new();
        let mut failed = None;
        self.record.visit(&scan, &mut |key, value| {
            if found.len() >= limit {
                return ControlFlow::Break(());
            }
            match pack::read::<RunRecord>(key, value, &self.store) {
                Ok(record) if manifest.is_empty() || record.manifest == manifest => found.push(record),
                Ok(_) => {}
                Err(error) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            }
            ControlFlow::Continue(())
        })?;
        match failed {
            Some(error) => Err(error.into()),
            None => Ok(found),
        }
    }

    /// Runs that have not ended, oldest first.
    pub fn open_runs(&self) -> Result<Vec<RunRecord>, ArchiveError> {
        let mut runs = self.history("", usize::MAX)?;
        runs.retain(|record| record.state != RunState::Ended as i32);
        runs.reverse();
        Ok(runs)
    }

    /// One run's row.
    pub fn run(&self, serial: u64) -> Result<Option<RunRecord>, ArchiveError> {
        self.row(&keys::run(serial))
    }

    /// The encoded plan of a run.
    pub fn plan_bytes(&self, record: &RunRecord) -> Result<Vec<u8>, ArchiveError> {
        let digest =
            Digest::from_slice(&record.plan).map_err(|error| PlanError::Unsound(error.to_string()))?;
        Ok(self.store.read_blob(&digest)?)
    }

    /// A run's plan, decoded.
    pub fn plan(&self, record: &RunRecord) -> Result<Plan, ArchiveError> {
        Ok(Plan::decode(self.plan_bytes(record)?.as_slice()).map_err(PlanError::from)?)
    }

    /// A run with the state of its items.
    ///
    /// # Errors
    /// Also when its plan is no longer readable.
    pub fn load(&self, serial: u64) -> Result<StoredRun, ArchiveError> {
        let asked = || ArchiveError::NoRun {
            asked: format!("with the serial {serial}"),
            near: Vec::new(),
        };
        let record = self.run(serial)?.ok_or_else(asked)?;
        let plan = Arc::new(KeptPlan::decode(&self.plan_bytes(&record)?)?);
        let facts = RunFacts {
            run: name_of(&record),
            serial,
            submitted_ms: record.submitted_ms,
            person: record.person.clone(),
            folder: record.folder.clone(),
            plan: Digest::from_slice(&record.plan).map_err(|error| PlanError::Unsound(error.to_string()))?,
        };
        let board = RunBoard::new(facts, plan);
        let (mut attempts, mut cpu_ms) = (0, 0);
        let mut failed = None;
        self.record
            .visit(&Scan::of(keys::items(serial)), &mut |key, value| {
                let Some((_, index)) = keys::read_item(key) else {
                    return ControlFlow::Continue(());
                };
                match pack::read::<ItemRecord>(key, value, &self.store) {
                    Ok(item) => {
                        attempts += item.attempts.len() as u64;
                        cpu_ms += item
                            .attempts
                            .iter()
                            .filter_map(|attempt| attempt.measured)
                            .map(|measured| measured.user_ms + measured.system_ms)
                            .sum::<u64>();
                        show(&board, index, &item);
                        ControlFlow::Continue(())
                    }
                    Err(error) => {
                        failed = Some(error);
                        ControlFlow::Break(())
                    }
                }
            })?;
        if let Some(error) = failed {
            return Err(error.into());
        }
        let ended = record.state == RunState::Ended as i32;
        if ended {
            // Items that never got a row were stopped before anything happened to them.
            for index in 0..board.plan().len() {
                if !state::is_finished(board.state(index)) {
                    board.change(index, record.ended_ms, |cell| cell.state = ItemState::Stopped);
                }
            }
        }
        if ended {
            // Attempts of an old run may have been thinned; its own row was written when all were there.
            attempts = attempts.max(record.attempts);
            cpu_ms = cpu_ms.max(record.cpu_ms);
        }
        board.move_run(|moves| {
            *moves = RunMoves {
                cpu_ms,
                attempts,
                ended_ms: if ended { record.ended_ms.max(1) } else { 0 },
                stopped_by_person: record.stopped_by_person,
                paused: record.paused,
                priority: record.priority,
                share: record.share,
                ..RunMoves::default()
            };
        });
        Ok(StoredRun {
            record,
            board: Arc::new(board),
        })
    }

    /// `run/item` of a reference, for people.
    pub fn name_item(&self, reference: ItemReference) -> Result<String, ArchiveError> {
        let Some(record) = self.run(reference.run_serial)? else {
            return Ok("a run that is no longer recorded".to_owned());
        };
        let run = name_of(&record);
        match KeptPlan::decode(&self.plan_bytes(&record)?) {
            Ok(plan) => Ok(format!("{run}/{}", plan.address(reference.index))),
            Err(_) => Ok(run.to_string()),
        }
    }

    /// The exact tool versions that a run fixed.
    pub fn tools(&self, record: &RunRecord) -> HashMap<String, String> {
        tools_of(record)
    }
}

/// Shows an item's row on the board.
fn show(board: &RunBoard, index: u32, item: &ItemRecord) {
    let last = item.attempts.last();
    let outputs: Option<Vec<(Digest, u64)>> = item
        .outputs
        .iter()
        .map(|output| {
            Digest::from_slice(&output.digest)
                .ok()
                .map(|digest| (digest, output.size))
        })
        .collect();
    let recorded = ItemState::try_from(item.state).unwrap_or(ItemState::Waiting);
    let findings = last
        .filter(|attempt| !attempt.findings.is_empty())
        .and_then(|attempt| Some(findings_of(attempt, &board.plan().item(index).ok()?)))
        .unwrap_or_default();
    board.change(index, item.changed_ms, |cell| {
        // Only outcomes last; everything else is worked out anew.
        cell.state = if state::is_finished(recorded) {
            recorded
        } else {
            ItemState::Waiting
        };
        cell.attempts = last.map_or(0, |attempt| attempt.number);
        cell.agent = last.map(|attempt| attempt.agent.as_str().into());
        let measured = last.and_then(|attempt| attempt.measured).unwrap_or_default();
        cell.elapsed_ms = measured.elapsed_ms;
        cell.peak_memory_bytes = measured.peak_memory_bytes;
        cell.reason = (!item.reason.is_empty()).then(|| item.reason.as_str().into());
        cell.outputs = outputs
            .filter(|_| state::has_outputs(recorded))
            .map(Outputs::from);
        cell.findings = findings.into();
    });
}

/// A run's name.
pub fn name_of(record: &RunRecord) -> RunName {
    RunName {
        manifest: record.manifest.clone(),
        number: record.number,
    }
}

/// The row of a run that has ended, from its record alone.
pub fn run_row(record: &RunRecord) -> RunRow {
    RunRow {
        run: name_of(record).to_string(),
        state: record.state,
        counts: Some(counts_of(record.counts.unwrap_or_default())),
        submitted_ms: record.submitted_ms,
        ended_ms: record.ended_ms,
        person: record.person.clone(),
        folder: record.folder.clone(),
        cpu_ms: record.cpu_ms,
        attempts: record.attempts,
        stopped_by_person: record.stopped_by_person,
        draft: record.draft,
        until: record.until.clone(),
        paused: record.paused,
        priority: record.priority,
        share: record.share.max(1),
        ..RunRow::default()
    }
}
