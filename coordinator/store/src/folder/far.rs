//! A store whose blobs lie on a share or in a bucket. Staging still happens in a folder of this machine, the near
//! side; a commit puts what was staged there, and what agents put themselves is only looked for.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::{fs, io, thread};

use tidemill_proto::Digest;

use super::commit::{CommitReport, Move, remove_spare};
use super::damage::{Damaged, Look};
use super::layout::Layout;
use super::look::{Aside, BlobEntry, UsagePart};
use super::open::owner_id;
use super::together::Others;
use super::{Role, Store};
use crate::backend::{Address, Backend, Body, Opened};
use crate::error::{At, Result, StoreError};

/// Calls to the backend at a time, of one commit.
const AT_ONCE: usize = 8;
/// Names that wait between a listing and whoever reads it.
const LISTED_AHEAD: usize = 1000;

/// The far side of a store.
pub(super) struct Far {
    pub(super) backend: Arc<dyn Backend>,
    pub(super) address: Address,
    /// What other coordinators mean to remove.
    pub(super) others: Others,
    /// Blobs whose bytes were found wrong and are not replaced yet.
    pub(super) damaged: Damaged,
}

impl Far {
    /// `None` also of one that is there with other bytes.
    pub(super) fn size(&self, digest: &Digest) -> Result<Option<u64>> {
        if self.is_damaged(digest, Look::NowAndThen)? {
            return Ok(None);
        }
        self.backend.size(&blob_name(digest))
    }

    pub(super) fn open(&self, digest: &Digest) -> Result<Option<Opened>> {
        if self.is_damaged(digest, Look::NowAndThen)? {
            return Ok(None);
        }
        self.backend.open(&blob_name(digest), 0)
    }

    pub(super) fn delete(&self, digest: &Digest) -> Result<()> {
        self.backend.delete(&blob_name(digest))
    }

    /// Sizes of several blobs, asked for side by side.
    pub(super) fn sizes(&self, digests: &[Digest]) -> Result<Vec<Option<u64>>> {
        side_by_side(digests, |digest| self.size(digest))
    }

    pub(super) fn aside(&self) -> Result<Vec<Aside>> {
        let mut found = Vec::new();
        self.backend.list("aside/", &mut |object| {
            let name = object.name.rsplit('/').next().unwrap_or_default();
            if let Some(digest) = super::layout::digest_of_name(name) {
                let path = PathBuf::from(object.name);
                found.push(Aside { digest, path });
            }
            Ok(())
        })?;
        Ok(found)
    }

    pub(super) fn usage_of(&self, prefix: &str) -> Result<UsagePart> {
        let mut part = UsagePart::default();
        self.backend.list(prefix, &mut |object| {
            part.files += 1;
            part.bytes += object.size;
            Ok(())
        })?;
        Ok(part)
    }

    /// All blobs, listed by a thread that keeps a little ahead of the reader.
    pub(super) fn iter(&self) -> Result<mpsc::IntoIter<Result<BlobEntry>>> {
        let (sender, receiver) = mpsc::sync_channel(LISTED_AHEAD);
        let backend = self.backend.clone();
        thread::Builder::new()
            .name("list-blobs".to_owned())
            .spawn(move || {
                let listed = backend.list("blobs/", &mut |object| {
                    let name = object.name.rsplit('/').next().unwrap_or_default();
                    let entry = match name.parse() {
                        Ok(digest) => Ok(BlobEntry {
                            digest,
                            size: object.size,
                        }),
                        Err(_) => Err(StoreError::NotAStore {
                            path: PathBuf::from(&object.name),
                            reason: "an object among the blobs has no digest for a name; remove it"
                                .to_owned(),
                        }),
                    };
                    // An error ends the listing; so does a reader that has gone.
                    sender.send(entry).map_err(|_| StoreError::NotAStore {
                        path: PathBuf::new(),
                        reason: "nobody reads the list".to_owned(),
                    })
                });
                if let Err(error) = listed {
                    let _ = sender.send(Err(error));
                }
            })
            .at("list", Path::new("blobs"))?;
        Ok(receiver.into_iter())
    }
}

impl Store {
    /// Opens the store at an address, as one of the coordinators that commit to it. `near` is a folder of this machine
    /// for what is staged; a plain folder does not need it.
    ///
    /// # Errors
    /// The address cannot be used, or the place does not answer.
    pub fn open_at(address: &Address, near: &Path) -> Result<Self> {
        match crate::backend::open(address)? {
            None => match address {
                Address::Folder(folder) => Self::open_owner(folder),
                _ => Err(StoreError::BadPlace {
                    place: address.to_string(),
                    reason: "there is no way to it".to_owned(),
                }),
            },
            Some(backend) => Self::open_far(backend, address.clone(), near),
        }
    }

    /// As [`Store::open_at`] over a backend that is open already.
    pub fn open_far(backend: Arc<dyn Backend>, address: Address, near: &Path) -> Result<Self> {
        let layout = Layout::new(near);
        for folder in [layout.incoming(), layout.aside()] {
            fs::create_dir_all(folder).at("create", folder)?;
        }
        let id = owner_id(&layout)?;
        // Tells whoever sees the place that it is the one that this coordinator means.
        backend.put(&id_name(&id), Body::Bytes(id.as_bytes()))?;
        let far = Far {
            backend,
            address,
            others: Others::default(),
            damaged: Damaged::default(),
        };
        let store = Self::assemble(layout, id, Role::Owner, Some(far))?;
        store.clear_after_dead_owner()?;
        if let Some(far) = &store.shared.far {
            // First the word, then the look: a sweep that does not hear of us has closed its door, and we see that.
            store.tell_state(far, true)?;
            store.look_for_sweeps()?;
        }
        store.load_doomed()?;
        Ok(store)
    }

    /// Commits to the far side.
    pub(super) fn commit_far(&self, far: &Far, digests: &[Digest]) -> Result<CommitReport> {
        let mut report = CommitReport::default();
        self.spare_from_others(far, digests)?;
        let unstored = self.unstored_far(far, digests, &mut report)?;
        let moves = self.find_staged(&unstored, false)?;
        let put = side_by_side(&moves, |found| put_blob(far, found))?;
        for (found, put) in moves.iter().zip(&put) {
            self.drop_staged(&found.digest, None);
            if *put {
                // One that another handle staged.
                let _ = fs::remove_file(&found.from);
                remove_spare(found);
                report.committed += 1;
            }
        }
        let arrived: std::collections::HashSet<Digest> = moves
            .iter()
            .zip(&put)
            .filter_map(|(found, put)| put.then_some(found.digest))
            .collect();
        report.missing = unstored
            .into_iter()
            .filter(|digest| !arrived.contains(digest))
            .collect();
        Ok(report)
    }

    /// Which of these blobs are not on the far side, in the order given, each once.
    pub(super) fn unstored_far(
        &self,
        far: &Far,
        digests: &[Digest],
        report: &mut CommitReport,
    ) -> Result<Vec<Digest>> {
        let mut seen = std::collections::HashSet::with_capacity(digests.len());
        let once: Vec<Digest> = digests
            .iter()
            .copied()
            .filter(|digest| seen.insert(*digest))
            .collect();
        // Somebody may have put one of them anew a moment ago.
        for digest in &once {
            far.is_damaged(digest, Look::Now)?;
        }
        let sizes = far.sizes(&once)?;
        let mut unstored = Vec::new();
        for (digest, size) in once.into_iter().zip(sizes) {
            if size.is_some() && !self.is_doomed(&digest) && !far.others.has(&digest) {
                report.present += 1;
                self.drop_staged(&digest, None);
            } else {
                unstored.push(digest);
            }
        }
        Ok(unstored)
    }
}

fn put_blob(far: &Far, found: &Move) -> Result<bool> {
    match far
        .backend
        .put(&blob_name(&found.digest), Body::File(&found.from))
    {
        Ok(()) => {
            far.damaged.forget(&found.digest);
            Ok(true)
        }
        // Swept or taken by another commit since it was found.
        Err(StoreError::Io { source, path, .. })
            if source.kind() == io::ErrorKind::NotFound && path == found.from =>
        {
            far.size(&found.digest).map(|size| size.is_some())
        }
        Err(error) => Err(error),
    }
}

/// Where a blob lies on the far side.
pub fn blob_name(digest: &Digest) -> String {
    let hex = digest.to_string();
    format!("blobs/{}/{hex}", &hex[..2])
}

/// The object by which a store is recognised.
pub fn id_name(id: &str) -> String {
    format!("ids/{id}")
}

/// Calls `each` for all, several at a time; gives the answers in their order, or an error.
fn side_by_side<T: Sync, R: Send>(all: &[T], each: impl Fn(&T) -> Result<R> + Sync) -> Result<Vec<R>> {
    if all.len() < 2 {
        return all.iter().map(each).collect();
    }
    let next = AtomicUsize::new(0);
    let answers: Mutex<Vec<(usize, Result<R>)>> = Mutex::new(Vec::with_capacity(all.len()));
    thread::scope(|scope| {
        for _ in 0..AT_ONCE.min(all.len()) {
            scope.spawn(|| {
                while let Some((index, one)) = {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    all.get(index).map(|one| (index, one))
                } {
                    let answer = each(one);
                    answers
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push((index, answer));
                }
            });
        }
    });
    let mut answers = answers.into_inner().unwrap_or_else(PoisonError::into_inner);
    answers.sort_unstable_by_key(|(index, _)| *index);
    answers.into_iter().map(|(_, answer)| answer).collect()
}
