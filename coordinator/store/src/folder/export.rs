//! Blobs as ordinary files outside the store: whole and checked, or not there at all.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use tidemill_proto::Digest;

use super::layout::PartFile;
use super::staging::{PIECE_BYTES, hash_file};
use super::{BlobReader, Store, lock};
use crate::error::{At, Result, StoreError};
use crate::os;

/// How an exported file is made durable. Either way it shares the blob's extents where the file system can
/// (reflink) and is a copy elsewhere, so changing it never changes the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExportMode {
    /// Not synced: for folders that are thrown away.
    Fast,
    /// Synced before it gets its name: for deliveries.
    Synced,
}

impl Store {
    /// Writes a blob to `target`, which is replaced; missing parent folders are made. Gives the size.
    ///
    /// The bytes go to a file without a name, or to a temporary one beside the target, are checked, and then get the name
    /// at once, so no partial or wrong file ever bears it. The file is writable, and not executable.
    pub fn export(&self, digest: &Digest, target: &Path, mode: ExportMode) -> Result<u64> {
        self.export_as(digest, target, mode, false)
    }

    /// As [`Store::export`], with a choice whether the file can be executed.
    pub fn export_as(
        &self,
        digest: &Digest,
        target: &Path,
        mode: ExportMode,
        executable: bool,
    ) -> Result<u64> {
        let parent = parent_of(target);
        let size = match self.export_unnamed(digest, target, &parent, mode, executable)? {
            Some(size) => size,
            None => self.export_beside(digest, target, &parent, mode, executable)?,
        };
        if mode == ExportMode::Synced {
            os::sync_folder(&parent).at("sync", &parent)?;
        }
        Ok(size)
    }

    /// Through a file without a name, which gets the target's. `None`: that cannot be done here, or the blob can be cloned.
    fn export_unnamed(
        &self,
        digest: &Digest,
        target: &Path,
        parent: &Path,
        mode: ExportMode,
        executable: bool,
    ) -> Result<Option<u64>> {
        if self.may_clone_to(parent) {
            return Ok(None);
        }
        let reader = self.open_blob(digest)?;
        // A missing parent is made below.
        let Ok(Some(file)) = os::create_unnamed(parent) else {
            return Ok(None);
        };
        let size = copy(reader, &file, target)?;
        if executable {
            os::make_executable(&file).at("set the permissions of", target)?;
        }
        if mode == ExportMode::Synced {
            file.sync_all().at("sync", target)?;
        }
        match os::name_file(&file, target) {
            Ok(()) => Ok(Some(size)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let part = PartFile::new(self.part_beside(parent));
                os::name_file(&file, part.path()).at("create", part.path())?;
                part.rename_to(target)?;
                Ok(Some(size))
            }
            // As where /proc is not mounted.
            Err(_) => Ok(None),
        }
    }

    /// Through a temporary file beside the target.
    fn export_beside(
        &self,
        digest: &Digest,
        target: &Path,
        parent: &Path,
        mode: ExportMode,
        executable: bool,
    ) -> Result<u64> {
        let part = PartFile::new(self.part_beside(parent));
        let size = match self.clone_checked(digest, &part, parent)? {
            Some(size) => size,
            None => self.copy_checked(digest, part.path(), parent, mode)?,
        };
        if executable {
            os::make_plain(part.path(), true).at("set the permissions of", part.path())?;
        }
        if mode == ExportMode::Synced {
            // Windows flushes only through handles that may write.
            let file = File::options()
                .read(true)
                .write(true)
                .open(part.path())
                .at("open", part.path())?;
            file.sync_all().at("sync", part.path())?;
        }
        part.rename_to(target)?;
        Ok(size)
    }

    /// A name in `parent` that nobody else uses.
    pub(crate) fn part_beside(&self, parent: &Path) -> PathBuf {
        parent.join(format!(".part-{}", self.shared.layout.unique()))
    }

    /// Whether blobs can be cloned into a folder, as far as is known.
    fn may_clone_to(&self, folder: &Path) -> bool {
        if self.shared.far.is_some() || self.shared.cannot_clone.load(Ordering::Relaxed) {
            return false;
        }
        os::device_of(folder).is_ok_and(|device| !lock(&self.shared.cannot_clone_to).contains(&device))
    }

    /// Shares the blob's extents; `None` where that cannot be done.
    fn clone_checked(&self, digest: &Digest, part: &PartFile, parent: &Path) -> Result<Option<u64>> {
        if !self.may_clone_to(parent) {
            return Ok(None);
        }
        let blob = self.shared.layout.blob(digest);
        // Also one that is about to be removed can still be read.
        if self.size(digest)?.is_none() {
            return Err(StoreError::Absent { digest: *digest });
        }
        if let Err(error) = reflink_copy::reflink(&blob, part.path()) {
            match error.kind() {
                io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                    return Err(error).at("write", part.path());
                }
                io::ErrorKind::NotFound => {}
                _ => self.note_no_clones(parent),
            }
            return Ok(None);
        }
        os::make_plain(part.path(), false).at("set the permissions of", part.path())?;
        let (found, size) = hash_file(part.path())?;
        if found == *digest {
            Ok(Some(size))
        } else {
            Err(self.set_aside(digest, found))
        }
    }

    /// A file system that cannot clone its own blobs cannot clone them to any other.
    fn note_no_clones(&self, folder: &Path) {
        let Ok(device) = os::device_of(folder) else {
            return;
        };
        if os::device_of(self.shared.layout.blobs()).is_ok_and(|own| own == device) {
            self.shared.cannot_clone.store(true, Ordering::Relaxed);
        }
        lock(&self.shared.cannot_clone_to).insert(device);
    }

    fn copy_checked(&self, digest: &Digest, part: &Path, parent: &Path, mode: ExportMode) -> Result<u64> {
        let reader = self.open_blob(digest)?;
        let file = match File::create_new(part) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                make_folders(parent, mode)?;
                File::create_new(part)
            }
            other => other,
        }
        .at("create", part)?;
        copy(reader, &file, part)
    }
}

/// Makes a folder and those above it that are missing.
fn make_folders(folder: &Path, mode: ExportMode) -> Result<()> {
    let missing: Vec<&Path> = folder.ancestors().take_while(|above| !above.exists()).collect();
    fs::create_dir_all(folder).at("create", folder)?;
    if mode == ExportMode::Synced {
        for made in missing {
            // A file in a folder that a power cut takes away is no delivery.
            let above = parent_of(made);
            os::sync_folder(&above).at("sync", &above)?;
        }
    }
    Ok(())
}

/// Copies a blob into a file, checked; gives its size.
fn copy(mut reader: BlobReader, mut file: &File, path: &Path) -> Result<u64> {
    let most = usize::try_from(reader.size()).unwrap_or(PIECE_BYTES);
    let mut piece = vec![0; PIECE_BYTES.min(most).max(1)];
    loop {
        match reader.next_piece(&mut piece)? {
            0 => return Ok(reader.size()),
            count => file.write_all(&piece[..count]).at("write", path)?,
        }
    }
}

/// The folder that `target` is in; a bare name is in the current one.
pub(crate) fn parent_of(target: &Path) -> PathBuf {
    match target.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}
