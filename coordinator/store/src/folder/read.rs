//! Bytes on their way out, checked against their name while they pass.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::PathBuf;

use tidemill_proto::Digest;

use super::Store;
use super::staging::{PIECE_BYTES, hash_file};
use crate::error::{At, Result, StoreError};

impl Store {
    /// Opens a blob for reading; see [`BlobReader`].
    pub fn open_blob(&self, digest: &Digest) -> Result<BlobReader> {
        let (path, file, size) = match &self.shared.far {
            None => self.open_near(digest)?,
            Some(far) => {
                let opened = far.open(digest)?.ok_or(StoreError::Absent { digest: *digest })?;
                (
                    PathBuf::from(super::blob_name(digest)),
                    Source::Far(opened.bytes),
                    opened.size,
                )
            }
        };
        let hasher = Box::new(blake3::Hasher::new());
        Ok(BlobReader {
            store: self.clone(),
            digest: *digest,
            path,
            file,
            size,
            hasher,
            left: size,
            checked: false,
        })
    }

    fn open_near(&self, digest: &Digest) -> Result<(PathBuf, Source, u64)> {
        let path = self.shared.layout.blob(digest);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(StoreError::Absent { digest: *digest });
            }
            Err(error) => return Err(error).at("open", &path),
        };
        let size = file.metadata().at("open", &path)?.len();
        Ok((path, Source::File(file), size))
    }

    /// Opens a blob and skips its first `offset` bytes, which are read all the same, since the check is over
    /// the whole. An offset past the end gives nothing.
    pub fn open_blob_at(&self, digest: &Digest, offset: u64) -> Result<BlobReader> {
        let mut reader = self.open_blob(digest)?;
        let mut piece = vec![0; PIECE_BYTES];
        let mut to_skip = offset.min(reader.size);
        while to_skip > 0 {
            let wanted = piece.len().min(usize::try_from(to_skip).unwrap_or(piece.len()));
            match reader.next_piece(&mut piece[..wanted])? {
                0 => break,
                count => to_skip -= count as u64,
            }
        }
        Ok(reader)
    }

    /// A whole blob in memory, checked. For small ones.
    pub fn read_blob(&self, digest: &Digest) -> Result<Vec<u8>> {
        let mut reader = self.open_blob(digest)?;
        let size = usize::try_from(reader.size).unwrap_or(0);
        let mut bytes = Vec::with_capacity(size);
        reader
            .read_to_end(&mut bytes)
            .map_err(|error| StoreError::from_read(error, *digest))?;
        Ok(bytes)
    }

    /// Reads a blob through and checks it; gives its size. A damaged one is set aside.
    pub fn verify(&self, digest: &Digest) -> Result<u64> {
        let mut reader = self.open_blob(digest)?;
        let mut piece = vec![
            0;
            PIECE_BYTES
                .min(usize::try_from(reader.size).unwrap_or(PIECE_BYTES))
                .max(1)
        ];
        while reader.next_piece(&mut piece)? > 0 {}
        Ok(reader.size)
    }

    /// Checks a blob and gives its path, for reading in place. The file is read-only; nobody may change it.
    ///
    /// # Errors
    /// Also of a store whose blobs are not in its folder: they are to be fetched into a cache first.
    pub fn verified_path(&self, digest: &Digest) -> Result<PathBuf> {
        if let Some(far) = &self.shared.far {
            return Err(StoreError::BadPlace {
                place: far.backend.place(),
                reason: "its blobs cannot be read in place".to_owned(),
            });
        }
        self.verify(digest)?;
        Ok(self.shared.layout.blob(digest))
    }

    /// Moves a blob out of the store because its bytes are not what its name says.
    ///
    /// Looks again before: since this reader opened the file, another may have set it aside and the blob may
    /// have been made anew. That one must stay.
    pub(super) fn set_aside(&self, digest: &Digest, found: Digest) -> StoreError {
        if let Some(far) = &self.shared.far {
            return match self.set_aside_far(far, digest, found) {
                Ok(aside) => StoreError::Corrupt {
                    digest: *digest,
                    found,
                    aside,
                },
                Err(error) => error,
            };
        }
        let layout = &self.shared.layout;
        let from = layout.blob(digest);
        let made_anew = || {
            let changed = io::Error::new(
                io::ErrorKind::ResourceBusy,
                "it was made anew meanwhile; read it again",
            );
            StoreError::io("read", &from, changed)
        };
        if hash_file(&from).is_ok_and(|(now, _)| now == *digest) {
            return made_anew();
        }
        let aside = layout.aside().join(layout.new_staged_name(digest));
        match fs::rename(&from, &aside) {
            Ok(()) => {}
            // Another reader saw the same and was faster.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return StoreError::io("set aside the damaged blob", &from, error),
        }
        // It was looked at a moment before it was moved: what is right goes back.
        if hash_file(&aside).is_ok_and(|(moved, _)| moved == *digest) {
            return match fs::rename(&aside, &from) {
                Ok(()) => made_anew(),
                Err(error) => StoreError::io("rename a file to", &from, error),
            };
        }
        tracing::error!(%digest, %found, aside = %aside.display(), "a damaged blob was set aside");
        StoreError::Corrupt {
            digest: *digest,
            found,
            aside,
        }
    }
}

/// Reads a blob and checks it against its name on the way.
///
/// The last byte is given out only after the whole has matched, so whoever has received `size` bytes has the
/// right ones. When they do not match, the read fails with [`StoreError::Corrupt`] (inside the
/// [`io::Error`], see [`StoreError::from_read`]) and the blob is set aside; what was read before must be
/// thrown away.
pub struct BlobReader {
    store: Store,
    digest: Digest,
    path: PathBuf,
    file: Source,
    size: u64,
    hasher: Box<blake3::Hasher>,
    /// Bytes that are still to come, by the size at opening.
    left: u64,
    checked: bool,
}

pub(super) enum Source {
    File(File),
    Far(Box<dyn Read + Send>),
}

impl Read for Source {
    fn read(&mut self, piece: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.read(piece),
            Self::Far(bytes) => bytes.read(piece),
        }
    }
}

impl BlobReader {
    /// Size of the blob in bytes.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The blob's name.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// Reads the next piece into `piece` (not empty); 0 at the end.
    pub fn next_piece(&mut self, piece: &mut [u8]) -> Result<usize> {
        if self.checked {
            return Ok(0);
        }
        let wanted = piece.len().min(usize::try_from(self.left).unwrap_or(piece.len()));
        let count = loop {
            match self.file.read(&mut piece[..wanted]) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                other => break other.map_err(|error| self.unread(error))?,
            }
        };
        self.hasher.update(&piece[..count]);
        self.left -= count as u64;
        if self.left == 0 || count == 0 {
            self.check()?;
        }
        Ok(count)
    }

    fn unread(&self, error: io::Error) -> StoreError {
        match error.downcast::<StoreError>() {
            Ok(own) => own,
            // Taken away between two ranges.
            Err(error) if matches!(self.file, Source::Far(_)) && error.kind() == io::ErrorKind::NotFound => {
                StoreError::Absent { digest: self.digest }
            }
            Err(error) => StoreError::io("read", &self.path, error),
        }
    }

    fn check(&mut self) -> Result<()> {
        self.checked = true;
        let found = Digest::from(self.hasher.finalize());
        if found == self.digest {
            Ok(())
        } else {
            Err(self.store.set_aside(&self.digest, found))
        }
    }
}

impl Read for BlobReader {
    fn read(&mut self, piece: &mut [u8]) -> io::Result<usize> {
        if piece.is_empty() {
            return Ok(0);
        }
        Ok(self.next_piece(piece)?)
    }
}
