//! Linux: one `syncfs` for a group, and the kernel's own boot id.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// Up to this many files are synced one by one; for more, one `syncfs` is cheaper although it also waits for
/// what other programs have written. On a busy ext4 2,000 blobs in groups of four took 11 s one by one and
/// 4 s with `syncfs`; alone they cost the same either way, and then strangers are better left out.
const SINGLY: usize = 1;

/// Syncs groups of files on the store's file system.
///
/// The handle is opened once and kept: since Linux 5.8 `syncfs` reports write-back errors that happened
/// after the handle was opened (manual page syncfs(2)), so a handle opened per call could miss them.
pub(crate) struct GroupSync {
    root: File,
}

impl GroupSync {
    pub(crate) fn open(root: &Path) -> io::Result<Self> {
        Ok(Self {
            root: File::open(root)?,
        })
    }

    /// Makes the contents of `files` durable.
    pub(crate) fn sync_files(&self, files: &[&Path]) -> io::Result<()> {
        if files.len() > SINGLY {
            return self.sync_everything();
        }
        files.iter().try_for_each(|path| match File::open(path) {
            // One that has vanished is told by whoever moves it; the others must not suffer.
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            file => file?.sync_data(),
        })
    }

    /// Makes the entries of `folders` durable.
    pub(crate) fn sync_folders(&self, folders: &[PathBuf]) -> io::Result<()> {
        if folders.len() > SINGLY {
            return self.sync_everything();
        }
        folders.iter().try_for_each(|path| File::open(path)?.sync_all())
    }

    /// Makes all that lies on the store's file system durable.
    pub(crate) fn sync_everything(&self) -> io::Result<()> {
        Ok(rustix::fs::syncfs(&self.root)?)
    }
}

/// An id that is new with every start of the machine; `None` when it cannot be told.
pub(crate) fn boot_id() -> Option<String> {
    let text = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    Some(text.trim().to_owned())
}
