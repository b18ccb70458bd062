//! Damaged blobs on a share or in a bucket.
//!
//! Nothing there can be removed on a condition: between a look and a removal another coordinator may have put the right
//! bytes, and these would go. So a damaged blob is never removed by whoever finds it. A copy goes to
//! `aside/<name>.<what it is>`, the same for all who find the same damage; from then on the blob counts as absent, and who
//! makes it anew puts it over the damaged one. Other coordinators see what lies aside, and look for themselves. Puts are
//! all that happens, in any order, and the right bytes come last.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;

use super::far::Far;
use super::layout::digest_of_name;
use super::staging::PIECE_BYTES;
use super::{Store, blob_name, lock};
use crate::backend::Body;
use crate::error::{At, Result, StoreError};

/// Between two reads of a damaged blob that somebody asks for.
const PAUSE: Duration = Duration::from_secs(1);

/// Blobs that are known to be damaged, and what was seen aside.
#[derive(Debug, Default)]
pub(super) struct Damaged {
    /// With the time of the last read.
    blobs: Mutex<HashMap<Digest, Instant>>,
    seen_aside: Mutex<HashSet<String>>,
}

/// How fresh the answer has to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// Read again if that was a while ago.
    NowAndThen,
    /// Read again.
    Now,
}

impl Damaged {
    fn note(&self, digest: &Digest) {
        lock(&self.blobs).insert(*digest, Instant::now());
    }

    /// It was put anew.
    pub(super) fn forget(&self, digest: &Digest) {
        lock(&self.blobs).remove(digest);
    }
}

impl Far {
    /// Whether a blob is known to be damaged, and still is. Nothing is read for any other.
    pub(super) fn is_damaged(&self, digest: &Digest, look: Look) -> Result<bool> {
        let Some(looked) = lock(&self.damaged.blobs).get(digest).copied() else {
            return Ok(false);
        };
        if look == Look::NowAndThen && looked.elapsed() < PAUSE {
            return Ok(true);
        }
        let is_damaged = self.bytes_of(digest)?.is_some_and(|found| found != *digest);
        if is_damaged {
            self.damaged.note(digest);
        } else {
            self.damaged.forget(digest);
        }
        Ok(is_damaged)
    }

    /// What the bytes under a name hash to; `None`: there are none.
    fn bytes_of(&self, digest: &Digest) -> Result<Option<Digest>> {
        let Some(mut opened) = self.backend.open(&blob_name(digest), 0)? else {
            return Ok(None);
        };
        let mut hasher = blake3::Hasher::new();
        let mut piece = vec![0; PIECE_BYTES];
        loop {
            match opened.bytes.read(&mut piece) {
                Ok(0) => return Ok(Some(Digest::from(hasher.finalize()))),
                Ok(count) => {
                    hasher.update(&piece[..count]);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                // Taken away meanwhile.
                Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
                Err(error) => return Err(StoreError::from_read(error, *digest)),
            }
        }
    }
}

impl Store {
    /// Notes that a blob on the far side has other bytes than its name says, and keeps a copy of them aside; gives its name.
    pub(super) fn set_aside_far(&self, far: &Far, digest: &Digest, found: Digest) -> Result<PathBuf> {
        let name = blob_name(digest);
        let part = super::layout::PartFile::new(self.shared.layout.new_part());
        let Some(mut opened) = far.backend.open(&name, 0)? else {
            return Err(StoreError::Absent { digest: *digest });
        };
        let mut file = fs::File::create_new(part.path()).at("create", part.path())?;
        io::copy(&mut opened.bytes, &mut file).map_err(|error| StoreError::from_read(error, *digest))?;
        drop(file);
        let (now, _) = super::staging::hash_file(part.path())?;
        if now == *digest {
            let changed = io::Error::new(
                io::ErrorKind::ResourceBusy,
                "it was made anew meanwhile; read it again",
            );
            return Err(StoreError::io("read", Path::new(&name), changed));
        }
        let aside = format!("aside/{digest}.{}", &now.to_string()[..16]);
        far.backend.put(&aside, Body::File(part.path()))?;
        lock(&far.damaged.seen_aside).insert(aside.clone());
        far.damaged.note(digest);
        tracing::error!(
            %digest, %found, aside, place = %far.backend.place(),
            "a damaged blob was set aside; it counts as absent until it is made anew"
        );
        Ok(PathBuf::from(aside))
    }

    /// Looks for damage that other coordinators of the store have found since the last look. Each blob is read once.
    pub fn look_for_damage(&self) -> Result<()> {
        let Some(far) = &self.shared.far else {
            return Ok(());
        };
        let mut new = Vec::new();
        far.backend.list("aside/", &mut |object| {
            if !lock(&far.damaged.seen_aside).contains(&object.name) {
                new.push(object.name);
            }
            Ok(())
        })?;
        for name in new {
            if let Some(digest) = digest_of_name(name.trim_start_matches("aside/"))
                && far.bytes_of(&digest)?.is_some_and(|found| found != digest)
            {
                far.damaged.note(&digest);
            }
            lock(&far.damaged.seen_aside).insert(name);
        }
        Ok(())
    }
}
