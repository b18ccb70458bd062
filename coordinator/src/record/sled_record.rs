//! The record in sled 0.34: one tree, and four rules that its own `flush` does not keep.
//!
//! 1. After `flush`, the data file is synced through a handle of our own. sled itself asks Linux only for
//!    `sync_file_range`, which leaves the file's size and extents unsynced: kill -9 loses nothing, but a
//!    power cut loses everything that was acknowledged.
//! 2. Rows have at most 4 KiB, see [`super::MAX_ROW_BYTES`].
//! 3. A snapshot that was being written when the process died is removed before opening; when opening finds
//!    damage, all snapshots are moved aside and it is tried once more, since the log alone gives all rows back.
//! 4. Each batch writes the log synchronously, so changes go in groups; see [`super::Committer`].

use std::fs::{self, File};
use std::io;
use std::ops::{Bound, ControlFlow};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::{Op, Record, RecordError, Result, Scan, Visitor, check_rows, swap};

/// sled's page cache. Its default of 1 GiB would be most of a small machine.
const CACHE_BYTES: u64 = 32 * 1024 * 1024;
/// How long a former owner's threads may take to let go of the database, and how often to look.
const LOCK_WAIT: Duration = Duration::from_secs(10);
const LOCK_LOOK: Duration = Duration::from_millis(10);

/// The record in a folder.
pub struct SledRecord {
    folder: PathBuf,
    db: sled::Db,
    /// Our own handle on sled's data file, for rule 1.
    data_file: File,
    /// Set when a commit failed: what is on disk is then unknown until it is opened anew.
    broken: AtomicBool,
}

impl SledRecord {
    /// Opens the record in `folder`, or begins one. The caller holds the lock of the data folder.
    pub fn open(folder: &Path) -> Result<Self> {
        swap::repair(folder)?;
        fs::create_dir_all(folder).map_err(|source| io_error("create", folder, source))?;
        remove_unfinished_snapshots(folder)?;
        let db = match open_database(folder) {
            Err(RecordError::Database {
                source: sled::Error::Corruption { .. },
                ..
            }) => {
                let moved = move_snapshots_aside(folder)?;
                tracing::warn!(folder = %folder.display(), moved, "the record's snapshot was damaged; reading its log");
                open_database(folder)?
            }
            other => other?,
        };
        let data_path = folder.join("db");
        let data_file = File::options()
            .read(true)
            .write(true)
            .open(&data_path)
            .map_err(|source| io_error("open", &data_path, source))?;
        let record = Self {
            folder: folder.to_owned(),
            db,
            data_file,
            broken: AtomicBool::new(false),
        };
        record.sync()?;
        tidemill_store::sync_folder(folder).map_err(|source| io_error("sync", folder, source))?;
        Ok(record)
    }

    /// What the record takes on disk, in bytes.
    pub fn disk_bytes(&self) -> Result<u64> {
        self.db
            .size_on_disk()
            .map_err(|source| self.database_error("measure", source))
    }

    /// Rule 1.
    fn sync(&self) -> Result<()> {
        self.db
            .flush()
            .map_err(|source| self.database_error("flush", source))?;
        self.data_file
            .sync_data()
            .map_err(|source| io_error("sync", &self.folder.join("db"), source))
    }

    fn apply(&self, ops: &[Op]) -> Result<()> {
        let mut batch = sled::Batch::default();
        for op in ops {
            match op {
                Op::Put { key, value } => batch.insert(key.as_slice(), value.as_slice()),
                Op::Delete { key } => batch.remove(key.as_slice()),
            }
        }
        self.db
            .apply_batch(batch)
            .map_err(|source| self.database_error("write to", source))?;
        self.sync()
    }

    fn database_error(&self, action: &'static str, source: sled::Error) -> RecordError {
        RecordError::Database {
            action,
            folder: self.folder.clone(),
            source,
        }
    }
}

impl Record for SledRecord {
    fn has_failed(&self) -> bool {
        self.broken.load(Ordering::Acquire)
    }

    fn commit(&self, ops: &[Op]) -> Result<()> {
        check_rows(ops)?;
        if self.broken.load(Ordering::Acquire) {
            return Err(RecordError::Broken {
                folder: self.folder.clone(),
            });
        }
        if ops.is_empty() {
            return Ok(());
        }
        self.apply(ops)
            .inspect_err(|_| self.broken.store(true, Ordering::Release))
    }

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>> {
        let value = self
            .db
            .get(key)
            .map_err(|source| self.database_error("read from", source))?;
        Ok(value.map(|value| value.to_vec()))
    }

    fn visit(&self, scan: &Scan, each: Visitor<'_>) -> Result<()> {
        let (low, high) = scan.bounds();
        let high = high.map_or(Bound::Unbounded, Bound::Excluded);
        let mut range = self.db.range::<Vec<u8>, _>((Bound::Included(low), high));
        for _ in 0..scan.limit {
            let row = if scan.reverse {
                range.next_back()
            } else {
                range.next()
            };
            let Some(row) = row else { break };
            let (key, value) = row.map_err(|source| self.database_error("read from", source))?;
            if each(&key, &value) == ControlFlow::Break(()) {
                break;
            }
        }
        Ok(())
    }
}

fn open_database(folder: &Path) -> Result<sled::Db> {
    let config = sled::Config::new()
        .path(folder)
        .cache_capacity(CACHE_BYTES)
        // Every commit flushes; a second flusher would only compete with it.
        .flush_every_ms(None);
    let begun = Instant::now();
    loop {
        match config.open() {
            Err(source) if still_locked(&source) && begun.elapsed() < LOCK_WAIT => {
                std::thread::sleep(LOCK_LOOK);
            }
            Err(source) => {
                return Err(RecordError::Database {
                    action: "open",
                    folder: folder.to_owned(),
                    source,
                });
            }
            Ok(database) => return Ok(database),
        }
    }
}

/// The database's own lock is let go of by its threads, a moment after the owner of the data folder let go of
/// the folder. Sled gives that error no kind of its own.
fn still_locked(error: &sled::Error) -> bool {
    matches!(error, sled::Error::Io(_)) && error.to_string().contains("could not acquire lock")
}

/// Rule 3, first half.
fn remove_unfinished_snapshots(folder: &Path) -> Result<()> {
    for path in snapshots(folder)? {
        if path
            .extension()
            .is_some_and(|extension| extension == "generating")
        {
            fs::remove_file(&path).map_err(|source| io_error("remove", &path, source))?;
        }
    }
    Ok(())
}

/// Rule 3, second half. Gives how many there were.
fn move_snapshots_aside(folder: &Path) -> Result<usize> {
    let aside = folder.with_extension(format!("damaged-{}", uuid::Uuid::new_v4().simple()));
    let found = snapshots(folder)?;
    fs::create_dir_all(&aside).map_err(|source| io_error("create", &aside, source))?;
    for path in &found {
        let target = aside.join(path.file_name().unwrap_or_default());
        fs::rename(path, &target).map_err(|source| io_error("move aside", path, source))?;
    }
    Ok(found.len())
}

fn snapshots(folder: &Path) -> Result<Vec<PathBuf>> {
    let entries = fs::read_dir(folder).map_err(|source| io_error("list", folder, source))?;
    let mut found = Vec::new();
    for entry in entries {
        let entry = entry.map_err(|source| io_error("list", folder, source))?;
        if entry
            .file_name()
            .to_str()
            .is_some_and(|name| name.starts_with("snap."))
        {
            found.push(entry.path());
        }
    }
    Ok(found)
}

fn io_error(action: &'static str, path: &Path, source: io::Error) -> RecordError {
    RecordError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}
