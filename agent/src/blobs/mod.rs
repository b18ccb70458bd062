//! The agent's way to the bytes: the store's own folder where it can be seen, else the coordinator's blob
//! service and a cache of the same form. Everything here blocks.
//!
//! # Layout
//! - [`Blobs`]: one interface for both ways.
//! - `remote`: the blob service, tried again for as long as the item may wait; `fetch` and `send`, one direction each.
//! - `direct`: a share or bucket that this machine can use itself.
//! - `cache`: what was fetched, bounded; `bound`: which blobs of it must go, pure.

mod bound;
mod cache;
mod direct;
mod fetch;
mod remote;
#[cfg(test)]
mod resume_tests;
mod send;

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use tidemill_proto::Digest;
use tidemill_store::{ExportMode, Staged, StagedTree, Store, StoreError, Take};
use tokio::runtime::Handle;
use tonic::transport::Channel;

use crate::config::Config;
use crate::launcher::Control;
use cache::Cache;
pub(crate) use direct::Direct;
use remote::Remote;

/// Why bytes could not be had or kept.
#[derive(Debug, thiserror::Error)]
pub(crate) enum BlobError {
    /// The store does not have it, or has a damaged one.
    #[error("{reason}")]
    Lacking { digest: Digest, reason: String },
    /// This machine's disk, or the store's.
    #[error("{0}")]
    Store(#[source] StoreError),
    /// The coordinator answered with an error that waiting does not cure.
    #[error("the coordinator's blob service: {0}")]
    Service(String),
    /// The item was asked to end meanwhile.
    #[error("it was stopped")]
    Stopped,
}

impl From<StoreError> for BlobError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Absent { digest } | StoreError::Corrupt { digest, .. } => Self::Lacking {
                digest,
                reason: error.to_string(),
            },
            other => Self::Store(other),
        }
    }
}

/// Of outputs up to this size it is found out first whether the store has them: moving one there and back costs
/// more than to read it twice.
const LOOK_FIRST_BYTES: u64 = 64 * 1024;

/// Access to blobs by their digests.
#[derive(Debug)]
pub(crate) struct Blobs {
    store: Store,
    remote: Option<Remote>,
}

impl Blobs {
    /// Uses the store's folder itself.
    pub(crate) fn direct(store: Store) -> Self {
        Self { store, remote: None }
    }

    /// Uses the blob service behind `channel`, with the cache in `folder` and what `config` says of both. With `direct`, bytes
    /// go there and come from there; the service is asked only what the store lacks.
    pub(crate) fn remote(
        folder: &Path,
        config: &Config,
        channel: Channel,
        runtime: Handle,
        direct: Option<Direct>,
    ) -> Result<Self, StoreError> {
        let cache = Cache::open(folder, config.cache_bytes)?;
        Ok(Self {
            store: cache.store().clone(),
            remote: Some(Remote::new(cache, channel, runtime, config.packs, direct)),
        })
    }

    /// The store's id, if its folder, share or bucket is used itself.
    pub(crate) fn direct_id(&self) -> Option<&str> {
        match &self.remote {
            None => Some(self.store.id()),
            Some(remote) => remote.direct_id(),
        }
    }

    /// Makes sure that a blob is here, and keeps it here until [`Blobs::release`].
    pub(crate) fn hold(&self, digest: Digest, control: &Control) -> Result<(), BlobError> {
        match &self.remote {
            None => Ok(()),
            Some(remote) => remote.hold(digest, control),
        }
    }

    /// The blob may leave the cache again.
    pub(crate) fn release(&self, digests: &[Digest]) {
        if let Some(remote) = &self.remote {
            remote.release(digests);
        }
    }

    /// Path of a blob that is held, checked, for reading in place.
    pub(crate) fn path(&self, digest: Digest) -> Result<PathBuf, BlobError> {
        Ok(self.store.verified_path(&digest)?)
    }

    /// Puts a copy of a held blob at `target`.
    pub(crate) fn export(&self, digest: Digest, target: &Path) -> Result<(), BlobError> {
        self.store.export(&digest, target, ExportMode::Fast)?;
        Ok(())
    }

    /// Writes a small held blob, checked, over the file that stands at `target`, whatever is in it.
    pub(crate) fn fill(&self, digest: Digest, target: &Path, mut file: File) -> Result<(), BlobError> {
        let bytes = self.store.read_blob(&digest)?;
        let written = file.write_all(&bytes).and_then(|()| {
            // The file was chosen by the size that the plan gives. Were that wrong, the end of the file would still be what
            // an earlier item read.
            let length_bytes = bytes.len() as u64;
            match file.metadata()?.len() == length_bytes {
                true => Ok(()),
                false => file.set_len(length_bytes),
            }
        });
        if written.is_err() {
            // Says what is wrong with the disk, or puts a new file in its place.
            return self.export(digest, target);
        }
        Ok(())
    }

    /// Makes sure that a tree's files are here; gives all that is held for it.
    pub(crate) fn hold_tree(&self, tree: Digest, control: &Control) -> Result<Vec<Digest>, BlobError> {
        self.hold(tree, control)?;
        let mut held = vec![tree];
        if self.remote.is_some() {
            for entry in self.store.read_tree(&tree)?.entries() {
                self.hold(entry.digest, control)?;
                held.push(entry.digest);
            }
        }
        Ok(held)
    }

    /// Writes a held tree as the folder `target`.
    pub(crate) fn export_tree(&self, tree: Digest, target: &Path) -> Result<(), BlobError> {
        self.store.export_tree(&tree, target, ExportMode::Fast)?;
        Ok(())
    }

    /// Takes a file away into the store. `copy`: leave it, since somebody else may have it too.
    pub(crate) fn take_file(&self, path: &Path, size_bytes: u64, copy: bool) -> Result<Staged, BlobError> {
        if size_bytes <= LOOK_FIRST_BYTES
            && let Ok(bytes) = std::fs::read(path)
        {
            // Everything of the item has ended, so nobody writes it any more.
            let digest = Digest::of(&bytes);
            if self.store.contains(&digest)? {
                let size = bytes.len() as u64;
                return Ok(Staged { digest, size });
            }
        }
        Ok(if copy {
            self.store.stage_file(path)?
        } else {
            self.store.stage_by_rename(path)?
        })
    }

    /// Takes the files of a folder.
    pub(crate) fn take_folder(&self, path: &Path) -> Result<StagedTree, BlobError> {
        Ok(self.store.stage_tree(path, Take::Move)?)
    }

    /// Takes bytes.
    pub(crate) fn take_bytes(&self, bytes: &[u8]) -> Result<Staged, BlobError> {
        Ok(self.store.stage_bytes(bytes)?)
    }

    /// Brings all that was taken to where the coordinator finds it.
    pub(crate) fn hand_over(&self, digests: &[Digest], control: &Control) -> Result<(), BlobError> {
        match &self.remote {
            None => Ok(()),
            Some(remote) => remote.hand_over(digests, control),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_is_filled_holds_the_blob_and_nothing_else_whatever_the_plan_says_of_its_size() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_cache(&folder.path().join("cache")).unwrap();
        let digest = store.stage_bytes(b"bollard").unwrap().digest;
        store.commit(&[digest]).unwrap();
        let blobs = Blobs { store, remote: None };
        let target = folder.path().join("model.obj");
        std::fs::write(&target, "a secret of the last item").unwrap();
        let open = || File::options().write(true).open(&target).unwrap();
        blobs.fill(digest, &target, open()).unwrap();
        assert_eq!(std::fs::read(&target).unwrap(), b"bollard");
    }
}
