//! Notices that the manifest or a file that it reads was saved, by looking: it works on every disk and share, and tells
//! a save in two steps from a finished one by waiting until nothing moves.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::manifest::Prepared;
use crate::survey::BlobSource;

/// Between two looks.
const LOOK: Duration = Duration::from_millis(120);
/// Nothing may move for so long before a save counts as finished.
const QUIET: Duration = Duration::from_millis(360);

/// What a file looks like from outside; `None`: it is not there.
type Look = Vec<Option<(SystemTime, u64)>>;

/// The files that matter, and how they looked when they were last read.
#[derive(Debug)]
pub struct Saved {
    paths: Vec<PathBuf>,
    read: Look,
}

impl Saved {
    /// The manifest alone, as long as nothing more is known.
    pub fn manifest(path: &Path) -> Self {
        Self::of(BTreeSet::from([path.to_owned()]))
    }

    /// The manifest, the files that it reads, and their folders, in which files appear and vanish.
    pub fn prepared(manifest: &Path, prepared: &Prepared) -> Self {
        let mut paths = BTreeSet::from([manifest.to_owned()]);
        for source in prepared.surveyed.sources.values() {
            if let BlobSource::File(path, _) = source {
                paths.insert(path.clone());
                paths.extend(path.parent().map(Path::to_owned));
            }
        }
        Self::of(paths)
    }

    fn of(paths: BTreeSet<PathBuf>) -> Self {
        let paths: Vec<PathBuf> = paths.into_iter().collect();
        Self {
            read: look(&paths),
            paths,
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

    async fn look(&self) -> Look {
        let paths = self.paths.clone();
        // A look that failed saw nothing new.
        tokio::task::spawn_blocking(move || look(&paths))
            .await
            .unwrap_or_else(|_| self.read.clone())
    }
}

fn look(paths: &[PathBuf]) -> Look {
    let of = |path: &PathBuf| {
        let metadata = std::fs::metadata(path).ok()?;
        // A folder's size says nothing on some systems.
        let size = if metadata.is_dir() { 0 } else { metadata.len() };
        Some((metadata.modified().ok()?, size))
    };
    paths.iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_save_in_two_steps_is_one_save() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.toml");
        std::fs::write(&path, "a").unwrap();
        let mut saved = Saved::manifest(&path);
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
