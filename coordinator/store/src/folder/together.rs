//! Several coordinators that commit to one share or bucket, and a sweep by one of them.
//!
//! ```text
//! owners/<id>                 "open" or "closed": each coordinator's own word
//! roots/<id>                  digests of all that it keeps, 32 bytes each, as of its last look
//! sweeps/<id>.<since>/doomed  what the coordinator <id> means to remove
//!                    /needs/<id>     what another needs of that: its answer, 32 bytes each
//!                    /spared/<hex>   named by a commit of another since
//!                    /door           from here on nothing is spared: it is being removed
//! ```
//!
//! 1. The sweeper marks from its own record and from the roots of all others, and stops if one cannot be read. It writes
//!    down what is doomed.
//! 2. Whoever sees that answers "absent" for what is doomed from then on, spares what its commits name, and, when the
//!    commits that did not know of it have ended, writes what its record needs. The sweeper waits for all answers of those
//!    who are open, besides the grace.
//! 3. It closes the door, then reads what was spared. Another first writes that it spares, then looks at the door. So of
//!    the two at least one sees the other: a blob is spared in time, or its commit finds the door closed and waits until
//!    it is gone, to put it anew. A coordinator that opens does the same with its own word and the list of sweeps.
//!
//! None of this needs a lock or a rename. On a share others may see a file late; [`Store::seen_within`] is waited out there,
//! by the sweeper also before it closes the door.

use std::collections::{HashMap, HashSet};
use std::sync::PoisonError;
use std::sync::RwLock;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;

use super::far::Far;
use super::{Doomed, Store, lock};
use crate::backend::{Address, Body, SEEN_WITHIN_SECONDS, read_all};
use crate::error::{Result, StoreError};

/// How long a commit waits for a blob to be gone that is being removed.
const REMOVAL: Duration = Duration::from_secs(30);
const LOOK: Duration = Duration::from_millis(200);

/// What others mean to remove.
#[derive(Debug, Default)]
pub(super) struct Others {
    sweeps: RwLock<HashMap<String, Seen>>,
}

/// A sweep of another coordinator.
#[derive(Debug, Default)]
struct Seen {
    doomed: HashSet<Digest>,
    spared: HashSet<Digest>,
    answered: bool,
}

impl Others {
    pub(super) fn has(&self, digest: &Digest) -> bool {
        self.read().values().any(|seen| seen.dooms(digest))
    }

    fn read(&self) -> std::sync::RwLockReadGuard<'_, HashMap<String, Seen>> {
        self.sweeps.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn write(&self) -> std::sync::RwLockWriteGuard<'_, HashMap<String, Seen>> {
        self.sweeps.write().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Seen {
    fn dooms(&self, digest: &Digest) -> bool {
        self.doomed.contains(digest) && !self.spared.contains(digest)
    }
}

impl Store {
    /// Whether several coordinators may commit to this store.
    pub fn is_shared(&self) -> bool {
        self.shared.far.is_some()
    }

    /// How late other machines may see what is written to this store. A sweep waits at least so long.
    pub fn seen_within(&self) -> Duration {
        self.shared.far.as_ref().map_or(Duration::ZERO, Far::seen_within)
    }

    /// Says that this coordinator is here, or that it ends, and what it keeps. Those that are not open need not be asked
    /// by a sweep: their roots are all they need.
    pub fn tell_roots(&self, roots: &HashSet<Digest>, open: bool) -> Result<()> {
        let Some(far) = &self.shared.far else {
            return Ok(());
        };
        far.backend.put(
            &format!("roots/{}", self.id()),
            Body::Bytes(&packed(roots.iter())),
        )?;
        self.tell_state(far, open)
    }

    pub(super) fn tell_state(&self, far: &Far, open: bool) -> Result<()> {
        let word: &[u8] = if open { b"open" } else { b"closed" };
        far.backend
            .put(&format!("owners/{}", self.id()), Body::Bytes(word))
    }

    /// All that the other coordinators keep, by their own last word.
    ///
    /// # Errors
    /// [`StoreError::Unanswered`] if one has never said it: then nothing may be removed.
    pub fn roots_of_others(&self) -> Result<HashSet<Digest>> {
        let mut roots = HashSet::new();
        let Some(far) = &self.shared.far else {
            return Ok(roots);
        };
        for (owner, _) in self.others(far)? {
            let name = format!("roots/{owner}");
            let bytes = read_all(&*far.backend, &name)?;
            let found = bytes.and_then(|bytes| unpacked(&bytes));
            roots.extend(found.ok_or_else(|| unanswered(far, &owner, "its roots cannot be read"))?);
        }
        Ok(roots)
    }

    /// Looks for sweeps of other coordinators; from then on what they doom is absent here. Gives those that wait for an
    /// answer; a commit that began before has ended when this returns.
    pub fn look_for_sweeps(&self) -> Result<Vec<String>> {
        let Some(far) = &self.shared.far else {
            return Ok(Vec::new());
        };
        let mut found = HashSet::new();
        let own = format!("{}.", self.id());
        far.backend.list("sweeps/", &mut |object| {
            if let Some(sweep) = object
                .name
                .strip_prefix("sweeps/")
                .and_then(|rest| rest.strip_suffix("/doomed"))
                && !sweep.starts_with(&own)
            {
                found.insert(sweep.to_owned());
            }
            Ok(())
        })?;
        let known: HashSet<String> = far.others.read().keys().cloned().collect();
        let mut new = Vec::new();
        for sweep in found.difference(&known) {
            // One that has ended meanwhile is none.
            if let Some(text) = read_all(&*far.backend, &format!("sweeps/{sweep}/doomed"))? {
                let doomed = parse(&text).ok_or_else(|| not_a_list(far, sweep))?;
                let seen = Seen {
                    doomed: doomed.digests.into_iter().collect(),
                    ..Seen::default()
                };
                new.push((sweep.clone(), seen));
            }
        }
        let _commits_wait = lock(&self.shared.commit);
        let mut sweeps = far.others.write();
        sweeps.retain(|sweep, _| found.contains(sweep));
        sweeps.extend(new);
        let waiting = sweeps.iter().filter(|(_, seen)| !seen.answered);
        Ok(waiting.map(|(sweep, _)| sweep.clone()).collect())
    }

    /// Answers a sweep of another coordinator: of what it dooms, `roots` are needed.
    pub fn answer_sweep(&self, sweep: &str, roots: &HashSet<Digest>) -> Result<()> {
        let Some(far) = &self.shared.far else {
            return Ok(());
        };
        let needed: Vec<Digest> = match far.others.read().get(sweep) {
            Some(seen) => seen.doomed.intersection(roots).copied().collect(),
            None => return Ok(()),
        };
        let name = format!("sweeps/{sweep}/needs/{}", self.id());
        far.backend.put(&name, Body::Bytes(&packed(needed.iter())))?;
        if let Some(seen) = far.others.write().get_mut(sweep) {
            seen.spared.extend(needed);
            seen.answered = true;
        }
        Ok(())
    }

    /// Before what is doomed is removed: hears what the others need of it, and spares that. Afterwards they can no longer
    /// ask for anything. On a store of one coordinator there is nothing to hear.
    ///
    /// # Errors
    /// [`StoreError::Unanswered`] while a coordinator that is open has not answered.
    pub fn hear_others(&self) -> Result<()> {
        let Some(far) = &self.shared.far else {
            return Ok(());
        };
        let Some((sweep, _)) = self.own_sweep(far)? else {
            return Ok(());
        };
        let has_door = far.backend.size(&format!("sweeps/{sweep}/door"))?.is_some();
        if !has_door {
            self.gather_needs(far, &sweep)?;
            far.backend
                .put(&format!("sweeps/{sweep}/door"), Body::Bytes(b"closed"))?;
        }
        // After a crash nobody remembers what was spared by this process, so all of it is heard again.
        far.wait_until_seen();
        let needed = self.gather_needs(far, &sweep).inspect_err(|_| {
            // One that opened just now has not been asked; it is, when the door is open again.
            if !has_door && let Err(error) = far.backend.delete(&format!("sweeps/{sweep}/door")) {
                tracing::warn!(%error, "could not open the door of a sweep again");
            }
        })?;
        self.spare(needed);
        let mut spared = Vec::new();
        far.backend
            .list(&format!("sweeps/{sweep}/spared/"), &mut |object| {
                spared.extend(
                    object
                        .name
                        .rsplit('/')
                        .next()
                        .and_then(|hex| hex.parse::<Digest>().ok()),
                );
                Ok(())
            })?;
        self.spare(spared);
        Ok(())
    }

    fn gather_needs(&self, far: &Far, sweep: &str) -> Result<Vec<Digest>> {
        let mut needed = Vec::new();
        for (owner, open) in self.others(far)? {
            let answer = read_all(&*far.backend, &format!("sweeps/{sweep}/needs/{owner}"))?;
            match answer {
                Some(bytes) => needed.extend(
                    unpacked(&bytes).ok_or_else(|| unanswered(far, &owner, "its answer cannot be read"))?,
                ),
                None if open => {
                    return Err(unanswered(
                        far,
                        &owner,
                        "it is open and has not said what it needs",
                    ));
                }
                None => {
                    let roots = read_all(&*far.backend, &format!("roots/{owner}"))?;
                    let roots = roots.and_then(|bytes| unpacked(&bytes));
                    needed.extend(roots.ok_or_else(|| unanswered(far, &owner, "its roots cannot be read"))?);
                }
            }
        }
        Ok(needed)
    }

    /// The other coordinators, and whether they are open.
    fn others(&self, far: &Far) -> Result<Vec<(String, bool)>> {
        let mut names = Vec::new();
        far.backend.list("owners/", &mut |object| {
            names.push(object.name);
            Ok(())
        })?;
        let mut others = Vec::new();
        for name in names {
            let owner = name.trim_start_matches("owners/").to_owned();
            if owner != self.id() {
                // One that cannot be read is taken for open.
                let is_closed = read_all(&*far.backend, &name)?.is_some_and(|word| word == b"closed");
                others.push((owner, !is_closed));
            }
        }
        Ok(others)
    }

    /// The sweep of this coordinator that has not ended.
    pub(super) fn own_sweep(&self, far: &Far) -> Result<Option<(String, Doomed)>> {
        let own = format!("sweeps/{}.", self.id());
        let mut found = None;
        far.backend.list("sweeps/", &mut |object| {
            if object.name.starts_with(&own) && object.name.ends_with("/doomed") {
                found = Some(object.name);
            }
            Ok(())
        })?;
        let Some(name) = found else {
            return Ok(None);
        };
        let Some(text) = read_all(&*far.backend, &name)? else {
            return Ok(None);
        };
        let doomed = parse(&text).ok_or_else(|| not_a_list(far, &name))?;
        let sweep = name.trim_start_matches("sweeps/").trim_end_matches("/doomed");
        Ok(Some((sweep.to_owned(), doomed)))
    }

    /// Writes down what this coordinator dooms.
    pub(super) fn tell_doomed(&self, far: &Far, text: &str, since_ms: i64) -> Result<()> {
        self.end_own_sweep(far)?;
        let name = format!("sweeps/{}.{since_ms}/doomed", self.id());
        far.backend.put(&name, Body::Bytes(text.as_bytes()))
    }

    /// Removes all that this coordinator's sweeps have left, the list first: without it there is no sweep.
    pub(super) fn end_own_sweep(&self, far: &Far) -> Result<()> {
        let own = format!("sweeps/{}.", self.id());
        let mut names = Vec::new();
        far.backend.list("sweeps/", &mut |object| {
            if object.name.starts_with(&own) {
                names.push(object.name);
            }
            Ok(())
        })?;
        names.sort_by_key(|name| !name.ends_with("/doomed"));
        names.iter().try_for_each(|name| far.backend.delete(name))
    }

    /// Before a commit: takes what it names off the lists of others. What is being removed by now is waited for, and is
    /// absent then.
    pub(super) fn spare_from_others(&self, far: &Far, digests: &[Digest]) -> Result<()> {
        let named: Vec<(String, Digest)> = {
            let sweeps = far.others.read();
            sweeps
                .iter()
                .flat_map(|(sweep, seen)| {
                    let dooms = digests.iter().filter(|digest| seen.dooms(digest));
                    dooms.map(|digest| (sweep.clone(), *digest))
                })
                .collect()
        };
        if named.is_empty() {
            return Ok(());
        }
        for (sweep, digest) in &named {
            far.backend
                .put(&format!("sweeps/{sweep}/spared/{digest}"), Body::Bytes(b"spared"))?;
        }
        far.wait_until_seen();
        for (sweep, digest) in named {
            if far.backend.size(&format!("sweeps/{sweep}/door"))?.is_some() {
                wait_for_removal(far, &sweep, &digest)?;
            }
            if let Some(seen) = far.others.write().get_mut(&sweep) {
                seen.spared.insert(digest);
            }
        }
        Ok(())
    }
}

impl Far {
    fn wait_until_seen(&self) {
        std::thread::sleep(self.seen_within());
    }

    /// A bucket shows at once what was put, by its protocol.
    fn seen_within(&self) -> Duration {
        match &self.address {
            Address::Share(shared) => {
                Duration::from_secs(shared.seen_within_seconds.unwrap_or(SEEN_WITHIN_SECONDS))
            }
            _ => Duration::ZERO,
        }
    }
}

/// Waits until the sweep has ended, or has removed the blob.
fn wait_for_removal(far: &Far, sweep: &str, digest: &Digest) -> Result<()> {
    let until = Instant::now() + REMOVAL;
    loop {
        // Ended; or opened again, and then what was spared before counts.
        let has_ended = far.backend.size(&format!("sweeps/{sweep}/doomed"))?.is_none();
        if has_ended || far.backend.size(&format!("sweeps/{sweep}/door"))?.is_none() {
            return Ok(());
        }
        if Instant::now() >= until {
            return Err(StoreError::Unanswered {
                place: far.backend.place(),
                owner: sweep.split('.').next().unwrap_or_default().to_owned(),
                reason: format!(
                    "its sweep is removing blob {digest} and does not end; start it again, so that it goes on"
                ),
            });
        }
        std::thread::sleep(LOOK);
    }
}

fn packed<'a>(digests: impl Iterator<Item = &'a Digest>) -> Vec<u8> {
    digests.flat_map(|digest| *digest.as_bytes()).collect()
}

fn unpacked(bytes: &[u8]) -> Option<Vec<Digest>> {
    let chunks = bytes.chunks_exact(32);
    if !chunks.remainder().is_empty() {
        return None;
    }
    chunks.map(|chunk| Digest::from_slice(chunk).ok()).collect()
}

fn parse(text: &[u8]) -> Option<Doomed> {
    super::doomed::read(std::str::from_utf8(text).ok()?)
}

fn not_a_list(far: &Far, name: &str) -> StoreError {
    StoreError::BadPlace {
        place: far.backend.place(),
        reason: format!("{name} does not list doomed blobs as this program writes them"),
    }
}

fn unanswered(far: &Far, owner: &str, reason: &str) -> StoreError {
    StoreError::Unanswered {
        place: far.backend.place(),
        owner: owner.to_owned(),
        reason: format!("{reason}; start it, or remove owners/{owner} if it is gone for good"),
    }
}
