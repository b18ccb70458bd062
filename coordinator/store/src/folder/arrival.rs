//! A big blob that arrives in parts, several at once and in any order.

use std::fs::File;
use std::ops::Range;
use std::sync::{Mutex, PoisonError, RwLock};

use tidemill_proto::Digest;
use tidemill_proto::parts::{Extents, PART_BYTES};

use super::layout::PartFile;
use super::staging::{Staged, hash_file};
use super::{Store, lock};
use crate::error::{At, Result, StoreError};
use crate::os;

impl Store {
    /// Begins a blob of `size` bytes that arrives in parts under an announced name.
    pub fn arrival(&self, digest: Digest, size: u64) -> Result<Arrival> {
        let (part, file) = self.create_part()?;
        Ok(Arrival {
            store: self.clone(),
            digest,
            size,
            open: RwLock::new(Some((part, file))),
            arrived: Mutex::new(Extents::default()),
        })
    }
}

/// A big blob on its way in; may be written from several threads. Dropped unfinished, it leaves nothing.
pub struct Arrival {
    store: Store,
    digest: Digest,
    size: u64,
    /// Held for reading while a piece is written, so that nobody still writes a file that has become a blob.
    open: RwLock<Option<(PartFile, File)>>,
    arrived: Mutex<Extents>,
}

impl Arrival {
    /// Size of the whole blob in bytes.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// What has not arrived, cut into parts; empty: all of it is here.
    pub fn lacking(&self) -> Vec<Range<u64>> {
        lock(&self.arrived).lacking(self.size, PART_BYTES)
    }

    /// Takes a piece that begins at byte `offset`. One that reaches beyond the announced end is refused; one that
    /// comes after the end of all is passed over.
    pub fn add(&self, offset: u64, piece: &[u8]) -> Result<()> {
        let end = offset.saturating_add(piece.len() as u64);
        if end > self.size {
            return Err(StoreError::TooLong {
                digest: self.digest,
                size: self.size,
            });
        }
        let open = self.open.read().unwrap_or_else(PoisonError::into_inner);
        let Some((part, file)) = &*open else {
            return Ok(());
        };
        os::write_at(file, piece, offset).at("write", part.path())?;
        lock(&self.arrived).add(offset..end);
        Ok(())
    }

    /// Checks the name once everything has arrived, and stages the blob. `None`: something is lacking, or another
    /// caller has done it.
    ///
    /// # Errors
    /// [`StoreError::Mismatch`]: the bytes have another name; they were thrown away.
    pub fn finish(&self) -> Result<Option<Staged>> {
        if !self.lacking().is_empty() {
            return Ok(None);
        }
        let taken = self.open.write().unwrap_or_else(PoisonError::into_inner).take();
        let Some((part, file)) = taken else {
            return Ok(None);
        };
        drop(file);
        let (found, size) = hash_file(part.path())?;
        if found != self.digest {
            return Err(StoreError::Mismatch {
                expected: self.digest,
                found,
            });
        }
        let staged = Staged {
            digest: self.digest,
            size,
        };
        if self.store.contains(&self.digest)? {
            return Ok(Some(staged));
        }
        self.store.name_part(part, staged).map(Some)
    }
}
