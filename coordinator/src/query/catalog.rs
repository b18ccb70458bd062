//! All runs with what was gathered of them, kept decoded between questions. Rows are still visited for each question, so
//! that nothing can be missed; only those that changed are decoded again. Blocks.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, PoisonError};

use prost::Message;

use super::archive::{Archive, ArchiveError};
use super::index::is_fresh;
use crate::record::rows::{RunIndexRecord, RunRecord};
use crate::record::{Scan, keys, pack};

/// Runs beyond these, the oldest, are decoded for each question.
const MOST_KEPT: usize = 20_000;

/// Decoded rows. Clones are not needed: share it.
#[derive(Debug, Default)]
pub struct Catalog {
    kept: Mutex<Kept>,
}

#[derive(Debug, Default)]
struct Kept {
    runs: BTreeMap<u64, Row<RunRecord>>,
    indexes: BTreeMap<u64, Row<RunIndexRecord>>,
}

#[derive(Debug)]
struct Row<M> {
    bytes: Box<[u8]>,
    decoded: Arc<M>,
}

/// One run.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Its row.
    pub run: Arc<RunRecord>,
    /// What was gathered of it, which may be old; see [`Entry::is_fresh`].
    pub index: Option<Arc<RunIndexRecord>>,
}

impl Entry {
    /// Whether there is nothing to gather of it.
    pub fn is_fresh(&self) -> bool {
        is_fresh(&self.run, self.index.as_deref())
    }
}

impl Catalog {
    /// All runs, in order of submission.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn runs(&self, archive: &Archive) -> Result<Vec<Entry>, ArchiveError> {
        // Each map is whole before anything can panic.
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let Kept { runs, indexes } = &mut *kept;
        let rows = brought_up(runs, archive, keys::runs(), keys::read_run)?;
        let mut gathered = brought_up(indexes, archive, keys::run_indexes(), keys::read_run_index)?
            .into_iter()
            .peekable();
        let mut found = Vec::with_capacity(rows.len());
        for (serial, run) in rows {
            while gathered.next_if(|(of, _)| *of < serial).is_some() {}
            let index = gathered.next_if(|(of, _)| *of == serial);
            found.push(Entry {
                run,
                index: index.map(|(_, index)| index),
            });
        }
        Ok(found)
    }
}

/// All rows of one kind by serial; `kept` holds the newest of them afterwards.
fn brought_up<M: Message + Default>(
    kept: &mut BTreeMap<u64, Row<M>>,
    archive: &Archive,
    prefix: Vec<u8>,
    serial_of: fn(&[u8]) -> Option<u64>,
) -> Result<Vec<(u64, Arc<M>)>, ArchiveError> {
    let mut before = std::mem::take(kept);
    let mut found = Vec::with_capacity(before.len() + 8);
    let mut failed = None;
    archive.record.visit(&Scan::of(prefix), &mut |key, value| {
        let Some(serial) = serial_of(key) else {
            return ControlFlow::Continue(());
        };
        let row = match before.remove(&serial).filter(|row| *row.bytes == *value) {
            Some(row) => row,
            None => match pack::read::<M>(key, value, &archive.store) {
                Ok(decoded) => Row {
                    bytes: value.into(),
                    decoded: Arc::new(decoded),
                },
                // A long one whose blob is gone is as one that never was: an index is gathered anew.
                Err(pack::UnpackError::Blob { .. }) => return ControlFlow::Continue(()),
                Err(error) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            },
        };
        found.push((serial, Arc::clone(&row.decoded)));
        kept.insert(serial, row);
        if kept.len() > MOST_KEPT {
            kept.pop_first();
        }
        ControlFlow::Continue(())
    })?;
    failed.map_or(Ok(found), |error| Err(error.into()))
}
