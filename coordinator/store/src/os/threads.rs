//! Systems without a sync for a whole file system: several threads, so that the disk sees requests side by
//! side. `File::sync_data` of the standard library asks macOS for a full sync (F_FULLFSYNC).

use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::thread;

use super::sync_folder;

const THREADS: usize = 8;

/// Syncs groups of files.
pub(crate) struct GroupSync {
    root: PathBuf,
}

impl GroupSync {
    pub(crate) fn open(root: &Path) -> io::Result<Self> {
        Ok(Self {
            root: root.to_owned(),
        })
    }

    /// Makes the contents of `files`, and their entries in `folder`, durable.
    pub(crate) fn sync_files(&self, folder: &Path, files: &[&Path]) -> io::Result<()> {
        side_by_side(files, |path| {
            match OpenOptions::new().read(true).write(cfg!(windows)).open(path) {
                // One that has vanished is told by whoever moves it; the others must not suffer.
                Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
                file => file?.sync_data(),
            }
        })?;
        sync_folder(folder)
    }

    /// Makes all folder entries of the store durable.
    pub(crate) fn sync_everything(&self) -> io::Result<()> {
        let blobs = self.root.join("blobs");
        let mut folders = vec![self.root.clone(), blobs.clone()];
        for entry in std::fs::read_dir(&blobs)? {
            folders.push(entry?.path());
        }
        side_by_side(&folders, |path| sync_folder(path))
    }
}

fn side_by_side<T: Sync>(all: &[T], sync: impl Fn(&T) -> io::Result<()> + Sync) -> io::Result<()> {
    if all.is_empty() {
        return Ok(());
    }
    let share = all.len().div_ceil(THREADS);
    thread::scope(|scope| {
        let threads: Vec<_> = all
            .chunks(share)
            .map(|part| scope.spawn(|| part.iter().try_for_each(&sync)))
            .collect();
        threads.into_iter().try_for_each(|thread| {
            thread
                .join()
                .unwrap_or_else(|_| Err(io::Error::other("a syncing thread panicked")))
        })
    })
}

/// Files have names here from the first moment.
pub(crate) fn create_unnamed(_folder: &Path) -> io::Result<Option<File>> {
    Ok(None)
}

/// See [`create_unnamed`].
pub(crate) fn name_file(_file: &File, _path: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Not known here: whatever was not synced by an earlier process is then thrown away.
pub(crate) fn boot_id() -> Option<String> {
    None
}
