//! One unit into its folder. Every file is first written beside its target and checked; only when all are there
//! do they take their names. A file that Tidemill did not write is not replaced unless that was asked for.

use std::fs::File as StdFile;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use futures::StreamExt as _;
use tidemill_proto::Digest;
use tidemill_store::Tree;
use tokio::sync::Mutex;
use tokio::task::block_in_place;

use super::beside::{before_of, below, part_of};
use super::decide::{File, Unit};
use super::ledger::{Entry, Ledger};
use super::publish::{publish, take_back};
use super::{Rules, before};
use crate::failure::io_words;
use crate::rpc::Rpc;
use crate::survey::digests::Digests;

/// A file that is in its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Placed {
    pub(super) path: String,
    pub(super) written: bool,
}

/// A file that has to be written.
struct Change {
    path: String,
    target: PathBuf,
    digest: Digest,
    executable: bool,
    replaces: bool,
}

impl Change {
    fn entry(&self) -> Entry {
        Entry {
            path: self.path.clone(),
            digest: self.digest.to_string(),
            replaces: self.replaces,
        }
    }
}

/// Where a run is delivered, and how.
pub(super) struct Place<'a> {
    pub(super) run: &'a str,
    pub(super) folder: &'a Path,
    pub(super) digests: &'a Digests<'a>,
    pub(super) ledger: &'a Ledger,
    pub(super) rules: &'a Rules,
    pub(super) rpc: &'a Rpc,
    /// The studio's command is never started twice at once.
    pub(super) command_turn: Mutex<()>,
}

impl Place<'_> {
    /// Takes back units that a delivery before this one began and did not end.
    pub(super) fn take_back_cut_off(&self) {
        for (unit, files) in self.ledger.cut_off() {
            block_in_place(|| take_back(self.folder, &files, self.digests));
            if let Err(reason) = self.ledger.given_up(&unit) {
                tracing::warn!(unit, reason, "a delivery that was cut off could not be ended");
            }
        }
        // One that was cut off after its last word may have left old files beside the new ones.
        block_in_place(|| {
            for (path, _) in self.ledger.files() {
                let _ = std::fs::remove_file(before_of(&below(self.folder, &path)));
            }
        });
    }

    /// Places all files of a unit, or none. The error says why, in one line.
    pub(super) async fn unit(&self, unit: &Unit) -> Result<Vec<Placed>, String> {
        let mut placed = Vec::new();
        let (changes, adopted) = self.find_changes(unit, &mut placed).await?;
        if !adopted.is_empty() {
            self.ledger.delivered(self.run, &unit.name, adopted)?;
        }
        if !changes.is_empty() {
            let entries: Vec<Entry> = changes.iter().map(Change::entry).collect();
            self.prepare(&changes)?;
            self.ledger.begin(self.run, &unit.name, entries.clone())?;
            let outcome = match self.write_all(&changes).await {
                Ok(()) => block_in_place(|| {
                    let targets: Vec<PathBuf> = changes.iter().map(|change| change.target.clone()).collect();
                    publish(&targets)
                }),
                Err(reason) => Err(reason),
            };
            match outcome {
                Ok(old_files) => {
                    self.ledger.delivered(self.run, &unit.name, entries)?;
                    for old in old_files {
                        let _ = std::fs::remove_file(old);
                    }
                }
                Err(reason) => {
                    for change in &changes {
                        let _ = std::fs::remove_file(part_of(&change.target));
                    }
                    self.ledger.given_up(&unit.name)?;
                    return Err(reason);
                }
            }
        }
        for change in changes {
            self.digests.wrote(&change.path, change.digest);
            placed.push(Placed {
                path: change.path,
                written: true,
            });
        }
        placed.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(placed)
    }

    /// Items of a unit that could not be delivered because the store has lost what they made.
    pub(super) async fn lost_items(&self, unit: &Unit) -> Vec<u32> {
        let mut lost = Vec::new();
        for file in &unit.files {
            let blobs: Vec<Digest> = match expanded(file, self.rpc).await {
                Ok(files) => files.into_iter().map(|(_, digest, _)| digest).collect(),
                Err(_) => vec![file.digest],
            };
            for blob in blobs {
                if self.rpc.has_lost(blob).await {
                    lost.push(file.item);
                    break;
                }
            }
        }
        lost
    }

    /// What has to be written. Second: files that are as they should be, though no delivery is known that put them there.
    async fn find_changes(
        &self,
        unit: &Unit,
        placed: &mut Vec<Placed>,
    ) -> Result<(Vec<Change>, Vec<Entry>), String> {
        let (mut changes, mut adopted, mut foreign) = (Vec::new(), Vec::new(), Vec::new());
        for file in &unit.files {
            for (path, digest, executable) in expanded(file, self.rpc).await? {
                let target = below(self.folder, &path);
                let present = self.content(&path)?;
                if present == Some(digest) {
                    if !self.ledger.is_ours(&path, &digest) {
                        adopted.push(Entry {
                            path: path.clone(),
                            digest: digest.to_string(),
                            replaces: true,
                        });
                    }
                    placed.push(Placed { path, written: false });
                    continue;
                }
                if target.is_dir() {
                    return Err(format!("{} is a folder", target.display()));
                }
                if !self.may_replace(&path, present) {
                    foreign.push(path.clone());
                }
                changes.push(Change {
                    path,
                    target,
                    digest,
                    executable,
                    replaces: present.is_some(),
                });
            }
        }
        match self.foreign_words(&foreign) {
            Some(reason) => Err(reason),
            None => Ok((changes, adopted)),
        }
    }

    fn content(&self, path: &str) -> Result<Option<Digest>, String> {
        let read = block_in_place(|| self.digests.of(path));
        Ok(read
            .map_err(|error| {
                format!(
                    "cannot read {}: {}",
                    below(self.folder, path).display(),
                    io_words(&error)
                )
            })?
            .map(|(digest, _)| digest))
    }

    fn may_replace(&self, path: &str, present: Option<Digest>) -> bool {
        self.rules.replace || present.is_none_or(|content| self.ledger.is_ours(path, &content))
    }

    /// Why files that Tidemill did not write stay; `None`: there are none.
    fn foreign_words(&self, paths: &[String]) -> Option<String> {
        let first = paths.first()?;
        let what = match self.ledger.run_of(first) {
            Some(run) => format!("{first} was changed since it was delivered from {run}"),
            None => format!("{first} was not written by Tidemill"),
        };
        let more = match paths.len() {
            1 => String::new(),
            count => format!(" (and {} more)", count - 1),
        };
        Some(format!(
            "{what}{more}; move it away, or replace it with `--replace`"
        ))
    }

    /// Makes folders and room for the parts, before anything is noted.
    fn prepare(&self, changes: &[Change]) -> Result<(), String> {
        block_in_place(|| {
            for change in changes {
                prepare_folder(self.folder, &change.target)
                    .map_err(|reason| format!("{}: {reason}", change.path))?;
            }
            Ok(())
        })
    }

    async fn write_all(&self, changes: &[Change]) -> Result<(), String> {
        for change in changes {
            let target = &change.target;
            let output = open_part(&part_of(target))
                .map_err(|error| format!("cannot write {}: {}", target.display(), part_words(&error)))?;
            write(output, change.digest, change.executable, self.rpc)
                .await
                .map_err(|reason| format!("cannot write {}: {reason}", target.display()))?;
        }
        let targets: Vec<PathBuf> = changes.iter().map(|change| change.target.clone()).collect();
        self.make_writable(&targets).await?;
        // Fetching may have taken long: what somebody wrote meanwhile stays.
        let mut foreign = Vec::new();
        for change in changes {
            if !self.may_replace(&change.path, self.content(&change.path)?) {
                foreign.push(change.path.clone());
            }
        }
        self.foreign_words(&foreign).map_or(Ok(()), Err)
    }

    /// Runs the studio's command, if there is one, and refuses what is read-only after it.
    pub(super) async fn make_writable(&self, targets: &[PathBuf]) -> Result<(), String> {
        if !self.rules.before.is_empty() {
            let _turn = self.command_turn.lock().await;
            before::run(&self.rules.before, self.folder, targets).await?;
        }
        let is_read_only = |target: &&PathBuf| {
            std::fs::metadata(target).is_ok_and(|metadata| metadata.permissions().readonly())
        };
        match targets.iter().find(is_read_only) {
            Some(target) if self.rules.before.is_empty() => Err(format!(
                "{} is read-only, as version control leaves files; check it out first, or name a command that does with \
                 `--before PROGRAM`",
                target.display()
            )),
            Some(target) => Err(format!(
                "{} is still read-only after `{}` (--before)",
                target.display(),
                self.rules.before.join(" ")
            )),
            None => Ok(()),
        }
    }
}

/// Why a file cannot be made in a folder: a folder may be read-only as a whole.
fn part_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            format!("{}: its folder cannot be written", io_words(error))
        }
        _ => io_words(error),
    }
}

/// The files that an output consists of: itself, or those of its tree.
async fn expanded(file: &File, rpc: &Rpc) -> Result<Vec<(String, Digest, bool)>, String> {
    if !file.folder {
        return Ok(vec![(file.path.clone(), file.digest, false)]);
    }
    let mut stream = Box::pin(rpc.get(file.digest).await.map_err(|failure| failure.message)?);
    let mut bytes = Vec::new();
    while let Some(chunk) = stream.next().await {
        bytes.extend_from_slice(&chunk.map_err(|failure| failure.message)?);
    }
    let tree = Tree::decode(&bytes)?;
    let base = file.path.trim_end_matches('/');
    Ok(tree
        .entries()
        .iter()
        .map(|entry| (format!("{base}/{}", entry.path), entry.digest, entry.executable))
        .collect())
}

/// Makes the target's folder, and refuses one that a link leads out of the delivery's folder.
fn prepare_folder(folder: &Path, target: &Path) -> Result<PathBuf, String> {
    let above = target.parent().unwrap_or(folder);
    let make = |path: &Path| {
        std::fs::create_dir_all(path)
            .map_err(|error| format!("cannot make the folder {}: {}", path.display(), io_words(&error)))
    };
    make(folder)?;
    let resolve = |path: &Path| {
        path.canonicalize()
            .map_err(|error| format!("cannot follow {}: {}", path.display(), io_words(&error)))
    };
    let root = resolve(folder)?;
    // Looked at before anything is made: the nearest folder above that exists decides where the new ones land.
    let existing = above.ancestors().find(|path| path.exists()).unwrap_or(folder);
    let found = resolve(existing)?;
    if !found.starts_with(&root) {
        return Err(format!(
            "{} is a link out of {}; deliver with `--to DIR` instead",
            existing.display(),
            folder.display()
        ));
    }
    make(above)?;
    Ok(above.to_owned())
}

/// Opens the temporary file beside a target. A left-over of an interrupted delivery is written anew; one that
/// another process is writing is refused.
fn open_part(part: &Path) -> io::Result<StdFile> {
    let file = StdFile::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(part)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => {
            return Err(io::Error::other("another process delivers the same file"));
        }
        // Some network shares have no locks.
        Err(std::fs::TryLockError::Error(_)) => {}
    }
    file.set_len(0)?;
    Ok(file)
}

async fn write(mut file: StdFile, digest: Digest, executable: bool, rpc: &Rpc) -> Result<(), String> {
    let mut chunks = Box::pin(rpc.get(digest).await.map_err(|failure| failure.message)?);
    let mut hasher = blake3::Hasher::new();
    while let Some(chunk) = chunks.next().await {
        let chunk: Bytes = chunk.map_err(|failure| failure.message)?;
        hasher.update(&chunk);
        block_in_place(|| file.write_all(&chunk)).map_err(|error| io_words(&error))?;
    }
    if Digest::from(hasher.finalize()) != digest {
        return Err("what came from the store is damaged".to_owned());
    }
    if executable {
        crate::os::make_executable(&file).map_err(|error| io_words(&error))?;
    }
    // Closed here: on some systems an open file cannot be renamed.
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(unix)]
    fn a_link_out_of_the_folder_is_refused() {
        let (folder, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join("out")).unwrap();
        let reason = prepare_folder(folder.path(), &folder.path().join("out/crate/a.glb")).unwrap_err();
        assert!(reason.contains("link out of"), "{reason}");
        assert!(std::fs::read_dir(elsewhere.path()).unwrap().next().is_none());
        prepare_folder(folder.path(), &folder.path().join("fine/crate/a.glb")).unwrap();
    }

    #[test]
    fn a_part_in_use_is_refused_and_a_left_over_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let part = folder.path().join(".a.tidemill-part");
        std::fs::write(&part, "half").unwrap();
        let file = open_part(&part).unwrap();
        assert_eq!(std::fs::metadata(&part).unwrap().len(), 0);
        assert!(
            open_part(&part)
                .unwrap_err()
                .to_string()
                .contains("another process")
        );
        drop(file);
        open_part(&part).unwrap();
    }
}
