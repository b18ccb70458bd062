//! Opening: the record, the store, and what becomes of runs that a dead owner left open.

use std::collections::{HashMap, HashSet, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::state;
use tidemill_store::{Store, StoreError};
use tokio::sync::mpsc;

use super::clock::now_ms;
use super::commit::Rows;
use super::event::Event as EngineEvent;
use super::recipe::Recipe;
use super::room::RoomWatch;
use super::rows::{counts_record, set_ended};
use super::{Engine, EngineHandle};
use crate::Config;
use crate::query::archive::{Archive, ArchiveError};
use crate::record::rows::{AgentRecord, MetaRecord, RECORD_FORMAT};
use crate::record::{Committer, Op, Record, RecordError, SledRecord, keys, pack};
use crate::scheduler::{Event, Scheduler};

/// After a start, agents that had joined before get this long to say what they hold before anything new is placed: those that live
/// try again at least every ten seconds. It ends with the last of them, so that only one that went away meanwhile costs this time.
const QUIET: Duration = Duration::from_secs(12);

/// An opened data folder.
pub struct Opened {
    /// Rows and blobs.
    pub archive: Archive,
    meta: MetaRecord,
}

/// Why the data folder cannot be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenArchiveError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The record failed.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// What the record holds cannot be read.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The record was written by a newer program.
    #[error("{} was written by a newer version (format {format}); this one reads up to {RECORD_FORMAT}", folder.display())]
    Newer {
        /// The data folder.
        folder: PathBuf,
        /// Its format.
        format: u32,
    },
}

/// Opens record and store; in embedded mode a dead owner's runs are ended. Blocks.
///
/// # Errors
/// What could not be opened or read.
pub fn open_archive(config: &Config) -> Result<Opened, OpenArchiveError> {
    let record = SledRecord::open(&config.data.join("record"))?;
    open_with(config, Arc::new(record))
}

/// As [`open_archive`], with a record that is there already.
///
/// # Errors
/// What could not be opened or read.
pub fn open_with(config: &Config, record: Arc<dyn Record>) -> Result<Opened, OpenArchiveError> {
    let store = Store::open_at(&config.store, &config.staging())?;
    let archive = Archive { record, store };
    let mut meta = archive.row::<MetaRecord>(&keys::meta())?.unwrap_or_default();
    if meta.format > RECORD_FORMAT {
        return Err(OpenArchiveError::Newer {
            folder: config.data.clone(),
            format: meta.format,
        });
    }
    meta.format = RECORD_FORMAT;
    meta.starts += 1;
    let mut ops = vec![pack::put_short(keys::meta(), &meta)];
    if config.embedded {
        ops.extend(end_open_runs(&archive)?);
    }
    archive.record.commit(&ops)?;
    Ok(Opened { archive, meta })
}

/// The rows that end the runs of a dead owner: what had no outcome is `stopped`.
fn end_open_runs(archive: &Archive) -> Result<Vec<Op>, OpenArchiveError> {
    let mut ops = Vec::new();
    for mut record in archive.open_runs()? {
        let serial = record.serial;
        match archive.load(serial) {
            Ok(stored) => {
                let mut counts = stored.board.counts();
                for word in state::ALL.into_iter().filter(|word| !state::is_finished(*word)) {
                    if let Some(count) = state::count_mut(&mut counts, word) {
                        counts.stopped += std::mem::take(count);
                    }
                }
                record.counts = Some(counts_record(counts));
                let moves = stored.board.moves();
                record.attempts = moves.attempts;
                record.cpu_ms = moves.cpu_ms;
            }
            // A run whose plan is gone can still be ended.
            Err(error) => tracing::warn!(%error, serial, "an open run cannot be read any more"),
        }
        set_ended(&mut record, now_ms());
        // Rows of items stay: in an ended run, one without an outcome counts as stopped.
        ops.push(pack::put_short(keys::run(serial), &record));
    }
    Ok(ops)
}

impl Engine {
    pub(super) fn new(
        config: Config,
        opened: Opened,
        committer: Committer,
        room: RoomWatch,
        internal: mpsc::UnboundedSender<EngineEvent>,
        handle: &EngineHandle,
    ) -> Self {
        let Opened { archive, meta } = opened;
        Self {
            config,
            start: handle.start,
            archive,
            committer: Some(committer),
            scheduler: Scheduler::default(),
            agents: Default::default(),
            runs: HashMap::new(),
            by_name: HashMap::new(),
            next_run: 0,
            last_serial: meta.last_run_serial,
            starts: meta.starts,
            counters: HashMap::new(),
            leases: HashMap::new(),
            adopted: HashMap::new(),
            seats: HashMap::new(),
            learning: Default::default(),
            whereabouts: Default::default(),
            unresolved: VecDeque::new(),
            no_room: None,
            room,
            pending: VecDeque::new(),
            fixing: Vec::new(),
            postponed: Vec::new(),
            riding: Rows::default(),
            internal,
            logs: handle.logs.clone(),
            live: handle.live.clone(),
            just_adopted: None,
            closing: None,
            ticks: 0,
            looked_up: 0,
            trims_due: 0,
            awaited: HashSet::new(),
            last_now: 0,
        }
    }

    /// A studio's runs go on where they were.
    pub(super) fn take_up_open_runs(&mut self) {
        let runs = match self.archive.open_runs() {
            Ok(runs) => runs,
            Err(error) => return tracing::error!(%error, "open runs cannot be read"),
        };
        if runs.is_empty() {
            return;
        }
        self.awaited = self.agents_that_were_here();
        if !self.awaited.is_empty() {
            let quiet = u64::try_from(QUIET.as_millis()).unwrap_or(0);
            let until_ms = self.scheduler_now() + quiet;
            self.step(Event::Quiet { until_ms });
        }
        for record in runs {
            let name = crate::query::archive::name_of(&record);
            let stored = match self.archive.load(record.serial) {
                Ok(stored) => stored,
                Err(error) => {
                    tracing::error!(run = %name, %error, "an open run cannot be taken up");
                    continue;
                }
            };
            let recipe = match Recipe::of(stored.board.plan()) {
                Ok(recipe) => recipe,
                Err(error) => {
                    tracing::error!(run = %name, %error, "an open run cannot be taken up");
                    continue;
                }
            };
            let plan = stored.board.plan();
            let anew: HashSet<u32> = (0..plan.len())
                .filter(|index| crate::query::names::fits_any(&record.anew, plan.address(*index)))
                .collect();
            let stopped = record.stopped_by_person;
            self.add_run(stored.record, stored.board, recipe, anew);
            if stopped && let Some(id) = self.by_name.get(&name).copied() {
                self.step(Event::Stop { run: id });
            }
            tracing::info!(run = %name, "a run goes on");
        }
    }

    /// Agents that had joined when the coordinator ended: they may hold items of the time before.
    fn agents_that_were_here(&self) -> HashSet<String> {
        let rows = self.archive.record.scan_prefix(&keys::agents());
        let rows = rows.unwrap_or_else(|error| {
            tracing::warn!(%error, "it cannot be read which agents were here");
            Vec::new()
        });
        rows.iter()
            .filter_map(|(key, value)| pack::read::<AgentRecord>(key, value, &self.archive.store).ok())
            .filter(|agent| agent.here)
            .map(|agent| agent.uuid)
            .collect()
    }

    /// An agent has said what it holds. Once all have that may hold something, placing begins.
    pub(super) fn no_longer_awaited(&mut self, uuid: &str) {
        if self.awaited.remove(uuid) && self.awaited.is_empty() {
            self.step(Event::Quiet { until_ms: 0 });
        }
    }

    /// The scheduler's time, which never goes back.
    pub(super) fn scheduler_now(&self) -> u64 {
        u64::try_from(now_ms()).unwrap_or(0).max(self.last_now)
    }
}
