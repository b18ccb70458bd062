//! Mutated files against one reader for a given time:
//! `cargo run --release -p tidemill-mesh --example fuzz_readers -- obj|ply|gltf|png SECONDS [SEED]`.
//! A file that makes it panic, hang or take too much memory is written beside the call, and the exit code is 1.

#[path = "../fuzz/mod.rs"]
mod fuzz;

use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use fuzz::{Target, Watched};

#[global_allocator]
static ALLOCATOR: fuzz::memory::Counting = fuzz::memory::Counting;

/// A reader that has not come back after this long never will.
const HANGS: Duration = Duration::from_secs(20);

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let target = arguments
        .first()
        .and_then(|name| Target::ALL.iter().find(|(known, _)| known == name));
    let seconds = arguments.get(1).and_then(|seconds| seconds.parse().ok());
    let seed = arguments.get(2).map_or(Some(1), |seed| seed.parse().ok());
    let (Some(&(name, target)), Some(seconds), Some(seed)) = (target, seconds, seed) else {
        eprintln!("usage: fuzz_readers obj|ply|gltf|png SECONDS [SEED]");
        return ExitCode::from(2);
    };
    let watched = Arc::new(Watched::default());
    watch(name, Arc::clone(&watched));
    std::panic::set_hook(Box::new(|_| {}));
    let ran = fuzz::run(target, seed, Duration::from_secs(seconds), &watched);
    println!(
        "{name}: {} files, {} of them sound, at most {} bytes, slowest {:?}, {} findings",
        ran.files,
        ran.sound,
        ran.most_bytes,
        ran.slowest,
        ran.findings.len()
    );
    for (number, (problem, file)) in ran.findings.iter().enumerate() {
        println!("{problem}");
        save(&format!("finding-{name}-{number}"), file);
    }
    if ran.findings.is_empty() && ran.files > 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn save(path: &str, file: &[u8]) {
    match std::fs::write(path, file) {
        Ok(()) => println!("  written to {path}"),
        Err(error) => println!("  cannot write {path}: {error}"),
    }
}

fn watch(name: &'static str, watched: Arc<Watched>) {
    std::thread::spawn(move || {
        loop {
            std::thread::sleep(Duration::from_secs(1));
            let Ok(at_work) = watched.lock() else { return };
            if let Some((begin, file)) = &*at_work
                && begin.elapsed() > HANGS
            {
                println!("{name}: a file of {} bytes hangs", file.len());
                save(&format!("finding-{name}-hang"), file);
                std::process::exit(1);
            }
        }
    });
}
