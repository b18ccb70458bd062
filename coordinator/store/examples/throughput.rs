//! The store against the plain floor: `cargo run --release -p tidemill-store --example throughput [GIB] [FOLDER] [BYTES…]`.
//!
//! Puts and gets so many GiB (default 1) in blobs of 4 KiB, 1 MiB and 256 MiB, or of the sizes named. The floor copies
//! the same files and hashes the copies, as `cp` and `b3sum` would, one after the other; for the way back it copies its
//! own copies, which are as fresh as the store's blobs. Both sides sync once for each group of at most 256 files or
//! 64 MiB, and take turns, in slices of the whole and in changing order, so that neither has the quieter machine. What the
//! store leaves unsynced is synced at the end of each of its slices, and counts. A second figure has a sync for every
//! file (of at most 500 of them).
//!
//! Prints MiB/s, the ratio to the floor, and the most memory that the process had, which should not depend on any size.

use std::fs::{self, File};
use std::io::Write;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tidemill_store::{Digest, ExportMode, Store};

const MIB: u64 = 1024 * 1024;
const GROUP_FILES: u64 = 256;
const GROUP_BYTES: u64 = 64 * MIB;
/// A sync for every file is measured over at most so many.
const SINGLY: u64 = 500;
/// Turns of each side.
const SLICES: u64 = 8;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Outcome<()> {
    let mut arguments = std::env::args_os().skip(1);
    let gib: f64 = match arguments.next() {
        Some(text) => text.to_string_lossy().parse()?,
        None => 1.0,
    };
    let base = arguments.next().map_or_else(std::env::temp_dir, PathBuf::from);
    let mut sizes = Vec::new();
    for size in arguments {
        sizes.push(size.to_string_lossy().parse()?);
    }
    if sizes.is_empty() {
        sizes = vec![256 * MIB, MIB, 4096];
    }
    let folder = tempfile::tempdir_in(&base)?;
    for size in sizes {
        let count = ((gib * 1024.0 * MIB as f64 / size as f64).round() as u64).max(1);
        let own = folder.path().join(size.to_string());
        measure(&own, size, count)?;
        empty(&own)?;
    }
    if let Some(bytes) = peak_memory() {
        println!("most memory: {} MiB", bytes / MIB);
    }
    Ok(())
}

fn measure(folder: &Path, size: u64, count: u64) -> Outcome<()> {
    let sides = Sides::new(folder, size, count, GROUP_FILES.min((GROUP_BYTES / size).max(1)))?;
    let (put, floor_put) = in_turns(
        count,
        sides.group,
        |part| sides.put(part),
        |part| sides.floor_put(part),
    )?;
    let (get, floor_get) = in_turns(
        count,
        sides.group,
        |part| sides.get(part),
        |part| sides.floor_get(part),
    )?;
    let rate = |elapsed: Duration| (count * size) as f64 / MIB as f64 / elapsed.as_secs_f64();
    let ratio = |floor: Duration, store: Duration| floor.as_secs_f64() / store.as_secs_f64();
    println!(
        "{size:>9} B x {count}: put {:.0} MiB/s of {:.0} ({:.2}), get {:.0} MiB/s of {:.0} ({:.2})",
        rate(put),
        rate(floor_put),
        ratio(floor_put, put),
        rate(get),
        rate(floor_get),
        ratio(floor_get, get),
    );
    drop(sides);
    let count = count.min(SINGLY);
    let sides = Sides::new(&folder.join("singly"), size, count, 1)?;
    let (put, floor_put) = in_turns(count, 1, |part| sides.put(part), |part| sides.floor_put(part))?;
    println!(
        "          with a sync for every file: put {:.0} files/s of {:.0} ({:.2})",
        count as f64 / put.as_secs_f64(),
        count as f64 / floor_put.as_secs_f64(),
        ratio(floor_put, put),
    );
    Ok(())
}

/// Both sides go through all files, a slice at a time, and change who is first. Gives the time of the store and of the floor.
fn in_turns(
    count: u64,
    group: u64,
    mut store: impl FnMut(Range<u64>) -> Outcome<()>,
    mut floor: impl FnMut(Range<u64>) -> Outcome<()>,
) -> Outcome<(Duration, Duration)> {
    let slice = count.div_ceil(group).div_ceil(SLICES).max(1) * group;
    let mut times = (Duration::ZERO, Duration::ZERO);
    let mut timed = |is_store: bool, part: Range<u64>| -> Outcome<()> {
        let begun = Instant::now();
        if is_store {
            store(part)?;
            times.0 += begun.elapsed();
        } else {
            floor(part)?;
            times.1 += begun.elapsed();
        }
        Ok(())
    };
    for (number, begin) in (0..count).step_by(usize::try_from(slice)?).enumerate() {
        let part = begin..count.min(begin + slice);
        timed(number % 2 == 0, part.clone())?;
        timed(number % 2 != 0, part)?;
    }
    Ok(times)
}

/// Where the two sides work, and on what.
struct Sides {
    folder: PathBuf,
    handle: File,
    store: Store,
    group: u64,
}

impl Sides {
    /// Writes the sources: files with different contents (xorshift64*, constants from memory).
    fn new(folder: &Path, size: u64, count: u64, group: u64) -> Outcome<Self> {
        for side in ["source", "floor", "floor-out", "out"] {
            fs::create_dir_all(folder.join(side))?;
        }
        let mut state = 0x9E37_79B9_7F4A_7C15_u64;
        let mut piece: Vec<u8> = Vec::with_capacity(MIB as usize);
        while piece.len() < MIB as usize {
            state ^= state >> 12;
            state ^= state << 25;
            state ^= state >> 27;
            piece.extend_from_slice(&state.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes());
        }
        for number in 0..count {
            let mut file = File::create(folder.join("source").join(number.to_string()))?;
            let mut left = size;
            while left > 0 {
                piece[..8].copy_from_slice(&number.to_le_bytes());
                piece[8..16].copy_from_slice(&left.to_le_bytes());
                let length = left.min(MIB);
                file.write_all(&piece[..length as usize])?;
                left -= length;
            }
        }
        let sides = Self {
            store: Store::open_owner(&folder.join("store"))?,
            folder: folder.to_owned(),
            handle: File::open(folder)?,
            group,
        };
        rustix::fs::syncfs(&sides.handle)?;
        Ok(sides)
    }

    fn path(&self, side: &str, number: u64) -> PathBuf {
        let mut path = self.folder.join(side);
        path.push(number.to_string());
        path
    }

    fn groups(&self, part: Range<u64>) -> impl Iterator<Item = Range<u64>> {
        let (group, end) = (self.group, part.end);
        part.step_by(usize::try_from(group).unwrap_or(1))
            .map(move |begin| begin..end.min(begin + group))
    }

    fn copy(&self, from: &str, to: &str, part: Range<u64>) -> Outcome<()> {
        for group in self.groups(part) {
            for number in group.clone() {
                let target = self.path(to, number);
                fs::copy(self.path(from, number), &target)?;
                hash(&target)?;
            }
            if self.group == 1 {
                File::open(self.path(to, group.start))?.sync_all()?;
            } else {
                rustix::fs::syncfs(&self.handle)?;
            }
        }
        Ok(())
    }

    fn floor_put(&self, part: Range<u64>) -> Outcome<()> {
        self.copy("source", "floor", part)
    }

    fn floor_get(&self, part: Range<u64>) -> Outcome<()> {
        self.copy("floor", "floor-out", part)
    }

    /// The names go into a file: a list of them would be all that grows with the number of blobs.
    fn put(&self, part: Range<u64>) -> Outcome<()> {
        let names = self.folder.join("names");
        let mut names = File::options().create(true).append(true).open(names)?;
        for group in self.groups(part) {
            let mut digests = Vec::with_capacity(usize::try_from(self.group)?);
            for number in group {
                digests.push(self.store.stage_file(&self.path("source", number))?.digest);
            }
            assert_eq!(self.store.commit(&digests)?.missing, []);
            let bytes: Vec<u8> = digests.iter().flat_map(|digest| *digest.as_bytes()).collect();
            names.write_all(&bytes)?;
        }
        if self.group > 1 {
            rustix::fs::syncfs(&self.handle)?;
        }
        Ok(())
    }

    fn get(&self, part: Range<u64>) -> Outcome<()> {
        let names = File::open(self.folder.join("names"))?;
        for group in self.groups(part) {
            for number in group {
                let mut name = [0; 32];
                std::os::unix::fs::FileExt::read_exact_at(&names, &mut name, number * 32)?;
                let digest = Digest::from_slice(&name)?;
                self.store
                    .export(&digest, &self.path("out", number), ExportMode::Fast)?;
            }
            rustix::fs::syncfs(&self.handle)?;
        }
        Ok(())
    }
}

/// Gives back the room of all files. They themselves stay to the end: ext4 creates files slowly for a while after many
/// were removed nearby.
fn empty(folder: &Path) -> Outcome<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            empty(&entry.path())?;
        } else if entry.metadata()?.len() > 4096 {
            let mut permissions = entry.metadata()?.permissions();
            // Blobs are read-only.
            std::os::unix::fs::PermissionsExt::set_mode(&mut permissions, 0o600);
            fs::set_permissions(entry.path(), permissions)?;
            File::options().write(true).open(entry.path())?.set_len(0)?;
        }
    }
    Ok(())
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
