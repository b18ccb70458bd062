//! Linux: one `syncfs` for a group, and the kernel's own boot id.

use std::fs::{self, File};
use std::io;
use std::path::Path;

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

    /// Makes the contents of `files`, and their entries in `folder`, durable.
    pub(crate) fn sync_files(&self, folder: &Path, files: &[&Path]) -> io::Result<()> {
        if files.len() > SINGLY {
            return self.sync_everything();
        }
        for path in files {
            match File::open(path) {
                // One that has vanished is told by whoever moves it; the others must not suffer.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                file => file?.sync_data()?,
            }
        }
        super::sync_folder(folder)
    }

    /// Makes all that lies on the store's file system durable.
    pub(crate) fn sync_everything(&self) -> io::Result<()> {
        Ok(rustix::fs::syncfs(&self.root)?)
    }
}

/// Creates a file without a name on the file system of `folder`; `None` where that cannot be done. To name it costs less
/// than to rename one: 60 µs a small file, not 90, on ext4.
pub(crate) fn create_unnamed(folder: &Path) -> io::Result<Option<File>> {
    use rustix::io::Errno;
    let flags = rustix::fs::OFlags::TMPFILE | rustix::fs::OFlags::WRONLY | rustix::fs::OFlags::CLOEXEC;
    match rustix::fs::open(folder, flags, rustix::fs::Mode::from_raw_mode(0o666)) {
        Ok(file) => Ok(Some(file.into())),
        // File systems and kernels that do not know it (manual page open(2)).
        Err(Errno::OPNOTSUPP | Errno::ISDIR | Errno::INVAL | Errno::NOSYS) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Gives a file of [`create_unnamed`] its name, which nobody has yet.
pub(crate) fn name_file(file: &File, path: &Path) -> io::Result<()> {
    use std::os::fd::AsRawFd as _;
    // By the way that needs no privilege (manual page open(2), O_TMPFILE).
    let own = format!("/proc/self/fd/{}", file.as_raw_fd());
    let (here, flags) = (rustix::fs::CWD, rustix::fs::AtFlags::SYMLINK_FOLLOW);
    Ok(rustix::fs::linkat(here, own, here, path, flags)?)
}

/// An id that is new with every start of the machine; `None` when it cannot be told.
pub(crate) fn boot_id() -> Option<String> {
    let text = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    Some(text.trim().to_owned())
}
