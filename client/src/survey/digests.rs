//! Digests of files. A file is not read again while its size, its times and its identity are what they were.

use std::collections::HashMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{SystemTime, UNIX_EPOCH};

use tidemill_proto::Digest;

use super::remember::{Memory, Stamped};
use super::walk;
use crate::os;

/// Times of files move in steps: of 2 s on a FAT disk, of up to 10 ms elsewhere. A file that changed less than
/// this before it was hashed may change again without showing it, so its digest is not trusted the next time.
const COARSE_STEP_NS: i64 = 2_000_000_000;
const FINE_STEP_NS: i64 = 50_000_000;

/// Digests of files below one folder. Shared by threads.
#[derive(Debug)]
pub struct Digests<'m> {
    root: PathBuf,
    memory: &'m Memory,
    fresh: Mutex<HashMap<String, Stamped>>,
}

impl<'m> Digests<'m> {
    /// Below `root`, with what was remembered about it.
    pub fn new(root: &Path, memory: &'m Memory) -> Self {
        Self {
            root: root.to_owned(),
            memory,
            fresh: Mutex::new(HashMap::new()),
        }
    }

    /// The folder that paths are relative to.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Digest and size of a file; `None` if there is no file of this path.
    pub fn of(&self, path: &str) -> io::Result<Option<(Digest, u64)>> {
        let full = walk::join(&self.root, path);
        let metadata = match std::fs::metadata(&full) {
            Ok(metadata) if metadata.is_file() => metadata,
            Ok(_) => return Ok(None),
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
                ) =>
            {
                return Ok(None);
            }
            Err(error) => return Err(error),
        };
        let mut stamp = stamp_of(path, &metadata);
        if let Some(known) = self.memory.stamps.get(path)
            && (Stamped {
                digest: known.digest.clone(),
                ..stamp.clone()
            }) == *known
            && let Ok(digest) = Digest::from_slice(&known.digest)
        {
            self.remember(known.clone());
            return Ok(Some((digest, known.size)));
        }
        let begun_ns = ns(SystemTime::now());
        let (digest, size) = hash_file(&full)?;
        if size == stamp.size && is_settled(&stamp, begun_ns) {
            stamp.digest = digest.to_vec();
            self.remember(stamp);
        }
        Ok(Some((digest, size)))
    }

    /// Takes note of a file that was just written with known bytes.
    pub fn wrote(&self, path: &str, digest: Digest) {
        if let Ok(metadata) = std::fs::metadata(walk::join(&self.root, path)) {
            self.remember(Stamped {
                digest: digest.to_vec(),
                ..stamp_of(path, &metadata)
            });
        }
    }

    /// What is worth remembering: the files that were asked for.
    pub fn into_entries(self) -> Vec<Stamped> {
        self.fresh
            .into_inner()
            .map(|fresh| fresh.into_values().collect())
            .unwrap_or_default()
    }

    fn remember(&self, stamp: Stamped) {
        if let Ok(mut fresh) = self.fresh.lock() {
            fresh.insert(stamp.path.clone(), stamp);
        }
    }
}

fn stamp_of(path: &str, metadata: &std::fs::Metadata) -> Stamped {
    let identity = os::file_identity(metadata);
    Stamped {
        path: path.to_owned(),
        digest: Vec::new(),
        size: metadata.len(),
        modified_ns: metadata.modified().map(ns).unwrap_or(0),
        changed_ns: identity.changed_ns,
        number: identity.number,
    }
}

fn is_settled(stamp: &Stamped, hashed_ns: i64) -> bool {
    let newest = stamp.modified_ns.max(stamp.changed_ns);
    let step = if newest % 1_000_000_000 == 0 {
        COARSE_STEP_NS
    } else {
        FINE_STEP_NS
    };
    newest.saturating_add(step) < hashed_ns
}

fn ns(time: SystemTime) -> i64 {
    let since = time
        .duration_since(UNIX_EPOCH)
        .map(|since| since.as_nanos())
        .unwrap_or(0);
    i64::try_from(since).unwrap_or(i64::MAX)
}

/// Reads a file once, with little memory.
fn hash_file(path: &Path) -> io::Result<(Digest, u64)> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(std::fs::File::open(path)?)?;
    Ok((Digest::from(hasher.finalize()), hasher.count()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn remembered(digests: Digests<'_>) -> Memory {
        let stamps = digests
            .into_entries()
            .into_iter()
            .map(|stamp| (stamp.path.clone(), stamp))
            .collect();
        Memory {
            stamps,
            facts: HashMap::new(),
        }
    }

    #[test]
    fn a_settled_file_is_not_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        std::fs::write(&path, "timber").unwrap();
        std::thread::sleep(std::time::Duration::from_millis(70));
        let empty = Memory::default();
        let digests = Digests::new(folder.path(), &empty);
        assert_eq!(digests.of("a").unwrap(), Some((Digest::of(b"timber"), 6)));
        let mut memory = remembered(digests);
        // A wrong digest shows that the memory was asked.
        memory.stamps.get_mut("a").unwrap().digest = Digest::of(b"iron").to_vec();
        assert_eq!(
            Digests::new(folder.path(), &memory).of("a").unwrap(),
            Some((Digest::of(b"iron"), 6))
        );
        std::fs::write(&path, "timbre").unwrap();
        assert_eq!(
            Digests::new(folder.path(), &memory).of("a").unwrap(),
            Some((Digest::of(b"timbre"), 6))
        );
    }

    #[test]
    fn a_file_that_just_changed_is_not_trusted_later() {
        let stamp = Stamped {
            modified_ns: 1_000_000_001,
            changed_ns: 1_000_000_001,
            ..Stamped::default()
        };
        assert!(!is_settled(&stamp, 1_000_000_002));
        assert!(is_settled(&stamp, 1_100_000_000));
        let coarse = Stamped {
            modified_ns: 4_000_000_000,
            changed_ns: 4_000_000_000,
            ..Stamped::default()
        };
        assert!(!is_settled(&coarse, 5_900_000_000));
        assert!(is_settled(&coarse, 6_000_000_001));
    }

    #[test]
    fn folders_and_absent_files_have_no_digest() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("d")).unwrap();
        std::fs::write(folder.path().join("f"), "").unwrap();
        let memory = Memory::default();
        let digests = Digests::new(folder.path(), &memory);
        for path in ["d", "absent", "f/x"] {
            assert_eq!(digests.of(path).unwrap(), None, "{path}");
        }
    }
}
