//! A folder on a network share, used by several machines at once, by the rules of NFS.
//!
//! What is relied on: bytes that were synced without error are on the server; a rename makes the whole file appear
//! under its name, whenever others come to see that. What is not relied on: locks; that a rename or a removal is seen
//! by other machines at once (their caches may lag by a minute); that a failed answer means that nothing happened (an
//! answer may be lost after the server has done it); that an open file stays readable while another replaces its name
//! (`ESTALE`). So every put is read back under its final name, and a stale handle is opened anew.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use super::{Backend, Body, LeftOver, Listed, Opened};
use crate::error::{At, Result, StoreError};
use crate::os;

/// Tries of one step before it is given up.
const TRIES: u32 = 5;
const FIRST_PAUSE: Duration = Duration::from_millis(20);
const PIECE_BYTES: usize = 256 * 1024;
/// Files that are being written.
const PARTS: &str = "parts";

/// A folder share.
#[derive(Debug)]
pub struct Share {
    root: PathBuf,
    unique_prefix: String,
    unique_count: AtomicU64,
}

impl Share {
    /// Uses the folder `root`, which must be there: a share that is not mounted is not to be taken for an empty one.
    pub fn open(root: &Path) -> Result<Self> {
        let metadata = patiently(|| fs::metadata(root)).at("open the share", root)?;
        if !metadata.is_dir() {
            return Err(StoreError::NotAStore {
                path: root.to_owned(),
                reason: "it is not a folder".to_owned(),
            });
        }
        let parts = root.join(PARTS);
        patiently(|| fs::create_dir_all(&parts)).at("create", &parts)?;
        Ok(Self {
            root: root.to_owned(),
            unique_prefix: uuid::Uuid::new_v4().simple().to_string(),
            unique_count: AtomicU64::new(0),
        })
    }

    fn path(&self, name: &str) -> PathBuf {
        name.split('/')
            .fold(self.root.clone(), |path, part| path.join(part))
    }

    fn new_part(&self) -> PathBuf {
        let count = self.unique_count.fetch_add(1, Ordering::Relaxed);
        self.root
            .join(PARTS)
            .join(format!("{}-{count:x}", self.unique_prefix))
    }

    fn put_once(&self, target: &Path, body: Body<'_>) -> Result<bool> {
        let part = self.new_part();
        let outcome = self.write_and_name(&part, target, body);
        if outcome.is_err() {
            let _ = fs::remove_file(&part);
        }
        outcome
    }

    /// True once the right bytes can be read under the name.
    fn write_and_name(&self, part: &Path, target: &Path, body: Body<'_>) -> Result<bool> {
        let parent = target.parent().unwrap_or(&self.root);
        let mut file = patiently(|| File::create(part)).at("create", part)?;
        let written = copy(body, &mut file, part)?;
        file.sync_all().at("sync", part)?;
        drop(file);
        let named = match fs::rename(part, target) {
            Err(error) if error.kind() == io::ErrorKind::NotFound && !parent.is_dir() => {
                patiently(|| fs::create_dir_all(parent)).at("create", parent)?;
                let above = parent.ancestors().skip(1);
                for above in above.take_while(|above| above.starts_with(&self.root)) {
                    os::sync_folder(above).at("sync", above)?;
                }
                fs::rename(part, target)
            }
            other => other,
        };
        match named {
            Ok(()) => {}
            // The server has done it and its answer was lost, or another put the same name: reading back tells.
            Err(error) if error.kind() == io::ErrorKind::NotFound || is_stale(&error) => {}
            Err(error) => return Err(error).at("rename a file to", target),
        }
        patiently(|| os::sync_folder(parent)).at("sync", parent)?;
        let found = patiently(|| hash(target)).at("read back", target)?;
        Ok(found == written)
    }
}

impl Backend for Share {
    fn place(&self) -> String {
        format!("share:{}", self.root.display())
    }

    fn put(&self, name: &str, body: Body<'_>) -> Result<()> {
        let target = self.path(name);
        let mut pause = FIRST_PAUSE;
        for _ in 0..TRIES {
            match self.put_once(&target, body) {
                Ok(true) => return Ok(()),
                Ok(false) => {}
                Err(StoreError::Io { source, path, .. })
                    if is_passing(&source) && !matches!(body, Body::File(own) if own == path) => {}
                Err(error) => return Err(error),
            }
            std::thread::sleep(pause);
            pause *= 2;
        }
        let reason = io::Error::other(format!(
            "what is read back is not what was written, {TRIES} times; look at the share's server and its disks"
        ));
        Err(StoreError::io("put", &target, reason))
    }

    fn open(&self, name: &str, from: u64) -> Result<Option<Opened>> {
        let path = self.path(name);
        let opened = patiently(|| {
            let mut file = File::open(&path)?;
            let size = file.metadata()?.len();
            file.seek(SeekFrom::Start(from))?;
            Ok((file, size))
        });
        let (file, size) = match opened {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            other => other.at("open", &path)?,
        };
        let bytes = Box::new(Reading { path, file, at: from });
        Ok(Some(Opened { size, bytes }))
    }

    fn size(&self, name: &str) -> Result<Option<u64>> {
        let path = self.path(name);
        match patiently(|| fs::metadata(&path)) {
            Ok(metadata) => Ok(Some(metadata.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error).at("look for", &path),
        }
    }

    fn list(&self, prefix: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        let prefix = prefix.trim_end_matches('/');
        list_folder(&self.path(prefix), prefix, each)
    }

    fn delete(&self, name: &str) -> Result<()> {
        let path = self.path(name);
        match patiently(|| fs::remove_file(&path)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error).at("remove", &path),
            _ => Ok(()),
        }
    }

    fn left_over(&self, older_than: Duration, remove: bool) -> Result<LeftOver> {
        let mut found = Vec::new();
        let now = SystemTime::now();
        list_folder(&self.path(PARTS), PARTS, &mut |object| {
            let changed = UNIX_EPOCH + Duration::from_millis(u64::try_from(object.changed_ms).unwrap_or(0));
            if now.duration_since(changed).is_ok_and(|age| age >= older_than) {
                found.push(object);
            }
            Ok(())
        })?;
        let mut left = LeftOver::default();
        for object in found {
            if remove {
                self.delete(&object.name)?;
            }
            left.puts += 1;
            left.bytes += object.size;
        }
        Ok(left)
    }
}

fn list_folder(folder: &Path, name: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
    let entries = match patiently(|| fs::read_dir(folder)?.collect::<io::Result<Vec<_>>>()) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        other => other.at("list", folder)?,
    };
    for entry in entries {
        let path = entry.path();
        let Some(own) = path.file_name().and_then(|own| own.to_str()) else {
            continue;
        };
        let name = format!("{name}/{own}");
        // Others put and remove meanwhile.
        let metadata = match patiently(|| fs::symlink_metadata(&path)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            other => other.at("look at", &path)?,
        };
        if metadata.is_dir() {
            list_folder(&path, &name, each)?;
        } else {
            let changed = metadata.modified().at("read the time of", &path)?;
            let age = changed.duration_since(UNIX_EPOCH).unwrap_or_default();
            each(Listed {
                name,
                size: metadata.len(),
                changed_ms: i64::try_from(age.as_millis()).unwrap_or(i64::MAX),
            })?;
        }
    }
    Ok(())
}

/// Reads on where it was when its file has been replaced: under one name of a blob there is only one content.
struct Reading {
    path: PathBuf,
    file: File,
    at: u64,
}

impl Read for Reading {
    fn read(&mut self, piece: &mut [u8]) -> io::Result<usize> {
        let count = patiently(|| match self.file.read(piece) {
            Err(error) if is_stale(&error) => {
                self.file = File::open(&self.path)?;
                self.file.seek(SeekFrom::Start(self.at))?;
                self.file.read(piece)
            }
            other => other,
        })?;
        self.at += count as u64;
        Ok(count)
    }
}

/// Writes the body; gives the digest of what was read of it.
fn copy(body: Body<'_>, file: &mut File, part: &Path) -> Result<blake3::Hash> {
    let mut hasher = blake3::Hasher::new();
    match body {
        Body::Bytes(bytes) => {
            hasher.update(bytes);
            file.write_all(bytes).at("write", part)?;
        }
        Body::File(path) => {
            let mut source = File::open(path).at("open", path)?;
            let mut piece = vec![0; PIECE_BYTES];
            loop {
                match source.read(&mut piece) {
                    Ok(0) => break,
                    Ok(count) => {
                        hasher.update(&piece[..count]);
                        file.write_all(&piece[..count]).at("write", part)?;
                    }
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    Err(error) => return Err(error).at("read", path),
                }
            }
        }
    }
    Ok(hasher.finalize())
}

fn hash(path: &Path) -> io::Result<blake3::Hash> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(hasher.finalize())
}

fn is_stale(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::StaleNetworkFileHandle
}

fn is_passing(error: &io::Error) -> bool {
    is_stale(error)
        || matches!(
            error.kind(),
            io::ErrorKind::Interrupted
                | io::ErrorKind::TimedOut
                | io::ErrorKind::ResourceBusy
                | io::ErrorKind::NotFound
        )
}

/// Tries a step again while its handle is stale or the server is busy.
fn patiently<T>(mut step: impl FnMut() -> io::Result<T>) -> io::Result<T> {
    let mut pause = FIRST_PAUSE;
    for _ in 1..TRIES {
        match step() {
            Err(error) if error.kind() != io::ErrorKind::NotFound && is_passing(&error) => {}
            other => return other,
        }
        std::thread::sleep(pause);
        pause *= 2;
    }
    step()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stale_handle_is_tried_again_and_a_refusal_is_not() {
        let mut left = 3;
        let outcome = patiently(|| {
            left -= 1;
            match left {
                0 => Ok("here"),
                _ => Err(io::Error::from(io::ErrorKind::StaleNetworkFileHandle)),
            }
        });
        assert_eq!(outcome.unwrap(), "here");
        let mut tries = 0;
        let refused = patiently(|| -> io::Result<()> {
            tries += 1;
            Err(io::Error::from(io::ErrorKind::PermissionDenied))
        });
        assert_eq!(
            (refused.unwrap_err().kind(), tries),
            (io::ErrorKind::PermissionDenied, 1)
        );
    }

    #[test]
    fn a_share_that_is_not_mounted_is_not_an_empty_one() {
        let folder = tempfile::tempdir().unwrap();
        let error = Share::open(&folder.path().join("share")).unwrap_err().to_string();
        assert!(error.contains("could not open the share"), "{error}");
    }
}
