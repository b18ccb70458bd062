//! The store against the plain floor: `cargo run --release -p tidemill-store --example throughput [GIB] [FOLDER]`.
//!
//! Puts and gets so many GiB (default 1) in blobs of 4 KiB, 1 MiB and 256 MiB. The floor copies the same files and
//! hashes them, as `cp` and `b3sum` would, one after the other. Both sides sync once for each group of at most 256
//! files or 64 MiB; a second figure has a sync for every file (of at most 2,000 of them). Prints MiB/s, the ratio to
//! the floor, and the most memory that the process had.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tidemill_store::{Digest, ExportMode, Store};

const MIB: u64 = 1024 * 1024;
const GROUP_FILES: usize = 256;
const GROUP_BYTES: u64 = 64 * MIB;
/// A sync for every file is measured over at most so many.
const SINGLY: usize = 2000;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Outcome<()> {
    let mut arguments = std::env::args_os().skip(1);
    let gib: f64 = match arguments.next() {
        Some(text) => text.to_string_lossy().parse()?,
        None => 1.0,
    };
    let base = arguments.next().map_or_else(std::env::temp_dir, PathBuf::from);
    for size in [256 * MIB, MIB, 4096] {
        let count = ((gib * 1024.0 * MIB as f64 / size as f64).round() as usize).max(1);
        measure(&base, size, count)?;
    }
    if let Some(bytes) = peak_memory() {
        println!("most memory: {} MiB", bytes / MIB);
    }
    Ok(())
}

fn measure(base: &Path, size: u64, count: usize) -> Outcome<()> {
    let folder = tempfile::tempdir_in(base)?;
    let sources = write_sources(&folder.path().join("source"), size, count)?;
    let group = GROUP_FILES.min((GROUP_BYTES / size).max(1) as usize);
    // Once unmeasured, so that both sides find the sources in memory as far as they fit.
    for source in &sources {
        hash(source)?;
    }
    let rate =
        |elapsed: Duration, files: usize| (files as u64 * size) as f64 / MIB as f64 / elapsed.as_secs_f64();

    let floor_put = floor(&sources, &folder.path().join("floor"), group)?;
    let store = Store::open_owner(&folder.path().join("store"))?;
    let (put, digests) = put(&store, &sources, group)?;
    let floor_get = floor(&sources, &folder.path().join("floor-out"), group)?;
    let get = get(&store, &digests, &folder.path().join("out"), group)?;
    println!(
        "{size:>9} B x {count}: put {:.0} MiB/s of {:.0} ({:.2}), get {:.0} MiB/s of {:.0} ({:.2})",
        rate(put, count),
        rate(floor_put, count),
        floor_put.as_secs_f64() / put.as_secs_f64(),
        rate(get, count),
        rate(floor_get, count),
        floor_get.as_secs_f64() / get.as_secs_f64(),
    );

    let singly = &sources[..count.min(SINGLY)];
    let floor_put = floor(singly, &folder.path().join("floor-singly"), 1)?;
    let store = Store::open_owner(&folder.path().join("store-singly"))?;
    let (put, _) = self::put(&store, singly, 1)?;
    println!(
        "          with a sync for every file: put {:.0} MiB/s of {:.0} ({:.2})",
        rate(put, singly.len()),
        rate(floor_put, singly.len()),
        floor_put.as_secs_f64() / put.as_secs_f64(),
    );
    Ok(())
}

/// Files with different contents (xorshift64*, constants from memory).
fn write_sources(folder: &Path, size: u64, count: usize) -> Outcome<Vec<PathBuf>> {
    fs::create_dir_all(folder)?;
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut piece: Vec<u8> = Vec::with_capacity(MIB as usize);
    while piece.len() < MIB as usize {
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        piece.extend_from_slice(&state.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes());
    }
    let mut sources = Vec::with_capacity(count);
    for number in 0..count as u64 {
        let path = folder.join(format!("{number}"));
        let mut file = File::create(&path)?;
        let mut left = size;
        while left > 0 {
            piece[..8].copy_from_slice(&number.to_le_bytes());
            piece[8..16].copy_from_slice(&left.to_le_bytes());
            let length = left.min(MIB);
            file.write_all(&piece[..length as usize])?;
            left -= length;
        }
        sources.push(path);
    }
    rustix::fs::syncfs(File::open(folder)?)?;
    Ok(sources)
}

fn floor(sources: &[PathBuf], folder: &Path, group: usize) -> Outcome<Duration> {
    fs::create_dir_all(folder)?;
    let handle = File::open(folder)?;
    let start = Instant::now();
    for group in sources.chunks(group) {
        for source in group {
            let target = folder.join(source.file_name().ok_or("a source without a name")?);
            fs::copy(source, &target)?;
            hash(&target)?;
        }
        match group {
            [source] => {
                File::open(folder.join(source.file_name().ok_or("a source without a name")?))?.sync_all()?
            }
            _ => rustix::fs::syncfs(&handle)?,
        }
    }
    Ok(start.elapsed())
}

fn put(store: &Store, sources: &[PathBuf], group: usize) -> Outcome<(Duration, Vec<Digest>)> {
    let mut digests = Vec::with_capacity(sources.len());
    let start = Instant::now();
    for group in sources.chunks(group) {
        let first = digests.len();
        for source in group {
            digests.push(store.stage_file(source)?.digest);
        }
        let report = store.commit(&digests[first..])?;
        assert_eq!(report.missing, []);
    }
    Ok((start.elapsed(), digests))
}

fn get(store: &Store, digests: &[Digest], folder: &Path, group: usize) -> Outcome<Duration> {
    fs::create_dir_all(folder)?;
    let handle = File::open(folder)?;
    let start = Instant::now();
    for (position, group) in digests.chunks(group).enumerate() {
        for (number, digest) in group.iter().enumerate() {
            store.export(
                digest,
                &folder.join(format!("{position}-{number}")),
                ExportMode::Fast,
            )?;
        }
        rustix::fs::syncfs(&handle)?;
    }
    Ok(start.elapsed())
}

fn hash(path: &Path) -> Outcome<blake3::Hash> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(hasher.finalize())
}

/// As Linux counts it.
fn peak_memory() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024)
}
