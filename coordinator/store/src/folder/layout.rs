//! Where things lie in the store's folder, and names that nobody else uses.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use tidemill_proto::Digest;

use crate::error::{At, Result};

/// Paths of one store, and which of the 256 blob folders are known to exist.
pub(super) struct Layout {
    root: PathBuf,
    blobs: PathBuf,
    incoming: PathBuf,
    aside: PathBuf,
    shard_exists: [AtomicBool; 256],
    unique_prefix: String,
    unique_count: AtomicU64,
}

impl Layout {
    pub(super) fn new(root: &Path) -> Self {
        Self {
            root: root.to_owned(),
            blobs: root.join("blobs"),
            incoming: root.join("incoming"),
            aside: root.join("aside"),
            shard_exists: [const { AtomicBool::new(false) }; 256],
            // Several machines may stage into one folder, so a process number would not do.
            unique_prefix: uuid::Uuid::new_v4().simple().to_string()[..16].to_owned(),
            unique_count: AtomicU64::new(0),
        }
    }

    pub(super) fn root(&self) -> &Path {
        &self.root
    }
    pub(super) fn blobs(&self) -> &Path {
        &self.blobs
    }
    pub(super) fn incoming(&self) -> &Path {
        &self.incoming
    }
    pub(super) fn aside(&self) -> &Path {
        &self.aside
    }
    pub(super) fn id_file(&self) -> PathBuf {
        self.root.join("store-id")
    }
    pub(super) fn doomed_file(&self) -> PathBuf {
        self.root.join("doomed")
    }
    pub(super) fn boot_file(&self) -> PathBuf {
        self.root.join("boot")
    }

    /// The folder of a blob, `blobs/ab`.
    pub(super) fn shard(&self, digest: &Digest) -> PathBuf {
        self.blobs.join(&digest.to_string()[..2])
    }

    /// A blob's file, `blobs/ab/<64 hex>`.
    pub(super) fn blob(&self, digest: &Digest) -> PathBuf {
        let hex = digest.to_string();
        let mut path = PathBuf::with_capacity(self.blobs.as_os_str().len() + 70);
        path.push(&self.blobs);
        path.push(&hex[..2]);
        path.push(&hex);
        path
    }

    /// Creates a blob's folder if this handle has not seen it.
    pub(super) fn ensure_shard(&self, digest: &Digest) -> Result<()> {
        let known = &self.shard_exists[usize::from(digest.as_bytes()[0])];
        if known.load(Ordering::Relaxed) {
            return Ok(());
        }
        let shard = self.shard(digest);
        match fs::create_dir(&shard) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => {
                return Err(error).at("create", &shard);
            }
            _ => known.store(true, Ordering::Relaxed),
        }
        Ok(())
    }

    /// A text that no other name holds.
    pub(super) fn unique(&self) -> String {
        format!(
            "{}-{:x}",
            self.unique_prefix,
            self.unique_count.fetch_add(1, Ordering::Relaxed)
        )
    }

    /// Path for a file that is being written into `incoming/`.
    pub(super) fn new_part(&self) -> PathBuf {
        self.incoming.join(format!("part.{}", self.unique()))
    }

    /// Name in `incoming/` for a file that is written under it at once. Only its writer knows that it is complete;
    /// anybody else checks it first.
    pub(super) fn new_direct_name(&self, digest: &Digest) -> String {
        format!("{digest}{DIRECT}{}", self.unique())
    }

    /// Name in `incoming/` for a complete file.
    pub(super) fn new_staged_name(&self, digest: &Digest) -> String {
        format!("{digest}.{}", self.unique())
    }
}

/// What a name of [`Layout::new_direct_name`] goes on with after the digest.
const DIRECT: &str = ".w-";

/// Whether a staged file was written under its name, so that after a crash it may be there in part.
pub(super) fn is_direct(name: &str) -> bool {
    name.contains(DIRECT)
}

/// Reads the digest off a name in `incoming/` or `aside/`; `None` for files that are still being written.
pub(super) fn digest_of_name(name: &str) -> Option<Digest> {
    name.split_once('.')?.0.parse().ok()
}

/// A file that is being written: removed on drop unless it was kept.
pub(crate) struct PartFile {
    path: Option<PathBuf>,
}

impl PartFile {
    pub(crate) fn new(path: PathBuf) -> Self {
        Self { path: Some(path) }
    }

    pub(crate) fn path(&self) -> &Path {
        // Taken only by `rename_to`, which consumes the value.
        self.path.as_deref().unwrap_or(Path::new(""))
    }

    /// The file stays where it is.
    pub(crate) fn keep(mut self) {
        self.path = None;
    }

    /// Moves the complete file to its name.
    pub(crate) fn rename_to(mut self, target: &Path) -> Result<()> {
        fs::rename(self.path(), target).at("rename a file to", target)?;
        self.path = None;
        Ok(())
    }
}

impl Drop for PartFile {
    fn drop(&mut self) {
        if let Some(path) = &self.path
            && let Err(error) = remove_any(path)
            && error.kind() != io::ErrorKind::NotFound
        {
            tracing::warn!(path = %path.display(), %error, "could not remove an unfinished file");
        }
    }
}

/// Removes a file or a folder with all that is in it.
pub(super) fn remove_any(path: &Path) -> io::Result<()> {
    if fs::symlink_metadata(path)?.is_dir() {
        fs::remove_dir_all(path)
    } else {
        fs::remove_file(path)
    }
}
