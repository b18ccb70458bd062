//! Group commit: many staged blobs become durable with a fixed number of syncs.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use tidemill_proto::Digest;

use super::layout::digest_of_name;
use super::{CommitState, Role, Store, lock};
use crate::error::{At, Result, StoreError};
use crate::os;

/// What a commit found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct CommitReport {
    /// Named, but neither staged nor stored; in the order given, each once.
    pub missing: Vec<Digest>,
    /// Blobs that are new in the store.
    pub committed: u64,
    /// Blobs that were in the store already.
    pub present: u64,
}

/// A staged file and the blob that it becomes.
struct Move {
    digest: Digest,
    from: PathBuf,
    to: PathBuf,
}

impl Store {
    /// Makes the named blobs durable as one group, and tells which of them are neither staged nor stored.
    ///
    /// On return without error every named blob that is not in `missing` survives a power cut. May be
    /// repeated. Syncs the files as a group, renames them to their names, syncs the folders. When the sync
    /// fails, the group's staged files are thrown away: their bytes can no longer be trusted.
    pub fn commit(&self, digests: &[Digest]) -> Result<CommitReport> {
        if self.shared.role == Role::Guest {
            return Err(StoreError::NotOwner {
                path: self.root().to_owned(),
            });
        }
        let mut state = lock(&self.shared.commit);
        let mut report = CommitReport::default();
        // Whatever a commit names is needed: one that is about to be removed stays.
        for digest in digests {
            self.shared.doomed.spare(digest);
        }
        let unstored = self.unstored_once(digests, &mut report)?;
        let moves = self.find_staged(&unstored)?;
        let found: HashSet<Digest> = moves.iter().map(|found| found.digest).collect();
        report.missing = unstored
            .into_iter()
            .filter(|digest| !found.contains(digest))
            .collect();
        self.sync_staged(&moves)?;
        for found in &moves {
            if self.move_in(found, &mut state)? {
                report.committed += 1;
            } else {
                report.missing.push(found.digest);
            }
        }
        self.sync_folders(&mut state)?;
        Ok(report)
    }

    /// Which of these blobs are neither stored nor staged, so that their bytes have to be sent; in the order
    /// given, each once. A staged one counts as here: a commit will find it.
    pub fn missing(&self, digests: &[Digest]) -> Result<Vec<Digest>> {
        let unstored = self.unstored_once(digests, &mut CommitReport::default())?;
        let staged: HashSet<Digest> = self
            .find_staged(&unstored)?
            .into_iter()
            .map(|found| found.digest)
            .collect();
        Ok(unstored
            .into_iter()
            .filter(|digest| !staged.contains(digest))
            .collect())
    }

    /// Drops repetitions and counts what is stored.
    fn unstored_once(&self, digests: &[Digest], report: &mut CommitReport) -> Result<Vec<Digest>> {
        let mut seen = HashSet::with_capacity(digests.len());
        let mut unstored = Vec::new();
        for digest in digests {
            if !seen.insert(*digest) {
                continue;
            }
            if self.contains(digest)? {
                report.present += 1;
                self.drop_staged(digest, None);
            } else {
                unstored.push(*digest);
            }
        }
        Ok(unstored)
    }

    /// Finds a staged file for each blob: one of this handle's own, else the newest in the folder.
    fn find_staged(&self, unstored: &[Digest]) -> Result<Vec<Move>> {
        let mut moves = Vec::with_capacity(unstored.len());
        let mut elsewhere = HashMap::new();
        for digest in unstored {
            match self.staged_here(digest) {
                Some(from) => moves.push(self.move_of(*digest, from)),
                None => {
                    elsewhere.insert(*digest, Vec::new());
                }
            }
        }
        if elsewhere.is_empty() {
            return Ok(moves);
        }
        let incoming = self.shared.layout.incoming();
        for entry in fs::read_dir(incoming).at("list", incoming)? {
            let name = entry.at("list", incoming)?.file_name();
            let digest = name.to_str().and_then(digest_of_name);
            if let Some(paths) = digest.and_then(|digest| elsewhere.get_mut(&digest)) {
                paths.push(incoming.join(name));
            }
        }
        for digest in unstored {
            if let Some(from) = elsewhere.remove(digest).and_then(newest) {
                moves.push(self.move_of(*digest, from));
            }
        }
        Ok(moves)
    }

    fn staged_here(&self, digest: &Digest) -> Option<PathBuf> {
        let staged_here = lock(&self.shared.staged_here);
        let mut paths = staged_here
            .get(digest)?
            .iter()
            .map(|name| self.shared.layout.incoming().join(name));
        paths.find(|path| path.exists())
    }

    fn move_of(&self, digest: Digest, from: PathBuf) -> Move {
        Move {
            digest,
            from,
            to: self.shared.layout.blob(&digest),
        }
    }

    fn sync_staged(&self, moves: &[Move]) -> Result<()> {
        if moves.is_empty() || self.shared.role != Role::Owner {
            return Ok(());
        }
        let files: Vec<&Path> = moves.iter().map(|found| found.from.as_path()).collect();
        let synced = self.shared.group_sync.sync_files(&files);
        if synced
            .as_ref()
            .is_err_and(|error| error.kind() != io::ErrorKind::NotFound)
        {
            for found in moves {
                self.drop_staged(&found.digest, None);
                let _ = fs::remove_file(&found.from);
            }
        }
        synced.at("sync", self.shared.layout.incoming())
    }

    /// Gives one synced file its name; false if it is gone and the blob is not there either.
    fn move_in(&self, found: &Move, state: &mut CommitState) -> Result<bool> {
        let layout = &self.shared.layout;
        if layout.ensure_shard(&found.digest)? {
            state.unsynced_folders.insert(layout.blobs().to_owned());
        }
        match fs::rename(&found.from, &found.to) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => return self.contains(&found.digest),
            Err(error) => return Err(error).at("rename a file to", &found.to),
        }
        state.unsynced_folders.insert(layout.shard(&found.digest));
        os::protect_stored(&found.to).at("protect", &found.to)?;
        self.drop_staged(&found.digest, Some(&found.from));
        Ok(true)
    }

    fn sync_folders(&self, state: &mut CommitState) -> Result<()> {
        if self.shared.role == Role::Owner && !state.unsynced_folders.is_empty() {
            let folders: Vec<PathBuf> = state.unsynced_folders.iter().cloned().collect();
            self.shared
                .group_sync
                .sync_folders(&folders)
                .at("sync", self.shared.layout.blobs())?;
        }
        state.unsynced_folders.clear();
        Ok(())
    }

    /// Forgets this handle's staged copies of a blob, and removes them but for the one that became the blob.
    fn drop_staged(&self, digest: &Digest, became_blob: Option<&Path>) {
        let names = lock(&self.shared.staged_here).remove(digest).unwrap_or_default();
        for path in names.iter().map(|name| self.shared.layout.incoming().join(name)) {
            if became_blob != Some(path.as_path()) {
                // One that cannot be removed is swept later.
                let _ = fs::remove_file(path);
            }
        }
    }
}

/// Of several staged copies the newest: an older one may come from an agent whose machine lost power.
fn newest(paths: Vec<PathBuf>) -> Option<PathBuf> {
    if paths.len() < 2 {
        return paths.into_iter().next();
    }
    paths
        .into_iter()
        .max_by_key(|path| fs::metadata(path).and_then(|metadata| metadata.modified()).ok())
}
