//! Blobs that are about to be removed, because nothing that is kept needs them.
//!
//! They are removed in three moves, so that a blob which is needed again at any moment stays. First they are
//! recorded as doomed: from then on the store says that it lacks them, so whoever wants one makes or sends it
//! again. Later, when everybody who was told "it is here" before has either named it in a commit or given up,
//! [`Store::remove_doomed`] takes away those that are still doomed. In between, a commit that names one spares it.
//! The record of the doomed is a file, so that all this goes on where it was after a crash.

use std::collections::HashSet;
use std::fs;
use std::io;
use std::sync::PoisonError;
use std::sync::RwLock;
use std::sync::atomic::{AtomicBool, Ordering};

use tidemill_proto::Digest;

use super::open::write_small;
use super::{Role, Store, Swept, lock};
use crate::error::{At, Result, StoreError};

/// Blobs removed under one hold of the commit lock: commits in between wait no longer than for that.
const REMOVED_AT_ONCE: usize = 128;
/// First line of the file.
const HEADER: &str = "tidemill doomed blobs 1";

/// What is doomed, for whoever asks quickly.
#[derive(Debug, Default)]
pub(super) struct DoomedSet {
    some: AtomicBool,
    digests: RwLock<HashSet<Digest>>,
}

impl DoomedSet {
    pub(super) fn has(&self, digest: &Digest) -> bool {
        // Nearly always nothing is doomed: then nobody waits for a lock.
        self.some.load(Ordering::Acquire)
            && self
                .digests
                .read()
                .unwrap_or_else(PoisonError::into_inner)
                .contains(digest)
    }

    /// A commit names it: it stays.
    pub(super) fn spare(&self, digest: &Digest) {
        if self.has(digest) {
            self.change(|digests| {
                digests.remove(digest);
            });
        }
    }

    fn change(&self, change: impl FnOnce(&mut HashSet<Digest>)) {
        let mut digests = self.digests.write().unwrap_or_else(PoisonError::into_inner);
        change(&mut digests);
        self.some.store(!digests.is_empty(), Ordering::Release);
    }
}

/// Blobs that were recorded as doomed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doomed {
    /// When, in ms of Unix time.
    pub since_ms: i64,
    /// All of them, also those that were spared or removed since.
    pub digests: Vec<Digest>,
}

impl Store {
    /// Records blobs as doomed, durably, instead of those that were before. From now on [`Store::contains`] and
    /// [`Store::missing`] answer that they are not here; they can still be read. Commits that run meanwhile wait.
    pub fn doom(&self, digests: &[Digest], since_ms: i64) -> Result<()> {
        self.check_owner()?;
        let mut text = format!("{HEADER}\n{since_ms}\n");
        for digest in digests {
            text.push_str(&digest.to_string());
            text.push('\n');
        }
        text.push_str("end\n");
        let _commits_wait = lock(&self.shared.commit);
        match &self.shared.far {
            Some(far) => self.tell_doomed(far, &text, since_ms)?,
            None => write_small(&self.shared.layout, &self.shared.layout.doomed_file(), &text)?,
        }
        self.shared
            .doomed
            .change(|doomed| *doomed = digests.iter().copied().collect());
        Ok(())
    }

    /// What was recorded as doomed and not yet ended; `None`: nothing.
    pub fn doomed(&self) -> Result<Option<Doomed>> {
        if let Some(far) = &self.shared.far {
            return Ok(self.own_sweep(far)?.map(|(_, doomed)| doomed));
        }
        let path = self.shared.layout.doomed_file();
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error).at("read", &path),
        };
        read(&text).map(Some).ok_or_else(|| StoreError::NotAStore {
            path,
            reason: "it does not list doomed blobs as this program writes them; remove the file: then nothing is doomed"
                .to_owned(),
        })
    }

    /// Whether a blob is doomed now.
    pub fn is_doomed(&self, digest: &Digest) -> bool {
        self.shared.doomed.has(digest)
    }

    /// Takes blobs off the doomed ones: something that is kept needs them.
    pub fn spare(&self, digests: impl IntoIterator<Item = Digest>) {
        self.shared.doomed.change(|doomed| {
            for digest in digests {
                doomed.remove(&digest);
            }
        });
    }

    /// Removes all that is still doomed, a group at a time, and calls `after` with what was freed so far after
    /// each group. A commit in between spares what it names. Ends the record of the doomed.
    pub fn remove_doomed(&self, after: &mut dyn FnMut(Swept)) -> Result<Swept> {
        self.check_owner()?;
        let Some(doomed) = self.doomed()? else {
            return Ok(Swept::default());
        };
        let mut swept = Swept::default();
        for group in doomed.digests.chunks(REMOVED_AT_ONCE) {
            let commits_wait = lock(&self.shared.commit);
            for digest in group.iter().filter(|digest| self.is_doomed(digest)) {
                let Some(bytes) = self.remove(digest)? else {
                    continue;
                };
                swept.files += 1;
                swept.bytes += bytes;
            }
            drop(commits_wait);
            after(swept);
        }
        self.end_doom()?;
        Ok(swept)
    }

    /// Removes a blob; gives its size if it was there.
    fn remove(&self, digest: &Digest) -> Result<Option<u64>> {
        if let Some(far) = &self.shared.far {
            let size = far.backend.size(&super::blob_name(digest))?;
            far.delete(digest)?;
            return Ok(size);
        }
        let path = self.shared.layout.blob(digest);
        let Ok(metadata) = fs::symlink_metadata(&path) else {
            return Ok(None);
        };
        super::layout::remove_any(&path).at("remove", &path)?;
        Ok(Some(metadata.len()))
    }

    /// Nothing is doomed any more.
    pub fn end_doom(&self) -> Result<()> {
        self.check_owner()?;
        let _commits_wait = lock(&self.shared.commit);
        if let Some(far) = &self.shared.far {
            self.end_own_sweep(far)?;
        } else {
            let path = self.shared.layout.doomed_file();
            match fs::remove_file(&path) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => {
                    return Err(error).at("remove", &path);
                }
                _ => {}
            }
        }
        self.shared.doomed.change(HashSet::clear);
        Ok(())
    }

    /// After opening: what a dead owner doomed still is.
    pub(super) fn load_doomed(&self) -> Result<()> {
        if let Some(doomed) = self.doomed()? {
            self.shared
                .doomed
                .change(|digests| *digests = doomed.digests.into_iter().collect());
        }
        Ok(())
    }

    fn check_owner(&self) -> Result<()> {
        if self.shared.role == Role::Owner {
            return Ok(());
        }
        Err(StoreError::NotOwner {
            path: self.root().to_owned(),
        })
    }
}

pub(super) fn read(text: &str) -> Option<Doomed> {
    let mut lines = text.lines();
    if lines.next()? != HEADER {
        return None;
    }
    let since_ms = lines.next()?.parse().ok()?;
    let mut digests = Vec::new();
    for line in lines.by_ref() {
        if line == "end" {
            return lines.next().is_none().then_some(Doomed { since_ms, digests });
        }
        digests.push(line.parse().ok()?);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_without_its_end_is_no_list() {
        let digest = Digest::of(b"bollard");
        let whole = format!("{HEADER}\n17\n{digest}\nend\n");
        assert_eq!(
            read(&whole),
            Some(Doomed {
                since_ms: 17,
                digests: vec![digest]
            })
        );
        for cut in 0..whole.len() - 1 {
            assert_eq!(read(&whole[..cut]), None, "{cut}");
        }
    }
}
