//! The agent's cache of blobs: bounded, and safe where several agents of one machine share its folder.
//!
//! ```text
//! cache/
//!   blobs/ …            as in any store
//!   gate                locked, shared, while a hold is noted; alone, while blobs are removed
//!   held/<process>/     one empty file for each blob that a process holds
//!   held/<process>.on   locked for as long as that process lives
//! ```
//!
//! A hold is noted before it is looked whether the blob is there, and nothing is removed between the two. Whoever
//! removes blobs reads all notes first, and clears away those of processes that are gone.

use std::collections::{HashMap, HashSet};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use tidemill_proto::Digest;
use tidemill_store::{Store, StoreError};

use super::bound::{Kept, must_go};

/// While more is held than the cache may take, it is not listed again for each item that ends.
const LIST_PAUSE: Duration = Duration::from_secs(1);

/// A cache in a folder.
#[derive(Debug)]
pub(super) struct Cache {
    store: Store,
    limit_bytes: u64,
    notes: PathBuf,
    state: Mutex<State>,
    _alive: File,
}

#[derive(Debug)]
struct State {
    /// Locks are the process's own, so its threads take turns.
    gate: File,
    holders: HashMap<Digest, u32>,
    /// As far as this process knows: others may have added or removed.
    total_bytes: u64,
    /// When the folder was listed, if what is held was too much even then.
    full_since_list: Option<Instant>,
}

impl Cache {
    /// Opens a cache that may grow to `limit_bytes`; makes the folder if there is none.
    pub(super) fn open(folder: &Path, limit_bytes: u64) -> Result<Self, StoreError> {
        let held = folder.join("held");
        fs::create_dir_all(&held).map_err(|error| io_error("create", &held, error))?;
        let gate_path = folder.join("gate");
        let gate = lock_file(&gate_path)?;
        // What a dead process left in the store's folder is cleared by one process at a time.
        gate.lock().map_err(|error| io_error("lock", &gate_path, error))?;
        let store = Store::open_cache(folder)?;
        let name = uuid::Uuid::new_v4().simple().to_string();
        let alive_path = held.join(format!("{name}.on"));
        let alive = lock_file(&alive_path)?;
        alive
            .lock()
            .map_err(|error| io_error("lock", &alive_path, error))?;
        let notes = held.join(name);
        fs::create_dir(&notes).map_err(|error| io_error("create", &notes, error))?;
        unlock(&gate);
        let mut total_bytes = 0;
        for entry in store.iter()? {
            total_bytes += entry?.size;
        }
        Ok(Self {
            store,
            limit_bytes,
            notes,
            state: Mutex::new(State {
                gate,
                holders: HashMap::new(),
                total_bytes,
                full_since_list: None,
            }),
            _alive: alive,
        })
    }

    pub(super) fn store(&self) -> &Store {
        &self.store
    }

    /// Keeps a blob from being removed until [`Cache::release`], whether it is here yet or not.
    pub(super) fn hold(&self, digest: Digest) -> Result<(), StoreError> {
        let mut state = self.lock();
        let holders = state.holders.get(&digest).copied().unwrap_or(0);
        if holders == 0 {
            let note = self.notes.join(digest.to_string());
            let gate_path = self.store.root().join("gate");
            state
                .gate
                .lock_shared()
                .map_err(|error| io_error("lock", &gate_path, error))?;
            let noted = File::create(&note);
            unlock(&state.gate);
            noted.map_err(|error| io_error("create", &note, error))?;
        }
        state.holders.insert(digest, holders + 1);
        drop(state);
        self.note_use(digest);
        Ok(())
    }

    /// One of those who hold them no longer does.
    pub(super) fn release(&self, digests: &[Digest]) {
        let mut state = self.lock();
        for digest in digests {
            match state.holders.get_mut(digest) {
                Some(holders) if *holders > 1 => *holders -= 1,
                Some(_) => {
                    state.holders.remove(digest);
                    // One that stays behind goes with this process.
                    let _ = fs::remove_file(self.notes.join(digest.to_string()));
                }
                None => {}
            }
        }
        self.make_room(&mut state);
    }

    /// A blob that is held has come into the cache.
    pub(super) fn added(&self, size_bytes: u64) {
        let mut state = self.lock();
        state.total_bytes += size_bytes;
        self.make_room(&mut state);
    }

    /// The file's time of change tells every process when somebody last needed it.
    fn note_use(&self, digest: Digest) {
        if let Ok(file) = File::open(self.blob_file(digest)) {
            // Where the system refuses, the cache forgets in order of arrival.
            let _ = file.set_modified(SystemTime::now());
        }
    }

    fn make_room(&self, state: &mut State) {
        if state.total_bytes <= self.limit_bytes {
            return;
        }
        let paused = state
            .full_since_list
            .is_some_and(|listed| listed.elapsed() < LIST_PAUSE);
        if paused && !state.holders.is_empty() {
            return;
        }
        if let Err(error) = self.remove_unused(state) {
            tracing::warn!(%error, "could not make room in the cache");
        }
        state.full_since_list = (state.total_bytes > self.limit_bytes).then(Instant::now);
    }

    fn remove_unused(&self, state: &mut State) -> io::Result<()> {
        state.gate.lock()?;
        let removed = self.remove_behind_gate(state);
        unlock(&state.gate);
        removed
    }

    fn remove_behind_gate(&self, state: &mut State) -> io::Result<()> {
        let held = self.held_by_anyone()?;
        let mut kept = Vec::new();
        for entry in self.store.iter().map_err(io::Error::other)? {
            let entry = entry.map_err(io::Error::other)?;
            let changed = fs::metadata(self.blob_file(entry.digest)).and_then(|metadata| metadata.modified());
            kept.push(Kept {
                last_use: changed.unwrap_or(SystemTime::UNIX_EPOCH),
                digest: entry.digest,
                size: entry.size,
            });
        }
        state.total_bytes = kept.iter().map(|kept| kept.size).sum();
        for gone in must_go(kept, &held, self.limit_bytes) {
            match fs::remove_file(self.blob_file(gone.digest)) {
                Ok(()) => state.total_bytes -= gone.size,
                Err(error) => {
                    tracing::warn!(digest = %gone.digest, %error, "could not remove a blob from the cache");
                }
            }
        }
        Ok(())
    }

    /// What any living process holds. The notes of dead ones are removed.
    fn held_by_anyone(&self) -> io::Result<HashSet<Digest>> {
        let mut held = HashSet::new();
        for entry in fs::read_dir(self.store.root().join("held"))? {
            let notes = entry?.path();
            if notes.extension().is_some() {
                continue;
            }
            let alive = notes.with_extension("on");
            if notes != self.notes && is_dead(&alive) {
                let _ = fs::remove_dir_all(&notes);
                let _ = fs::remove_file(&alive);
                continue;
            }
            for note in fs::read_dir(&notes)? {
                held.extend(
                    note?
                        .file_name()
                        .to_str()
                        .and_then(|name| name.parse::<Digest>().ok()),
                );
            }
        }
        Ok(held)
    }

    /// Where the store keeps a committed blob, as its crate documents.
    fn blob_file(&self, digest: Digest) -> PathBuf {
        let name = digest.to_string();
        self.store.root().join("blobs").join(&name[..2]).join(name)
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Cache {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.notes);
        let _ = fs::remove_file(self.notes.with_extension("on"));
    }
}

/// Whether nobody holds the lock that a process keeps while it lives.
fn is_dead(alive: &Path) -> bool {
    match File::open(alive) {
        Ok(file) => !matches!(file.try_lock(), Err(TryLockError::WouldBlock)),
        Err(error) => error.kind() == io::ErrorKind::NotFound,
    }
}

fn lock_file(path: &Path) -> Result<File, StoreError> {
    OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(|error| io_error("open", path, error))
}

fn unlock(gate: &File) {
    if let Err(error) = gate.unlock() {
        tracing::error!(%error, "could not unlock the cache");
    }
}

fn io_error(action: &'static str, path: &Path, source: io::Error) -> StoreError {
    StoreError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(cache: &Cache, bytes: &[u8]) -> Digest {
        let digest = Digest::of(bytes);
        cache.hold(digest).unwrap();
        let staged = cache.store().stage_bytes(bytes).unwrap();
        cache.store().commit(&[staged.digest]).unwrap();
        cache.added(staged.size);
        digest
    }

    fn again(cache: &Cache) {
        cache.lock().full_since_list = None;
    }

    #[test]
    fn two_processes_on_one_cache_keep_it_small_and_never_take_what_the_other_holds() {
        let folder = tempfile::tempdir().unwrap();
        let (one, two) = (
            Cache::open(folder.path(), 250).unwrap(),
            Cache::open(folder.path(), 250).unwrap(),
        );
        let held_by_two = put(&two, &[2; 100]);
        let free = put(&one, &[1; 100]);
        one.release(&[free]);
        again(&one);
        let third = put(&one, &[3; 100]); // 300 bytes: one must go, and the oldest is held by the other
        let has = |digest| one.store().contains(&digest).unwrap();
        // `one` knew of 200 bytes until it listed the folder.
        again(&one);
        one.added(100);
        assert!(has(held_by_two) && has(third) && !has(free));
        two.release(&[held_by_two]);
        again(&one);
        put(&one, &[4; 200]);
        assert!(!has(held_by_two), "nobody holds it any more");
        assert!(has(third), "still held");
    }

    #[test]
    fn what_a_dead_process_held_may_go() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(folder.path(), 150).unwrap();
        let old = put(&cache, &[1; 100]);
        cache.release(&[old]);
        // As a killed process leaves it: a note, and a file that nobody has locked.
        let dead = folder.path().join("held/0123");
        fs::create_dir(&dead).unwrap();
        File::create(dead.join(old.to_string())).unwrap();
        File::create(dead.with_extension("on")).unwrap();
        put(&cache, &[2; 100]);
        assert!(!cache.store().contains(&old).unwrap());
        assert!(!dead.exists() && !dead.with_extension("on").exists());
    }

    #[test]
    fn a_blob_that_was_needed_again_outlives_a_younger_one() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(folder.path(), 250).unwrap();
        let (first, second) = (put(&cache, &[1; 100]), put(&cache, &[2; 100]));
        cache.release(&[first, second]);
        std::thread::sleep(Duration::from_millis(20));
        cache.hold(first).unwrap();
        cache.release(&[first]);
        put(&cache, &[3; 100]);
        assert!(cache.store().contains(&first).unwrap());
        assert!(!cache.store().contains(&second).unwrap());
    }
}
