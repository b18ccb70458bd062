//! Mutated files against the readers: whatever they hold, reading ends soon, without a panic, and asks for no more memory than
//! the file's size allows.
//!
//! - `random`: numbers that a seed repeats.
//! - `seeds`: sound files to begin with.
//! - `mutate`: changes that know the format, so that damage gets past the first check.
//! - `memory`: counts what is allocated.

pub mod memory;
mod mutate;
mod random;
mod seeds;

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use random::Random;
use tidemill_mesh::Map;
use tidemill_mesh::read::{ModelFile, Placement, material_library_refers, read_mesh, survey};

/// One reader, by the files that it takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// OBJ, and the text taken as a material library too.
    Obj,
    Ply,
    /// GLB and glTF.
    Gltf,
    Png,
}

impl Target {
    pub const ALL: [(&'static str, Self); 4] = [
        ("obj", Self::Obj),
        ("ply", Self::Ply),
        ("gltf", Self::Gltf),
        ("png", Self::Png),
    ];
}

impl Target {
    /// Memory that reading may take at once, for each byte of the file.
    fn most_bytes_each(self) -> usize {
        match self {
            // Packed data is taken to grow by 1100 at most, pictures of one bit a pixel by another 32, and one that is a single row
            // stands in memory twice.
            Self::Png => 1100 * 32 * 2,
            _ => 300,
        }
    }
}

/// A file may take this long.
const MOST_TIME: Duration = Duration::from_secs(2);
/// Memory that reading may take at once, for any file.
const MOST_BYTES_MORE: usize = 8 << 20;
/// Sound mutants that are kept to go on from.
const POOL: usize = 300;
/// Longer mutants are cut.
const LONGEST: usize = 200_000;

/// What a run found.
#[derive(Debug, Default)]
pub struct Ran {
    pub files: u64,
    /// Of those the files that were read without an error.
    pub sound: u64,
    pub most_bytes: usize,
    pub slowest: Duration,
    /// What is wrong, and the file.
    pub findings: Vec<(String, Vec<u8>)>,
}

/// The file at work, for whoever watches from another thread: a reader that hangs never comes back to tell.
pub type Watched = Mutex<Option<(Instant, Vec<u8>)>>;

/// Reads mutants until the time is over or ten findings are made.
pub fn run(target: Target, seed: u64, time: Duration, watched: &Watched) -> Ran {
    let mut random = Random::new(seed);
    let mut pool = seeds::of(target);
    let first = pool.len();
    let mut ran = Ran::default();
    let begin = Instant::now();
    while begin.elapsed() < time && ran.findings.len() < 10 {
        let parent = random.below(pool.len());
        let other = random.below(pool.len());
        let mut file = pool[parent].clone();
        for _ in 0..=random.below(4) {
            file = mutate::mutated(target, &file, &pool[other], &mut random);
        }
        file.truncate(LONGEST);
        if let Ok(mut slot) = watched.lock() {
            *slot = Some((Instant::now(), file.clone()));
        }
        let tried = try_one(target, &file);
        ran.files += 1;
        ran.most_bytes = ran.most_bytes.max(tried.bytes);
        let mut took = tried.took;
        if took > MOST_TIME {
            // The machine may have been busy with something else: only what is slow twice is slow.
            took = took.min(try_one(target, &file).took);
        }
        ran.slowest = ran.slowest.max(took);
        let most = MOST_BYTES_MORE + target.most_bytes_each() * file.len();
        match tried.sound {
            Err(panic) => ran.findings.push((panic, file)),
            Ok(_) if tried.bytes > most => {
                ran.findings
                    .push((format!("{} bytes at once for {}", tried.bytes, file.len()), file));
            }
            Ok(_) if took > MOST_TIME => ran.findings.push((format!("{took:?}"), file)),
            Ok(true) => {
                ran.sound += 1;
                if pool.len() < POOL {
                    pool.push(file);
                } else {
                    let place = first + random.below(POOL - first);
                    pool[place] = file;
                }
            }
            Ok(false) => {}
        }
    }
    if let Ok(mut slot) = watched.lock() {
        *slot = None;
    }
    ran
}

struct Tried {
    /// Whether it was read, or the panic.
    sound: Result<bool, String>,
    took: Duration,
    bytes: usize,
}

fn try_one(target: Target, file: &[u8]) -> Tried {
    memory::start();
    let begin = Instant::now();
    let sound = catch_unwind(AssertUnwindSafe(|| read(target, file))).unwrap_or_else(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        Err(text
            .or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()))
            .unwrap_or_default())
    });
    Tried {
        sound,
        took: begin.elapsed(),
        bytes: memory::most_since_start(),
    }
}

/// Whether it is sound; an error is a broken promise.
fn read(target: Target, file: &[u8]) -> Result<bool, String> {
    let extension = match target {
        Target::Png => return Ok(Map::from_png(file).is_ok()),
        Target::Obj => ".obj",
        Target::Ply => ".ply",
        Target::Gltf => ".glb",
    };
    if target == Target::Obj {
        // An error is as good as an answer here; only panics, time and memory count.
        drop(material_library_refers(file));
    }
    let surveyed = survey(file, extension);
    let model = ModelFile {
        bytes: file,
        extension,
        companions: &BTreeMap::new(),
    };
    let Ok(mesh) = read_mesh(&model, Placement::default()) else {
        return Ok(false);
    };
    mesh.validate()
        .map_err(|error| format!("it was read, but is not sound: {error}"))?;
    let facts = surveyed.map_err(|error| format!("it was read, but not surveyed: {error}"))?;
    if facts.triangles as usize != mesh.triangles.len() {
        return Err(format!(
            "{} triangles surveyed, {} read",
            facts.triangles,
            mesh.triangles.len()
        ));
    }
    Ok(true)
}
