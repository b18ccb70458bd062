//! How fast small items go through: `bench_copies [ITEMS] [ROUNDS]`, built in release.
//!
//! In one run, round by round and in turn, so that a drifting machine hits both alike:
//! - floor: `seq N | xargs -P2 -I@ cp …`, one real process for each file;
//! - ours: `tidemill run` over a manifest whose items each copy one file through a real process;
//! - reuse: the same command again.
//!
//! Then the memory of a coordinator alone: with a run of few items, and with one of many.
//! Figures are ratios; the seconds beside them are for orientation only.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tidemill_tests::project::copies;
use tidemill_tests::sandbox::{binary, finish, start};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let items: usize = arguments
        .next()
        .map_or(2000, |text| text.parse().expect("ITEMS is a number"));
    let rounds: usize = arguments
        .next()
        .map_or(5, |text| text.parse().expect("ROUNDS is a number"));

    println!("{items} items, {rounds} rounds");
    let (mut ratios, mut reuses) = (Vec::new(), Vec::new());
    let base = tempfile::tempdir().expect("a temporary folder");
    spread(base.path());
    let mut sandboxes = Vec::new();
    for round in 1..=rounds {
        let sandbox = copies(base.path(), items);
        let floor = time_floor(&sandbox.project(), items);
        let begun = Instant::now();
        let first = finish(sandbox.command(&["run", "manifest.toml", "--json", "--quiet"]));
        let ours = begun.elapsed();
        assert_eq!(
            (first.code, first.count("done")),
            (0, items as u64),
            "{}",
            first.stderr
        );
        let begun = Instant::now();
        let second = finish(sandbox.command(&["run", "manifest.toml", "--json", "--quiet"]));
        let reuse = begun.elapsed();
        assert_eq!(
            (second.code, second.count("reused")),
            (0, items as u64),
            "{}",
            second.stderr
        );
        let ratio = floor.as_secs_f64() / ours.as_secs_f64();
        println!(
            "round {round}: xargs {:.2} s, tidemill {:.2} s, rate ratio {ratio:.2}; second run {:.3} s",
            floor.as_secs_f64(),
            ours.as_secs_f64(),
            reuse.as_secs_f64()
        );
        ratios.push(ratio);
        reuses.push(reuse.as_secs_f64());
        sandboxes.push(sandbox);
    }
    println!("median rate ratio tidemill / xargs: {:.2}", median(&mut ratios));
    println!("median second run, all reused: {:.3} s", median(&mut reuses));
    measure_memory();
}

/// Gives each round a part of the disk of its own.
///
/// ext4 avoids inodes that were freed within the last minutes, and looks at each of them whenever a file is made
/// nearby. What a build or an earlier round has removed would slow both sides down, by what neither of them
/// is. Folders below one with the attribute `T` are spread over the disk (chattr(1)). Elsewhere this does nothing.
fn spread(folder: &Path) {
    let done = Command::new("chattr")
        .arg("+T")
        .arg(folder)
        .stderr(Stdio::null())
        .status();
    if !done.is_ok_and(|status| status.success()) {
        println!("the rounds share one part of the disk (no chattr +T here): expect more spread");
    }
}

fn time_floor(project: &Path, items: usize) -> Duration {
    std::fs::create_dir_all(project.join("floor")).expect("a folder");
    let script = format!(
        "seq -f %06g 0 {} | xargs -P2 -I@ cp base/note-@.txt floor/note-@.txt",
        items - 1
    );
    let begun = Instant::now();
    let status = Command::new("sh")
        .args(["-c", &script])
        .current_dir(project)
        .status()
        .expect("sh");
    let elapsed = begun.elapsed();
    assert!(status.success());
    assert_eq!(
        std::fs::read_dir(project.join("floor"))
            .expect("a folder")
            .count(),
        items
    );
    elapsed
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Resident memory of a coordinator with nobody to work for it: few items, then many.
fn measure_memory() {
    let (few, many) = (100, 20_000);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let base = resident_bytes(folder.path(), few);
    let full = resident_bytes(folder.path(), many);
    let each = (full.0 as f64 - base.0 as f64) / (many - few) as f64;
    println!(
        "coordinator: {:.1} MiB with {few} items, {:.1} MiB with {many} (peak {:.1} MiB): {each:.0} bytes an item",
        base.0 as f64 / 1048576.0,
        full.0 as f64 / 1048576.0,
        full.1 as f64 / 1048576.0
    );
}

fn resident_bytes(folder: &Path, items: usize) -> (u64, u64) {
    let sandbox = copies(folder, items);
    let port = free_port();
    let address = format!("127.0.0.1:{port}");
    let data = sandbox.root().join("studio");
    let mut serve = Command::new(binary("tidemill-coordinator"));
    serve
        .args(["serve", "--listen", &address, "--data"])
        .arg(&data)
        .stdin(Stdio::null());
    let mut coordinator = start(serve);
    let deadline = Instant::now() + Duration::from_secs(60);
    loop {
        let outcome =
            finish(sandbox.command(&["--at", &address, "run", "manifest.toml", "--leave", "--json"]));
        if outcome.code == 0 {
            break;
        }
        assert!(outcome.code == 3 && Instant::now() < deadline, "{outcome:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
    std::thread::sleep(Duration::from_secs(1));
    let status =
        std::fs::read_to_string(format!("/proc/{}/status", coordinator.id())).expect("a Linux machine");
    let field = |name: &str| {
        let line = status
            .lines()
            .find(|line| line.starts_with(name))
            .expect("the field");
        let number = line.split_whitespace().nth(1).expect("a number");
        number.parse::<u64>().expect("a number") * 1024
    };
    let found = (field("VmRSS:"), field("VmHWM:"));
    coordinator.kill().expect("end the coordinator");
    coordinator.wait().expect("wait for the coordinator");
    found
}

fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a loopback port");
    listener.local_addr().expect("its address").port()
}
