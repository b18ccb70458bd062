//! Notices that the manifest or a file that it reads was saved, by looking: it works on every disk and share, and tells
//! a save in two steps from a finished one by waiting until nothing moves.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use walkdir::WalkDir;

use crate::manifest::Prepared;
use crate::survey::BlobSource;

/// Between two looks.
const LOOK: Duration = Duration::from_millis(120);
/// Nothing may move for so long before a save counts as finished.
const QUIET: Duration = Duration::from_millis(360);

/// So many files of the manifest's folder are looked at before it is read. What lies beyond shows all the same, unless it
/// is saved in the very moment of reading.
const MOST_FILES: usize = 20_000;

/// What a file looks like from outside; `None`: it is not there.
type Look = Option<(SystemTime, u64)>;

/// The files that matter, and how they looked before they were last read.
#[derive(Debug)]
pub struct Saved {
    read: BTreeMap<PathBuf, Look>,
}

impl Saved {
    /// The manifest and all that lies in its folder: taken before it is read, so that what is saved meanwhile counts; and
    /// watched as it is while the manifest is broken, since any file there may be the one that mends it.
    pub fn folder(manifest: &Path) -> Self {
        let root = manifest.parent().unwrap_or(Path::new("."));
        let hidden = |entry: &walkdir::DirEntry| {
            entry.depth() > 0 && entry.file_name().to_string_lossy().starts_with('.')
        };
        let entries = WalkDir::new(root).follow_links(true).into_iter();
        let found = entries
            .filter_entry(|entry| !hidden(entry))
            .filter_map(Result::ok)
            .take(MOST_FILES)
            .map(walkdir::DirEntry::into_path);
        let paths = found.chain([manifest.to_owned()]);
        Self {
            read: paths.map(|path| (path.clone(), look(&path))).collect(),
        }
    }

    /// Of these only the manifest, the files that it reads, and their folders, in which files appear and vanish.
    pub fn narrowed(self, manifest: &Path, prepared: &Prepared) -> Self {
        let mut paths = BTreeSet::from([manifest.to_owned()]);
        for source in prepared.surveyed.sources.values() {
            if let BlobSource::File(path, _) = source {
                paths.insert(path.clone());
                paths.extend(path.parent().map(Path::to_owned));
            }
        }
        let earlier = |path: &PathBuf| self.read.get(path).copied().unwrap_or_else(|| look(path));
        Self {
            read: paths.iter().map(|path| (path.clone(), earlier(path))).collect(),
        }
    }

    /// Waits until something was saved and nothing moves any more. Safe to drop and call again.
    pub async fn next(&mut self) {
        let mut now = self.look().await;
        loop {
            if now == self.read {
                tokio::time::sleep(LOOK).await;
                now = self.look().await;
                continue;
            }
            tokio::time::sleep(QUIET).await;
            let later = self.look().await;
            if later == now && later != self.read {
                self.read = later;
                return;
            }
            now = later;
        }
    }

    async fn look(&self) -> BTreeMap<PathBuf, Look> {
        let paths: Vec<PathBuf> = self.read.keys().cloned().collect();
        let looking = tokio::task::spawn_blocking(move || {
            let looks = paths.into_iter().map(|path| {
                let found = look(&path);
                (path, found)
            });
            looks.collect()
        });
        // A look that failed saw nothing new.
        looking.await.unwrap_or_else(|_| self.read.clone())
    }
}

fn look(path: &Path) -> Look {
    let metadata = std::fs::metadata(path).ok()?;
    // A folder's size says nothing on some systems.
    let size = if metadata.is_dir() { 0 } else { metadata.len() };
    Some((metadata.modified().ok()?, size))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_save_in_two_steps_is_one_save() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.toml");
        std::fs::write(&path, "a").unwrap();
        let mut saved = Saved::folder(&path);
        let idle = tokio::time::timeout(Duration::from_millis(600), saved.next()).await;
        assert!(idle.is_err(), "nothing was saved");
        let writer = {
            let path = path.clone();
            tokio::spawn(async move {
                std::fs::write(&path, "").unwrap();
                tokio::time::sleep(Duration::from_millis(200)).await;
                std::fs::write(&path, "whole").unwrap();
                std::time::Instant::now()
            })
        };
        saved.next().await;
        let seen = std::time::Instant::now();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "whole");
        assert!(seen.duration_since(writer.await.unwrap()) < Duration::from_millis(1000));
        std::fs::remove_file(&path).unwrap();
        tokio::time::timeout(Duration::from_secs(2), saved.next())
            .await
            .unwrap();
    }
}
