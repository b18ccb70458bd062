//! Bytes on their way in: written or moved into `incoming/` under their digest, complete but not yet synced.
//!
//! A file gets its digest as its name only when it is complete, so whatever bears a digest there can be
//! committed, whoever staged it and whether or not that process still lives.

use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Seek, Write};
use std::path::Path;

use tidemill_proto::Digest;

use super::layout::PartFile;
use super::{Role, Store, lock};
use crate::error::{At, Result, StoreError};
use crate::os;

/// Bytes that are read at a time; bounds the memory of any stream.
pub(super) const PIECE_BYTES: usize = 256 * 1024;

/// A blob that a commit will find.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Staged {
    /// Its name.
    pub digest: Digest,
    /// Its size in bytes.
    pub size: u64,
}

impl Store {
    /// Stages bytes that are in memory.
    pub fn stage_bytes(&self, bytes: &[u8]) -> Result<Staged> {
        let staged = Staged {
            digest: Digest::of(bytes),
            size: bytes.len() as u64,
        };
        if self.contains(&staged.digest)? {
            return Ok(staged);
        }
        if self.shared.role == Role::Guest {
            let (part, mut file) = self.create_part()?;
            file.write_all(bytes).at("write", part.path())?;
            drop(file);
            return self.name_part(part, staged);
        }
        // Who stages and commits in one process saves a rename for each small blob.
        let name = self.shared.layout.new_direct_name(&staged.digest);
        let part = PartFile::new(self.shared.layout.incoming().join(&name));
        let mut file = os::create_read_only(part.path()).at("create", part.path())?;
        file.write_all(bytes).at("write", part.path())?;
        drop(file);
        part.keep();
        self.remember(staged.digest, name);
        Ok(staged)
    }

    /// Stages all that `reader` gives, with bounded memory. `origin` names it in errors.
    pub fn stage_reader(&self, reader: &mut dyn Read, origin: &Path) -> Result<Staged> {
        let mut incoming = self.incoming()?;
        let mut piece = vec![0; PIECE_BYTES];
        loop {
            match reader.read(&mut piece) {
                Ok(0) => return incoming.finish(None),
                Ok(count) => incoming.add(&piece[..count])?,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(StoreError::io("read", origin, error)),
            }
        }
    }

    /// Stages a copy of a file, which stays where it is.
    pub fn stage_file(&self, path: &Path) -> Result<Staged> {
        let mut file = File::open(path).at("open", path)?;
        let size = file.metadata().at("open", path)?.len();
        if size <= PIECE_BYTES as u64 {
            let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0) + 1);
            let most = PIECE_BYTES as u64 + 1;
            (&mut file).take(most).read_to_end(&mut bytes).at("read", path)?;
            // One that grows meanwhile goes the way of those that are long.
            if bytes.len() <= PIECE_BYTES {
                return self.stage_bytes(&bytes);
            }
            file.rewind().at("read", path)?;
        }
        self.stage_reader(&mut file, path)
    }

    /// Stages a file by moving it away from `path`; copies across file systems. No process may write it any more.
    pub fn stage_by_rename(&self, path: &Path) -> Result<Staged> {
        let metadata = fs::symlink_metadata(path).at("open", path)?;
        if !metadata.is_file() {
            let reason = "it is not an ordinary file".to_owned();
            return Err(StoreError::Unkeepable {
                path: path.to_owned(),
                reason,
            });
        }
        let part = PartFile::new(self.shared.layout.new_part());
        match fs::rename(path, part.path()) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::CrossesDevices => {
                let staged = self.stage_file(path)?;
                fs::remove_file(path).at("remove", path)?;
                return Ok(staged);
            }
            Err(error) => return Err(error).at("move into the store", path),
        }
        // Hashed where nothing else looks for it any more, then named.
        os::protect_staged(part.path()).at("protect", part.path())?;
        let (digest, size) = hash_file(part.path())?;
        let staged = Staged { digest, size };
        if self.contains(&digest)? {
            return Ok(staged);
        }
        self.name_part(part, staged)
    }

    /// Begins a blob that arrives in pieces.
    pub fn incoming(&self) -> Result<Incoming> {
        let (part, file) = self.create_part()?;
        let hasher = Box::new(blake3::Hasher::new());
        Ok(Incoming {
            store: self.clone(),
            part,
            file: BufWriter::new(file),
            hasher,
            size: 0,
        })
    }

    pub(super) fn create_part(&self) -> Result<(PartFile, File)> {
        let part = PartFile::new(self.shared.layout.new_part());
        let file = os::create_read_only(part.path()).at("create", part.path())?;
        Ok((part, file))
    }

    pub(super) fn name_part(&self, part: PartFile, staged: Staged) -> Result<Staged> {
        let name = self.shared.layout.new_staged_name(&staged.digest);
        part.rename_to(&self.shared.layout.incoming().join(&name))?;
        self.remember(staged.digest, name);
        Ok(staged)
    }

    fn remember(&self, digest: Digest, name: String) {
        lock(&self.shared.staged_here)
            .entry(digest)
            .or_default()
            .push(name);
    }
}

/// A blob that arrives in pieces, as a [`Write`] or through [`Incoming::add`]. Dropped unfinished, it leaves nothing.
pub struct Incoming {
    store: Store,
    part: PartFile,
    file: BufWriter<File>,
    hasher: Box<blake3::Hasher>,
    size: u64,
}

impl Incoming {
    /// Takes the next piece.
    pub fn add(&mut self, piece: &[u8]) -> Result<()> {
        self.file.write_all(piece).at("write", self.part.path())?;
        self.hasher.update(piece);
        self.size += piece.len() as u64;
        Ok(())
    }

    /// Bytes taken so far.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Ends the blob. If a name was announced, other bytes are refused and thrown away.
    pub fn finish(self, expected: Option<Digest>) -> Result<Staged> {
        let Self {
            store,
            part,
            file,
            hasher,
            size,
        } = self;
        let digest = Digest::from(hasher.finalize());
        // The buffer must reach the file before the file gets its name.
        let file = file
            .into_inner()
            .map_err(|error| error.into_error())
            .at("write", part.path())?;
        drop(file);
        match expected {
            Some(expected) if expected != digest => Err(StoreError::Mismatch {
                expected,
                found: digest,
            }),
            _ if store.contains(&digest)? => Ok(Staged { digest, size }),
            _ => store.name_part(part, Staged { digest, size }),
        }
    }
}

impl Write for Incoming {
    fn write(&mut self, piece: &[u8]) -> io::Result<usize> {
        self.add(piece)?;
        Ok(piece.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Digest and size of a file's bytes.
pub(super) fn hash_file(path: &Path) -> Result<(Digest, u64)> {
    let mut file = File::open(path).at("open", path)?;
    let size = file.metadata().at("open", path)?.len();
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0; PIECE_BYTES.min(usize::try_from(size).unwrap_or(PIECE_BYTES) + 1)];
    let mut total = 0;
    loop {
        match file.read(&mut piece) {
            Ok(0) => return Ok((Digest::from(hasher.finalize()), total)),
            Ok(count) => {
                hasher.update(&piece[..count]);
                total += count as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(StoreError::io("read", path, error)),
        }
    }
}
