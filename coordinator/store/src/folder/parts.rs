//! Parts of a big blob on their way out.
//!
//! A part cannot be checked against the name of the whole, and reading the whole for each part would be as slow as not
//! cutting it. So the whole is checked once before its first part leaves, and that is remembered for a while; whoever
//! has all parts checks the whole again.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime};

use tidemill_proto::Digest;

use super::read::Source;
use super::{Store, lock};
use crate::error::{At, Result, StoreError};

/// How long a check is believed, as long as the file looks the same.
const BELIEVED: Duration = Duration::from_secs(10 * 60);
/// So many checks are remembered.
const MOST: usize = 256;

/// Blobs that were found whole. Each has a lock of its own, held while it is read through, so that nobody waits for the check of another.
#[derive(Debug, Default)]
pub(super) struct Checked(Mutex<HashMap<Digest, Arc<Mutex<Option<Found>>>>>);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Found {
    size: u64,
    modified: Option<SystemTime>,
    at: Instant,
}

impl Found {
    fn still_holds(&self, now: &Self) -> bool {
        self.size == now.size && self.modified == now.modified && now.at.duration_since(self.at) < BELIEVED
    }
}

impl Checked {
    /// What is known of one blob.
    fn of(&self, digest: &Digest) -> Arc<Mutex<Option<Found>>> {
        let mut all = lock(&self.0);
        if all.len() >= MOST {
            // One that somebody looks at is held by them, too.
            all.retain(|_, known| Arc::strong_count(known) > 1);
        }
        all.entry(*digest).or_default().clone()
    }
}

impl Store {
    /// Opens `length` bytes of a blob from `offset` on (fewer where it ends before). The whole was checked, now or a short while ago; whoever
    /// puts the parts together checks it again.
    pub fn open_part(&self, digest: &Digest, offset: u64, length: u64) -> Result<PartReader> {
        let (path, source, size, modified) = match &self.shared.far {
            Some(far) => {
                let name = super::blob_name(digest);
                let opened = far.backend.open(&name, offset)?;
                let opened = opened.ok_or(StoreError::Absent { digest: *digest })?;
                (PathBuf::from(name), Source::Far(opened.bytes), opened.size, None)
            }
            None => {
                let path = self.shared.layout.blob(digest);
                let mut file = match File::open(&path) {
                    Ok(file) => file,
                    Err(error) if error.kind() == io::ErrorKind::NotFound => {
                        return Err(StoreError::Absent { digest: *digest });
                    }
                    Err(error) => return Err(error).at("open", &path),
                };
                let metadata = file.metadata().at("open", &path)?;
                let start = offset.min(metadata.len());
                file.seek(SeekFrom::Start(start)).at("read", &path)?;
                (path, Source::File(file), metadata.len(), metadata.modified().ok())
            }
        };
        self.check_once(digest, size, modified)?;
        Ok(PartReader {
            path,
            source,
            size,
            left: length.min(size.saturating_sub(offset)),
        })
    }

    /// Several who want parts of one blob wait here for the first of them.
    fn check_once(&self, digest: &Digest, size: u64, modified: Option<SystemTime>) -> Result<()> {
        let known = self.shared.checked.of(digest);
        let mut found = lock(&known);
        let at = Instant::now();
        let now = Found { size, modified, at };
        if found.is_some_and(|found| found.still_holds(&now)) {
            return Ok(());
        }
        *found = None;
        self.verify(digest)?;
        let at = Instant::now();
        *found = Some(Found { at, ..now });
        Ok(())
    }

    /// Somebody put parts together and got other bytes: the next part is given only after a new check.
    pub fn doubt(&self, digest: &Digest) {
        // Whoever reads it through just now remembers that for nobody else.
        lock(&self.shared.checked.0).remove(digest);
    }
}

/// Reads a part of a blob.
pub struct PartReader {
    path: PathBuf,
    source: Source,
    size: u64,
    left: u64,
}

impl PartReader {
    /// Size of the whole blob in bytes.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Bytes that are still to come.
    pub fn left(&self) -> u64 {
        self.left
    }

    /// Fills `piece` (not empty) as far as the part goes; 0 at its end.
    pub fn next_piece(&mut self, piece: &mut [u8]) -> Result<usize> {
        let wanted = piece.len().min(usize::try_from(self.left).unwrap_or(piece.len()));
        let mut filled = 0;
        while filled < wanted {
            match self.source.read(&mut piece[filled..wanted]) {
                Ok(0) => {
                    let short = io::Error::from(io::ErrorKind::UnexpectedEof);
                    return Err(StoreError::io("read", &self.path, short));
                }
                Ok(count) => filled += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error).at("read", &self.path),
            }
        }
        self.left -= filled as u64;
        Ok(filled)
    }
}
