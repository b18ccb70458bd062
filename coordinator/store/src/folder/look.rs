//! What is in the store.

use std::fs::{self, ReadDir};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc;

use tidemill_proto::Digest;

use super::Store;
use super::layout::digest_of_name;
use crate::error::{At, Result, StoreError};

/// A committed blob.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct BlobEntry {
    /// Its name.
    pub digest: Digest,
    /// Its size in bytes.
    pub size: u64,
}

/// A damaged blob that was taken out of the store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// The name that it bore.
    pub digest: Digest,
    /// Where its bytes lie now.
    pub path: PathBuf,
}

/// Number and size of files in one part of the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct UsagePart {
    /// Number of files.
    pub files: u64,
    /// Sum of their sizes.
    pub bytes: u64,
}

/// What the store takes on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Usage {
    /// Committed blobs.
    pub blobs: UsagePart,
    /// Staged or being written.
    pub incoming: UsagePart,
    /// Damaged.
    pub aside: UsagePart,
}

impl Store {
    /// Whether the blob is stored (committed), and not about to be removed. Does not read it.
    pub fn contains(&self, digest: &Digest) -> Result<bool> {
        let is_doomed =
            self.is_doomed(digest) || self.shared.far.as_ref().is_some_and(|far| far.others.has(digest));
        Ok(!is_doomed && self.size(digest)?.is_some())
    }

    /// Size of a stored blob in bytes, also of one that is about to be removed; `None`: not stored. Does not read it.
    pub fn size(&self, digest: &Digest) -> Result<Option<u64>> {
        if let Some(far) = &self.shared.far {
            return far.size(digest);
        }
        let path = self.shared.layout.blob(digest);
        match fs::metadata(&path) {
            Ok(metadata) => Ok(Some(metadata.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error).at("look for", &path),
        }
    }

    /// All stored blobs, folder by folder, in no promised order. A blob that is set aside meanwhile is left out.
    pub fn iter(&self) -> Result<BlobIter> {
        if let Some(far) = &self.shared.far {
            return far.iter().map(|listed| BlobIter(Walk::Far(listed)));
        }
        let blobs = self.shared.layout.blobs();
        Ok(BlobIter(Walk::Folder(Folders {
            shards: fs::read_dir(blobs).at("list", blobs)?,
            shard: None,
        })))
    }

    /// The damaged blobs that were set aside.
    pub fn aside(&self) -> Result<Vec<Aside>> {
        if let Some(far) = &self.shared.far {
            return far.aside();
        }
        let folder = self.shared.layout.aside();
        let mut found = Vec::new();
        for entry in fs::read_dir(folder).at("list", folder)? {
            let path = entry.at("list", folder)?.path();
            let name = path.file_name().and_then(|name| name.to_str());
            if let Some(digest) = name.and_then(digest_of_name) {
                found.push(Aside { digest, path });
            }
        }
        found.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(found)
    }

    /// What the store takes on disk. Looks at every file.
    pub fn usage(&self) -> Result<Usage> {
        let layout = &self.shared.layout;
        let mut usage = Usage {
            blobs: UsagePart::default(),
            incoming: usage_of(layout.incoming())?,
            aside: match &self.shared.far {
                Some(far) => far.usage_of("aside/")?,
                None => usage_of(layout.aside())?,
            },
        };
        for entry in self.iter()? {
            usage.blobs.files += 1;
            usage.blobs.bytes += entry?.size;
        }
        Ok(usage)
    }
}

fn usage_of(folder: &Path) -> Result<UsagePart> {
    let mut part = UsagePart::default();
    for entry in fs::read_dir(folder).at("list", folder)? {
        // Files come and go here.
        if let Ok(metadata) = entry.at("list", folder)?.metadata() {
            part.files += 1;
            part.bytes += metadata.len();
        }
    }
    Ok(part)
}

/// Walks over all stored blobs; see [`Store::iter`].
pub struct BlobIter(Walk);

enum Walk {
    Folder(Folders),
    Far(mpsc::IntoIter<Result<BlobEntry>>),
}

struct Folders {
    shards: ReadDir,
    shard: Option<(PathBuf, ReadDir)>,
}

impl Folders {
    fn step(&mut self) -> Result<Option<BlobEntry>> {
        loop {
            let Some((shard, entries)) = &mut self.shard else {
                let Some(shard) = self.shards.next() else {
                    return Ok(None);
                };
                let shard = shard.at("list", Path::new("blobs"))?.path();
                let entries = fs::read_dir(&shard).at("list", &shard)?;
                self.shard = Some((shard, entries));
                continue;
            };
            let Some(entry) = entries.next() else {
                self.shard = None;
                continue;
            };
            let entry = entry.at("list", shard)?;
            let metadata = match entry.metadata() {
                Ok(metadata) => metadata,
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return Err(error).at("look at", &entry.path()),
            };
            let name = entry.file_name();
            return match name.to_str().and_then(|name| name.parse().ok()) {
                Some(digest) => Ok(Some(BlobEntry {
                    digest,
                    size: metadata.len(),
                })),
                None => Err(StoreError::NotAStore {
                    path: entry.path(),
                    reason: "a file among the blobs has no digest for a name; remove it".to_owned(),
                }),
            };
        }
    }
}

impl Iterator for BlobIter {
    type Item = Result<BlobEntry>;
    fn next(&mut self) -> Option<Self::Item> {
        match &mut self.0 {
            Walk::Folder(folders) => folders.step().transpose(),
            Walk::Far(listed) => listed.next(),
        }
    }
}
