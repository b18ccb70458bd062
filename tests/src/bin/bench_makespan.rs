//! How long a mix of large and small items takes on three agents of different budgets: `bench_makespan [ROUNDS]`, in
//! release; three rounds unless told otherwise.
//!
//! The items are real processes that touch the memory they are told and then sleep. The same items run
//! - by Tidemill, after one run from which it learned what they need;
//! - one at a time on each agent; one per core; and the largest fixed number at once whose worst items fit, as scripts
//!   do it: a common list, and each agent takes the next item as soon as one of its places is free.
//!
//! Of Tidemill's runs the time from the first start of a process to the last result on disk is told apart from what lies
//! before and after it (start of the client, survey, submission, last words): the first speaks of placement. Fixed numbers
//! are charged for nothing but their items, and still compared with the whole run.
//!
//! Beside the times stands the lower bound max(longest item, core-seconds / cores, GiB-seconds / GiB), and whether the
//! measured memory stayed within every agent's budget at each look (ten a second).

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;
use tidemill_tests::sandbox::{Sandbox, binary, finish, start};

const MIB: u64 = 1 << 20;
/// An item's file has one byte for so many that it touches: what is learned grows with the size of inputs.
const TOUCHED_PER_BYTE: u64 = 4096;
/// Name, cores, memory in MiB.
const AGENTS: [(&str, u32, u64); 3] = [("ash", 4, 640), ("elm", 4, 384), ("oak", 2, 448)];

/// One item: memory that it touches and time that it takes.
#[derive(Debug, Clone, Copy)]
struct Load {
    mebibytes: u64,
    tenths: u64,
}

fn loads() -> Vec<Load> {
    // Long enough that what starting a process costs on a busy machine does not hide the placement.
    let large = (0..8).map(|_| Load {
        mebibytes: 280,
        tenths: 60,
    });
    let small = (0..60).map(|number| Load {
        mebibytes: 8 + number % 5 * 4,
        tenths: 12 + number % 4 * 3,
    });
    large.chain(small).collect()
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, file, tenths, copy] = arguments.as_slice()
        && word == "load"
    {
        return be_a_load(
            Path::new(file),
            tenths.parse().expect("tenths of a second"),
            Path::new(copy),
        );
    }
    let rounds: usize = arguments
        .first()
        .map_or(3, |text| text.parse().expect("a number of rounds"));
    let loads = loads();
    let bound = lower_bound(&loads);
    println!("{} items on three agents; lower bound {bound:.2} s", loads.len());
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut all_ours = by_tidemill(folder.path(), &loads, rounds);
    for ours in &all_ours {
        println!(
            "tidemill: {}, {:.2} of the bound; items {:.2} s of it, {:.2} of the bound",
            ours.text(),
            ours.seconds / bound,
            ours.placed,
            ours.placed / bound
        );
    }
    all_ours.sort_by(|one, other| one.placed.total_cmp(&other.placed));
    let (least, most) = (all_ours[0].placed / bound, all_ours[rounds - 1].placed / bound);
    let ours = all_ours.swap_remove(rounds / 2);
    println!(
        "tidemill, median of {rounds}: {:.2} s, {:.2} of the bound; items {:.2} s, {:.2} of the bound ({least:.2} to {most:.2})",
        ours.seconds,
        ours.seconds / bound,
        ours.placed,
        ours.placed / bound
    );
    let worst = loads.iter().map(|load| load.mebibytes).max().unwrap_or(1) + 4; // and the process itself
    let all: [(&str, [usize; 3]); 3] = [
        ("one at a time", [1, 1, 1]),
        ("one per core", AGENTS.map(|(_, cores, _)| cores as usize)),
        (
            "largest number whose worst items fit",
            AGENTS.map(|(_, _, memory)| (memory / worst) as usize),
        ),
    ];
    for (name, places) in all {
        let found = by_numbers(folder.path(), &loads, places);
        println!(
            "{name} {places:?}: {}, {:.2} times as long as tidemill",
            found.text(),
            found.seconds / ours.seconds
        );
    }
}

/// Touches the memory, sleeps, and makes its output.
fn be_a_load(file: &Path, tenths: u64, copy: &Path) {
    let bytes = std::fs::metadata(file).expect("the input").len() * TOUCHED_PER_BYTE;
    let held = vec![1_u8; usize::try_from(bytes).expect("fits into memory")];
    std::thread::sleep(Duration::from_millis(tenths * 100));
    let sum: u64 = held.iter().step_by(4096).map(|byte| u64::from(*byte)).sum();
    std::fs::write(copy, format!("{sum}\n")).expect("the output");
}

fn lower_bound(loads: &[Load]) -> f64 {
    let seconds = |load: &Load| load.tenths as f64 / 10.0;
    let longest = loads.iter().map(seconds).fold(0.0, f64::max);
    let cores: u32 = AGENTS.iter().map(|(_, cores, _)| cores).sum();
    let memory: u64 = AGENTS.iter().map(|(_, _, memory)| memory).sum();
    let core_seconds: f64 = loads.iter().map(seconds).sum();
    let memory_seconds: f64 = loads
        .iter()
        .map(|load| seconds(load) * load.mebibytes as f64)
        .sum();
    longest
        .max(core_seconds / f64::from(cores))
        .max(memory_seconds / memory as f64)
}

struct Found {
    /// Of the whole command.
    seconds: f64,
    /// From the first start of an item to the last result.
    placed: f64,
    /// Highest measured memory of each agent's items, over its budget.
    fullest: f64,
}

impl Found {
    fn text(&self) -> String {
        let within = if self.fullest <= 1.0 {
            "within memory"
        } else {
            "OVER memory"
        };
        format!(
            "{:.2} s, {within} (fullest agent {:.0} %)",
            self.seconds,
            self.fullest * 100.0
        )
    }
}

/// Looks at the memory of load processes, by the folders that they work in, while `work` is done.
fn watched<T>(folders: &BTreeMap<PathBuf, u64>, work: impl FnOnce() -> T) -> (T, f64, f64) {
    let (over, fullest) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(0.0_f64)));
    let (seen, most, folders) = (over.clone(), fullest.clone(), folders.clone());
    let watcher = std::thread::spawn(move || {
        while !seen.load(Ordering::Relaxed) {
            let mut used: BTreeMap<&Path, u64> = BTreeMap::new();
            for (folder, bytes) in resident() {
                if let Some(agent) = folders.keys().find(|agent| folder.starts_with(agent)) {
                    *used.entry(agent).or_default() += bytes;
                }
            }
            for (agent, bytes) in used {
                let part = bytes as f64 / folders[agent] as f64;
                let mut most = most.lock().expect("no panic before");
                *most = most.max(part);
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    let begun = Instant::now();
    let done = work();
    let seconds = begun.elapsed().as_secs_f64();
    over.store(true, Ordering::Relaxed);
    watcher.join().expect("the watcher ends");
    let fullest = *fullest.lock().expect("no panic before");
    (done, seconds, fullest)
}

/// Working folder and resident memory of every load process.
fn resident() -> Vec<(PathBuf, u64)> {
    let own = std::fs::read_link("/proc/self/exe").expect("a Linux machine");
    let processes = std::fs::read_dir("/proc").expect("a Linux machine").flatten();
    processes
        .filter_map(|process| {
            let path = process.path();
            (std::fs::read_link(path.join("exe")).ok()? == own).then_some(())?;
            let folder = std::fs::read_link(path.join("cwd")).ok()?;
            let pages = std::fs::read_to_string(path.join("statm")).ok()?;
            let resident: u64 = pages.split_whitespace().nth(1)?.parse().ok()?;
            Some((folder, resident * 4096))
        })
        .collect()
}

struct Ended(Vec<Child>);

impl Drop for Ended {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn by_tidemill(folder: &Path, loads: &[Load], rounds: usize) -> Vec<Found> {
    let sandbox = Sandbox::below(folder);
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "quay"

[variants]
models = "base/*.txt"
fields = "load-{tenths}-{number}"
name = "{stem}"

[step.load]
from = { file = "{model}" }
program = ["load", "load", "{file}", "{tenths}", "{copy}"]
makes = { copy = "{variant}.copy.txt" }
needs = { memory = "300 MiB", cores = 1 }
"#,
    );
    for (number, load) in loads.iter().enumerate() {
        // Equal files would be one item's work.
        let mut bytes = format!("{number:06}").into_bytes();
        bytes.resize(
            usize::try_from(load.mebibytes * MIB / TOUCHED_PER_BYTE).expect("small"),
            b'x',
        );
        sandbox.write(&format!("base/load-{}-{number:03}.txt", load.tenths), bytes);
    }
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a loopback port");
    let address = listener.local_addr().expect("its address").to_string();
    drop(listener);
    let mut serve = Command::new(binary("tidemill-coordinator"));
    serve
        .args(["serve", "--listen", &address, "--data"])
        .arg(sandbox.root().join("studio"))
        .stdin(Stdio::null())
        .stderr(Stdio::null());
    let mut all = Ended(vec![start(serve)]);
    let mut folders = BTreeMap::new();
    for (name, cores, memory) in AGENTS {
        let data = sandbox.root().join(name);
        std::fs::create_dir_all(&data).expect("a folder");
        let data = data.canonicalize().expect("it is there");
        let config = sandbox.root().join(format!("{name}.toml"));
        let own = std::env::current_exe().expect("the own program");
        let text = format!(
            "cores = {cores}\nmemory = '{memory} MiB'\n[tool.load]\npath = '{}'\nversion = '1'\n",
            own.display()
        );
        std::fs::write(&config, text).expect("the configuration");
        let mut agent = Command::new(binary("tidemill-agent"));
        agent
            .args(["--at", &address, "--name", name, "--dedicated", "--config"])
            .arg(config)
            .arg("--data")
            .arg(&data)
            .stdin(Stdio::null())
            .stderr(Stdio::null());
        all.0.push(start(agent));
        folders.insert(data, memory * MIB);
    }
    let run = |arguments: &[&str]| {
        let mut line = vec![
            "--at",
            address.as_str(),
            "run",
            "manifest.toml",
            "--json",
            "--quiet",
            "--no-deliver",
        ];
        line.extend(arguments);
        finish(sandbox.command(&line))
    };
    let until = Instant::now() + Duration::from_secs(30);
    loop {
        let learned = run(&[]);
        if learned.code == 0 {
            break;
        }
        assert!(Instant::now() < until, "{learned:?}");
        std::thread::sleep(Duration::from_millis(200));
    }
    let one_round = |_| {
        let (outcome, seconds, fullest) = watched(&folders, || run(&["--anew", "*"]));
        assert_eq!(
            (outcome.code, outcome.count("done")),
            (0, loads.len() as u64),
            "{outcome:?}"
        );
        let name = outcome.run();
        let shown = finish(sandbox.command(&["--at", &address, "show", &name, "--json"]));
        Found {
            seconds,
            placed: placed_seconds(&shown.json(), loads.len()),
            fullest,
        }
    };
    (0..rounds).map(one_round).collect()
}

/// From the first start of a process to the last result on disk, by the rows of `show --json`.
fn placed_seconds(rows: &[Value], items: usize) -> f64 {
    let number = |row: &Value, field: &str| row[field].as_i64().expect("a number");
    let spans: Vec<(i64, i64)> = rows
        .iter()
        .filter(|row| row["kind"] == "item")
        .map(|row| {
            let ended = number(row, "changed_ms");
            (ended - number(row, "elapsed_ms"), ended)
        })
        .collect();
    assert_eq!(spans.len(), items);
    let first = spans.iter().map(|(started, _)| started).min().expect("items");
    let last = spans.iter().map(|(_, ended)| ended).max().expect("items");
    (last - first) as f64 / 1000.0
}

/// A common list; each agent works on so many items at once.
fn by_numbers(folder: &Path, loads: &[Load], places: [usize; 3]) -> Found {
    let mut folders = BTreeMap::new();
    let (next, files) = (AtomicUsize::new(0), folder.join("lists"));
    std::fs::create_dir_all(&files).expect("a folder");
    for (number, load) in loads.iter().enumerate() {
        let bytes = vec![b'x'; usize::try_from(load.mebibytes * MIB / TOUCHED_PER_BYTE).expect("small")];
        std::fs::write(files.join(format!("{number}.txt")), bytes).expect("an input");
    }
    for (name, _, memory) in AGENTS {
        let data = folder.join(format!("list-{name}"));
        std::fs::create_dir_all(&data).expect("a folder");
        folders.insert(data.canonicalize().expect("it is there"), memory * MIB);
    }
    let order: Vec<&PathBuf> = folders.keys().collect();
    let own = std::env::current_exe().expect("the own program");
    let ((), seconds, fullest) = watched(&folders, || {
        std::thread::scope(|scope| {
            for (agent, count) in places.into_iter().enumerate() {
                for place in 0..count {
                    let (next, own, files, data) = (&next, &own, &files, order[agent]);
                    scope.spawn(move || {
                        loop {
                            let number = next.fetch_add(1, Ordering::Relaxed);
                            let Some(load) = loads.get(number) else { return };
                            let status = Command::new(own)
                                .arg("load")
                                .arg(files.join(format!("{number}.txt")))
                                .arg(load.tenths.to_string())
                                .arg(data.join(format!("copy-{place}")))
                                .current_dir(data)
                                .status();
                            assert!(status.is_ok_and(|status| status.success()));
                        }
                    });
                }
            }
        });
    });
    Found {
        seconds,
        placed: seconds,
        fullest,
    }
}
