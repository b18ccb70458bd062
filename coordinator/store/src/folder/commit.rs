//! Group commit: many staged blobs become durable with one sync.
//!
//! A staged file and its entry in `incoming/` are synced; then it is renamed to its name, and that rename is not synced.
//! After a power cut the blob is found under the one name or the other, and opening the store brings what lies in
//! `incoming/` whole to its end ([`Store::open_owner`]). The renames of a group touch up to 256 folders: to sync them, too,
//! cost as much as the blobs themselves where these are small.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use tidemill_proto::Digest;

use super::layout::{digest_of_name, is_direct};
use super::open::Swept;
use super::staging::hash_file;
use super::{Role, Store, lock};
use crate::error::{At, Result, StoreError};
use crate::os;

/// How often staged files are looked through for those that nobody needs, and how old these must be.
const TIDY_EVERY: Duration = Duration::from_secs(60);
const TIDY_AGE: Duration = Duration::from_secs(60);

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
pub(super) struct Move {
    pub(super) digest: Digest,
    pub(super) from: PathBuf,
    to: PathBuf,
    /// Further staged files of the same blob, which nobody needs once it is stored.
    pub(super) spare: Vec<PathBuf>,
}

impl Store {
    /// Makes the named blobs durable as one group, and tells which of them are neither staged nor stored.
    ///
    /// On return without error every named blob that is not in `missing` survives a power cut. May be
    /// repeated. Syncs the files as a group, then renames them to their names. When the sync
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
        if let Some(far) = &self.shared.far {
            return self.commit_far(far, digests);
        }
        let unstored = self.unstored_once(digests, &mut report)?;
        let moves = self.find_staged(&unstored, false)?;
        let found: HashSet<Digest> = moves.iter().map(|found| found.digest).collect();
        report.missing = unstored
            .into_iter()
            .filter(|digest| !found.contains(digest))
            .collect();
        self.sync_staged(&moves)?;
        for found in &moves {
            if self.move_in(found)? {
                report.committed += 1;
            } else {
                report.missing.push(found.digest);
            }
        }
        if state.tidied.is_none_or(|tidied| tidied.elapsed() >= TIDY_EVERY) {
            state.tidied = Some(Instant::now());
            self.tidy_staged(TIDY_AGE)?;
        }
        Ok(report)
    }

    /// Removes staged files, at least `age` old, of blobs that are stored: several guests may have made one blob at a
    /// time, and only one of them was needed.
    pub fn tidy_staged(&self, age: Duration) -> Result<Swept> {
        let incoming = self.shared.layout.incoming();
        let now = SystemTime::now();
        let mut swept = Swept::default();
        for entry in fs::read_dir(incoming).at("list", incoming)? {
            let path = entry.at("list", incoming)?.path();
            let name = path.file_name().and_then(|name| name.to_str());
            // Files come and go here.
            let (Some(digest), Ok(metadata)) = (name.and_then(digest_of_name), fs::symlink_metadata(&path))
            else {
                continue;
            };
            let modified = metadata.modified().at("read the time of", &path)?;
            let is_old = now.duration_since(modified).is_ok_and(|passed| passed >= age);
            if is_old && self.contains(&digest)? && fs::remove_file(&path).is_ok() {
                swept.files += 1;
                swept.bytes += metadata.len();
            }
        }
        Ok(swept)
    }

    /// Which of these blobs are neither stored nor staged, so that their bytes have to be sent; in the order
    /// given, each once. A staged one counts as here: a commit will find it.
    pub fn missing(&self, digests: &[Digest]) -> Result<Vec<Digest>> {
        let mut report = CommitReport::default();
        let unstored = match &self.shared.far {
            Some(far) => self.unstored_far(far, digests, &mut report)?,
            None => self.unstored_once(digests, &mut report)?,
        };
        let staged: HashSet<Digest> = self
            .find_staged(&unstored, true)?
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
    /// `look`: make sure that it is there.
    pub(super) fn find_staged(&self, unstored: &[Digest], look: bool) -> Result<Vec<Move>> {
        let mut moves = Vec::with_capacity(unstored.len());
        let mut elsewhere = HashMap::new();
        for digest in unstored {
            match self.staged_here(digest, look) {
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
            let paths = elsewhere.remove(digest).unwrap_or_default();
            if let Some((from, spare)) = choose(digest, paths) {
                moves.push(Move {
                    spare,
                    ..self.move_of(*digest, from)
                });
            }
        }
        Ok(moves)
    }

    fn staged_here(&self, digest: &Digest, look: bool) -> Option<PathBuf> {
        let staged_here = lock(&self.shared.staged_here);
        let names = staged_here.get(digest)?;
        let incoming = self.shared.layout.incoming();
        // Nearly always there is one, and it is there: whoever moves it need not look.
        if let ([only], false) = (names.as_slice(), look) {
            return Some(incoming.join(only));
        }
        names
            .iter()
            .map(|name| incoming.join(name))
            .find(|path| path.exists())
    }

    fn move_of(&self, digest: Digest, from: PathBuf) -> Move {
        Move {
            digest,
            from,
            to: self.shared.layout.blob(&digest),
            spare: Vec::new(),
        }
    }

    fn sync_staged(&self, moves: &[Move]) -> Result<()> {
        if moves.is_empty() || self.shared.role != Role::Owner {
            return Ok(());
        }
        let files: Vec<&Path> = moves.iter().map(|found| found.from.as_path()).collect();
        let synced = self
            .shared
            .group_sync
            .sync_files(self.shared.layout.incoming(), &files);
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
    fn move_in(&self, found: &Move) -> Result<bool> {
        self.shared.layout.ensure_shard(&found.digest)?;
        match fs::rename(&found.from, &found.to) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                self.drop_staged(&found.digest, None);
                return self.contains(&found.digest);
            }
            Err(error) => return Err(error).at("rename a file to", &found.to),
        }
        os::protect_stored(&found.to).at("protect", &found.to)?;
        self.drop_staged(&found.digest, Some(&found.from));
        remove_spare(found);
        Ok(true)
    }

    /// Forgets this handle's staged copies of a blob, and removes them but for the one that became the blob.
    pub(super) fn drop_staged(&self, digest: &Digest, became_blob: Option<&Path>) {
        let names = lock(&self.shared.staged_here).remove(digest).unwrap_or_default();
        for path in names.iter().map(|name| self.shared.layout.incoming().join(name)) {
            if became_blob != Some(path.as_path()) {
                // One that cannot be removed is swept later.
                let _ = fs::remove_file(path);
            }
        }
    }
}

/// What is left over of a blob that is stored. One that cannot be removed is swept later.
pub(super) fn remove_spare(found: &Move) {
    for path in &found.spare {
        let _ = fs::remove_file(path);
    }
}

/// Of several staged files of a blob the newest, since an older one may come from an agent whose machine lost power; and
/// the others. One that its dead writer left under this name is checked, and removed if it is there in part.
fn choose(digest: &Digest, mut paths: Vec<PathBuf>) -> Option<(PathBuf, Vec<PathBuf>)> {
    if paths.len() > 1 {
        paths.sort_by_key(|path| fs::metadata(path).and_then(|metadata| metadata.modified()).ok());
    }
    while let Some(path) = paths.pop() {
        let is_direct = path
            .file_name()
            .and_then(|name| name.to_str())
            .is_some_and(is_direct);
        if !is_direct || hash_file(&path).is_ok_and(|(found, _)| found == *digest) {
            return Some((path, paths));
        }
        let _ = fs::remove_file(&path);
    }
    None
}
