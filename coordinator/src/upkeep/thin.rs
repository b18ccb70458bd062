//! Thins the record: of items of runs that are no longer kept in full only what came of them stays. Their logs and all attempts
//! but the last are forgotten; outputs, keys, states, the history's figures and sign-off stay. The rows that stay are written into a
//! fresh record, which then takes the old one's place, since a record does not shrink by deleting. Blocks; only while nothing else
//! uses the data folder.

use std::collections::HashSet;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use tidemill_proto::Digest;
use tidemill_store::{Store, StoreError};

use super::neighbours::{take_leave, take_leave_between};
use super::roots::{Keeping, pinned, split};
use super::sweep::SweepError;
use crate::config::Config;
use crate::coordinator::{OpenError, take_ownership};
use crate::query::archive::{Archive, ArchiveError};
use crate::query::catalog::Catalog;
use crate::query::index::gather_lacking;
use crate::record::rows::{ItemRecord, MetaRecord, RECORD_FORMAT};
use crate::record::{Op, Record as _, RecordError, Scan, SledRecord, keys, pack, swap};

/// Rows that are written in one group: each group is synced.
const ROWS_AT_ONCE: usize = 4000;

/// What was thinned, or would be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Thinned {
    /// Runs of which something goes.
    pub runs: u64,
    /// Items of which something goes.
    pub items: u64,
    /// Attempts that go.
    pub attempts: u64,
    /// Logs that nothing names any longer; their bytes go with the next sweep of the store.
    pub logs: u64,
    /// What the record took on disk.
    pub before_bytes: u64,
    /// What it takes now; the same if nothing was removed.
    pub after_bytes: u64,
}

/// Why the record was not thinned. It is as it was.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ThinError {
    /// The data folder is in use, or cannot be used.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The record was written by a newer program.
    #[error("the record in {0} was written by a newer Tidemill; use that one")]
    Newer(String),
    /// The record cannot be read.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The record cannot be written.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The store cannot be used.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Other coordinators of the store could not be told what is kept.
    #[error("other coordinators of the store could not be told what is kept here: {0}")]
    Untold(#[from] Box<SweepError>),
}

/// Thins the record of a data folder. `remove`: else only figures. `keeping` says which runs stay in full; open and pinned ones do,
/// whatever it says.
///
/// # Errors
/// [`OpenError::Owned`] while another process uses the folder.
pub fn thin(config: &Config, keeping: Keeping, remove: bool, now_ms: i64) -> Result<Thinned, ThinError> {
    let _lock = take_ownership(config)?;
    let folder = config.data.join("record");
    let record = Arc::new(SledRecord::open(&folder)?);
    let archive = Archive {
        record: record.clone(),
        store: Store::open_at(&config.store, &config.staging())?,
    };
    let (thinned, fresh) = match prepare(&archive, &record, &folder, config, keeping, remove, now_ms) {
        Ok(prepared) => prepared,
        Err(error) => {
            // What went wrong counts; that others of the store may not sweep for now is told beside it.
            if let Err(error) = take_leave(&archive) {
                tracing::warn!(%error, "other coordinators of the store do not know what is kept here; they cannot sweep it");
            }
            return Err(error);
        }
    };
    let Some(fresh) = fresh else {
        take_leave(&archive).map_err(Box::new)?;
        return Ok(thinned);
    };
    let after = Archive {
        record: Arc::new(fresh),
        store: archive.store.clone(),
    };
    take_leave_between(&archive, Some(&after)).map_err(Box::new)?;
    drop((after, archive, record));
    swap::swap(&folder)?;
    Ok(thinned)
}

/// Looks what goes; if it is to be removed, writes what stays into a fresh record.
fn prepare(
    archive: &Archive,
    record: &SledRecord,
    folder: &Path,
    config: &Config,
    keeping: Keeping,
    remove: bool,
    now_ms: i64,
) -> Result<(Thinned, Option<SledRecord>), ThinError> {
    let meta = archive.row::<MetaRecord>(&keys::meta())?.unwrap_or_default();
    if meta.format > RECORD_FORMAT {
        return Err(ThinError::Newer(config.data.display().to_string()));
    }
    // What the history asks of a run is gathered before it can no longer be.
    gather_lacking(archive, &Catalog::default(), &|| false)?;
    let pinned = pinned(archive)?;
    let (_, old) = split(archive.history("", usize::MAX)?, keeping, &pinned, now_ms);
    let old: HashSet<u64> = old.iter().map(|run| run.serial).collect();
    let mut thinned = Thinned {
        before_bytes: record.disk_bytes()?,
        ..Thinned::default()
    };
    thinned.after_bytes = thinned.before_bytes;
    let fresh_folder = swap::fresh_folder(folder);
    let fresh = if remove {
        Some(SledRecord::open(&fresh_folder)?)
    } else {
        None
    };
    let copied = copy(archive, fresh.as_ref(), &old, &mut thinned);
    if let Err(error) = copied {
        drop(fresh);
        drop(std::fs::remove_dir_all(&fresh_folder)); // else the next opening removes it
        return Err(error);
    }
    if let Some(fresh) = &fresh {
        thinned.after_bytes = fresh.disk_bytes()?;
    }
    Ok((thinned, fresh))
}

/// Copies all rows, thinned, into `to`, if there is one.
fn copy(
    archive: &Archive,
    to: Option<&SledRecord>,
    old: &HashSet<u64>,
    thinned: &mut Thinned,
) -> Result<(), ThinError> {
    let mut ops = Vec::new();
    let mut blobs = Vec::new();
    let mut failed = None;
    let mut last_run = None;
    archive.record.visit(&Scan::of(Vec::new()), &mut |key, value| {
        let row = match keys::read_item(key) {
            Some((serial, _)) if old.contains(&serial) => thin_item(archive, key, value).map(|thin| {
                let (op, blob, went) = thin?;
                thinned.items += 1;
                thinned.attempts += went.attempts;
                thinned.logs += went.logs;
                thinned.runs += u64::from(last_run.replace(serial) != Some(serial));
                blobs.extend(blob);
                Some(op)
            }),
            _ => Ok(None),
        };
        let as_it_was = || Op::Put {
            key: key.to_vec(),
            value: value.to_vec(),
        };
        let written = row.and_then(|row| {
            let Some(to) = to else { return Ok(()) };
            ops.push(row.unwrap_or_else(as_it_was));
            if ops.len() >= ROWS_AT_ONCE {
                write(archive, to, &mut ops, &mut blobs)?;
            }
            Ok(())
        });
        match written {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                failed = Some(error);
                ControlFlow::Break(())
            }
        }
    })?;
    match (failed, to) {
        (Some(error), _) => Err(error),
        (None, Some(to)) => write(archive, to, &mut ops, &mut blobs),
        (None, None) => Ok(()),
    }
}

fn write(
    archive: &Archive,
    to: &SledRecord,
    ops: &mut Vec<Op>,
    blobs: &mut Vec<Digest>,
) -> Result<(), ThinError> {
    if !blobs.is_empty() {
        if let Some(digest) = archive.store.commit(blobs)?.missing.first() {
            return Err(StoreError::Absent { digest: *digest }.into());
        }
        blobs.clear();
    }
    to.commit(ops)?;
    ops.clear();
    Ok(())
}

/// What goes of one item.
#[derive(Debug, Default, PartialEq, Eq)]
struct Went {
    attempts: u64,
    logs: u64,
}

type ThinRow = Option<(Op, Option<Digest>, Went)>;

/// `None`: nothing of it goes, or it cannot be read and stays as it is.
fn thin_item(archive: &Archive, key: &[u8], value: &[u8]) -> Result<ThinRow, ThinError> {
    let Ok(mut row) = pack::read::<ItemRecord>(key, value, &archive.store) else {
        return Ok(None);
    };
    let went = forget(&mut row);
    if went == Went::default() {
        return Ok(None);
    }
    let packed = pack::put(key.to_vec(), &row, &archive.store)?;
    Ok(Some((packed.op, packed.blob, went)))
}

/// Leaves of an item what came of it, and its last attempt without a log.
fn forget(row: &mut ItemRecord) -> Went {
    let surplus = row.attempts.len().saturating_sub(1);
    let logs = row.attempts.iter().filter(|attempt| !attempt.log.is_empty());
    let went = Went {
        attempts: surplus as u64,
        logs: logs.count() as u64,
    };
    row.attempts.drain(..surplus);
    for attempt in &mut row.attempts {
        attempt.log.clear();
        attempt.log_tail.clear();
        attempt.log_size = 0;
        attempt.log_packed = false;
    }
    went
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::rows::{AttemptRecord, OutputRecord};

    #[test]
    fn what_came_of_an_item_stays() {
        let attempt = |number: u32, log: &[u8]| AttemptRecord {
            number,
            log: log.to_vec(),
            log_tail: "made 4012 triangles".into(),
            outcome: "done".into(),
            ..AttemptRecord::default()
        };
        let mut row = ItemRecord {
            key: vec![7; 32],
            attempts: vec![attempt(1, b"a"), attempt(2, b""), attempt(3, b"c")],
            outputs: vec![OutputRecord::default()],
            ..ItemRecord::default()
        };
        let whole = row.clone();
        assert_eq!(forget(&mut row), Went { attempts: 2, logs: 2 });
        assert_eq!((row.attempts.len(), row.attempts[0].number), (1, 3));
        assert!(row.attempts[0].log.is_empty() && row.attempts[0].log_tail.is_empty());
        assert_eq!((&row.key, &row.outputs), (&whole.key, &whole.outputs));
        assert_eq!(
            forget(&mut row),
            Went::default(),
            "there is nothing more to forget"
        );
    }
}
