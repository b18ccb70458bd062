//! How fast small outputs become durable: `cargo run --release -p tidemill-store --example pace [FOLDER]`.
//!
//! Stages 2,000 small blobs and commits them in groups of several sizes; prints milliseconds. The folder
//! decides which disk is measured; without one it is the system's folder for temporary files.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use tidemill_store::{Result, Store};

const BLOBS: usize = 2000;

fn main() -> std::result::Result<(), Box<dyn std::error::Error>> {
    let base = std::env::args_os()
        .nth(1)
        .map_or_else(std::env::temp_dir, PathBuf::from);
    // All are kept to the end: ext4 creates files slowly for a minute after many were removed nearby, since it
    // does not give out recently freed inodes (seen: 0.02 ms became 1 ms a file).
    let mut folders = Vec::new();
    for group in [1, 4, 16, 64, 256, BLOBS] {
        let folder = tempfile::tempdir_in(&base)?;
        let store = Store::open_owner(&folder.path().join("store"))?;
        let (staging, committing) = measure(&store, group)?;
        println!(
            "groups of {group}: staging {} ms, committing {} ms",
            staging.as_millis(),
            committing.as_millis()
        );
        folders.push(folder);
    }
    Ok(())
}

fn measure(store: &Store, group: usize) -> Result<(Duration, Duration)> {
    let (mut staging, mut committing) = (Duration::ZERO, Duration::ZERO);
    for first in (0..BLOBS).step_by(group) {
        let start = Instant::now();
        let last = BLOBS.min(first + group);
        let digests = (first..last)
            .map(|number| {
                store
                    .stage_bytes(format!("output {number}").as_bytes())
                    .map(|staged| staged.digest)
            })
            .collect::<Result<Vec<_>>>()?;
        staging += start.elapsed();
        let start = Instant::now();
        store.commit(&digests)?;
        committing += start.elapsed();
    }
    Ok((staging, committing))
}
