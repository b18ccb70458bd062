//! The durable record of runs, items, attempts and results: ordered rows behind one small trait.
//!
//! # Layout
//! - [`Record`]: what the rest may ask of it: `commit` (durable on return), `get`, `visit`, `export`.
//! - [`SledRecord`]: the rows in one sled tree, with the rules that make sled 0.34 survive a power cut.
//! - [`swap`]: a fresh record in the place of an old one.
//! - [`MemoryRecord`]: the rows in a map, for simulations; passes the same tests.
//! - [`Committer`]: one thread that gathers what waits into one group, blobs first, then rows.
//! - [`keys`]: typed keys, built so that a scan gives rows in a useful order.
//! - [`rows`]: the rows as messages. [`pack`]: rows that are too long go to the store as a blob.
//!
//! Everything here blocks; async callers submit to the committer, or read through `spawn_blocking`.

mod committer;
mod dump;
pub mod keys;
mod memory;
pub mod pack;
pub mod rows;
mod sled_record;
pub mod swap;
#[cfg(test)]
mod tests;

use std::io;
use std::ops::ControlFlow;
use std::path::PathBuf;

pub use committer::{CommitBlobs, CommitError, Committer, CommitterClosed, Done, Submission};
pub use dump::read_export;
pub use memory::MemoryRecord;
pub use sled_record::SledRecord;

/// Most bytes that a row may have, key and value together. Longer rows risk the whole record in a power cut,
/// since sled then moves them to files that it never syncs; see [`pack`] for what to do with them.
pub const MAX_ROW_BYTES: usize = 4096;

/// Result of a record call.
pub type Result<T, E = RecordError> = std::result::Result<T, E>;

/// One change of one row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Op {
    /// Writes a row, whether or not it is there.
    Put {
        /// See [`keys`].
        key: Vec<u8>,
        /// A packed row.
        value: Vec<u8>,
    },
    /// Removes a row, if it is there.
    Delete {
        /// See [`keys`].
        key: Vec<u8>,
    },
}

/// Key and value of one row.
pub type Row = (Vec<u8>, Vec<u8>);

/// Which rows to visit, and in which order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scan {
    prefix: Vec<u8>,
    after: Option<Vec<u8>>,
    reverse: bool,
    limit: usize,
}

impl Scan {
    /// All rows whose key begins with `prefix`, ascending.
    pub fn of(prefix: impl Into<Vec<u8>>) -> Self {
        Self {
            prefix: prefix.into(),
            after: None,
            reverse: false,
            limit: usize::MAX,
        }
    }
    /// Descending instead.
    pub fn reverse(self) -> Self {
        Self {
            reverse: true,
            ..self
        }
    }
    /// At most so many.
    pub fn limit(self, limit: usize) -> Self {
        Self { limit, ..self }
    }
    /// Only rows that come after this key in the order of the scan; to go on where an earlier scan ended.
    pub fn after(self, key: impl Into<Vec<u8>>) -> Self {
        Self {
            after: Some(key.into()),
            ..self
        }
    }

    /// Lower bound (inclusive) and upper bound (exclusive, `None`: open) of the keys.
    fn bounds(&self) -> (Vec<u8>, Option<Vec<u8>>) {
        let mut low = self.prefix.clone();
        let mut high = first_beyond(&self.prefix);
        match &self.after {
            Some(after) if self.reverse && high.as_ref().is_none_or(|high| after < high) => {
                high = Some(after.clone());
            }
            Some(after) if !self.reverse && *after >= low => {
                low.clone_from(after);
                low.push(0);
            }
            _ => {}
        }
        // An empty range, in the form that range functions accept.
        match high {
            Some(high) if high < low => (high.clone(), Some(high)),
            high => (low, high),
        }
    }
}

/// The smallest key that is greater than all that begin with `prefix`; `None`: there is none.
fn first_beyond(prefix: &[u8]) -> Option<Vec<u8>> {
    let last = prefix.iter().rposition(|byte| *byte != u8::MAX)?;
    let mut beyond = prefix[..=last].to_vec();
    beyond[last] += 1;
    Some(beyond)
}

/// Called for each row of a scan; `Break` ends it.
pub type Visitor<'a> = &'a mut dyn FnMut(&[u8], &[u8]) -> ControlFlow<()>;

/// Ordered rows that survive.
pub trait Record: Send + Sync {
    /// Applies all changes or none, in order, and returns once they are on disk.
    fn commit(&self, ops: &[Op]) -> Result<()>;

    /// The value of one row.
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>>;

    /// Visits rows in order. Rows that are committed meanwhile may or may not be seen.
    fn visit(&self, scan: &Scan, each: Visitor<'_>) -> Result<()>;

    /// The rows of a scan.
    fn scan(&self, scan: &Scan) -> Result<Vec<Row>> {
        let mut rows = Vec::new();
        self.visit(scan, &mut |key, value| {
            rows.push((key.to_vec(), value.to_vec()));
            ControlFlow::Continue(())
        })?;
        Ok(rows)
    }

    /// All rows whose key begins with `prefix`, ascending.
    fn scan_prefix(&self, prefix: &[u8]) -> Result<Vec<Row>> {
        self.scan(&Scan::of(prefix))
    }

    /// Whether a commit failed, so that it takes nothing more until it is opened anew.
    fn has_failed(&self) -> bool {
        false
    }

    /// Writes all rows in a form that [`read_export`] reads; gives their number.
    fn export(&self, out: &mut dyn io::Write) -> Result<u64> {
        dump::write_export(self, out)
    }
}

/// Why the record failed.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The row is over [`MAX_ROW_BYTES`]; nothing of the commit was applied.
    #[error(
        "a row of {bytes} bytes (key {key}) is over the limit of {MAX_ROW_BYTES}; keep its content as a blob"
    )]
    RowTooLong {
        /// The key, for people.
        key: String,
        /// Key and value.
        bytes: usize,
    },
    /// The database failed.
    #[error("could not {action} the record in {}: {source}", folder.display())]
    Database {
        /// What was being done.
        action: &'static str,
        /// The record's folder.
        folder: PathBuf,
        /// The database's reason.
        source: sled::Error,
    },
    /// A file of the record could not be used.
    #[error("could not {action} {}: {source}", path.display())]
    Io {
        /// What was being done.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// An earlier commit failed half-way; what is on disk is only known after opening anew.
    #[error("the record in {} failed earlier and takes nothing more; start again", folder.display())]
    Broken {
        /// The record's folder.
        folder: PathBuf,
    },
    /// A row does not hold what its key promises.
    #[error("the row {key} is damaged: {reason}")]
    Damaged {
        /// The key, for people.
        key: String,
        /// What is wrong.
        reason: String,
    },
    /// An export could not be written or read.
    #[error("export of the record: {0}")]
    Export(String),
}

/// Refuses a commit with a row that is too long, before anything of it is applied.
fn check_rows(ops: &[Op]) -> Result<()> {
    for op in ops {
        if let Op::Put { key, value } = op
            && key.len() + value.len() > MAX_ROW_BYTES
        {
            return Err(RecordError::RowTooLong {
                key: keys::for_people(key),
                bytes: key.len() + value.len(),
            });
        }
    }
    Ok(())
}
