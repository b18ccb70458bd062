//! A studio on machines of its own: a coordinator and three agents, each with an address and a memory limit, over TLS.
//! Network namespaces and control groups, so Linux and root; elsewhere each test says that it did nothing.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(target_os = "linux")]

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use tidemill_tests::Sandbox;
use tidemill_tests::faults::{check, quayside, started, submit};
use tidemill_tests::link::Way;
use tidemill_tests::load::TOUCHED_PER_BYTE;
use tidemill_tests::memory_limit::MemoryLimit;
use tidemill_tests::network::Network;
use tidemill_tests::sandbox::binary;
use tidemill_tests::studio::Studio;

const MIB: u64 = 1 << 20;
const NAMES: [&str; 3] = ["ash", "elm", "oak"];

/// A coordinator and three agents with one core each.
fn staffed<'a>(network: &'a Network, sandbox: &'a Sandbox, serve: &[&str]) -> Studio<'a> {
    let (mut studio, invitation) = Studio::open_on(network, sandbox, serve);
    for name in NAMES {
        studio.start_agent_at(name, &["--join", &invitation]);
    }
    studio.wait_for("three agents", || studio.agent_rows().len() == 3);
    studio
}

/// Cuts the cable of one agent's machine while its items run.
fn cut(way: Way, seconds: u64, item_seconds: f64, serve: &[&str], more: usize) {
    let Some(network) = Network::make(&NAMES) else {
        return;
    };
    let sandbox = quayside(item_seconds);
    let studio = staffed(&network, &sandbox, serve);
    let run = submit(&studio);
    studio.wait_for("items to start", || started(&sandbox) >= 4);
    network.cut("ash", way);
    std::thread::sleep(Duration::from_secs(seconds));
    network.mend("ash", way);
    check(&studio, &sandbox, &run, more);
    studio.wait_for("all to be back", || {
        let rows = studio.agent_rows();
        rows.len() == 3 && rows.iter().all(|row| row["state"] == "here")
    });
}

/// All three ways at once, each in a studio of its own: they mostly wait.
fn cut_each_way(seconds: u64, item_seconds: f64, serve: &[&str], more: usize) {
    std::thread::scope(|scope| {
        for way in [Way::Both, Way::Up, Way::Down] {
            scope.spawn(move || cut(way, seconds, item_seconds, serve, more));
        }
    });
}

#[test]
fn a_cable_is_cut_for_five_seconds() {
    cut_each_way(5, 0.8, &[], 0);
}

#[test]
fn a_cable_is_cut_for_five_seconds_and_nobody_waits_for_it() {
    // What ran on the machine that was cut off, and what had ended there and was not heard of.
    cut_each_way(5, 0.8, &["--silence-limit", "3", "--lost-grace", "1"], 2);
}

#[test]
fn a_cable_is_cut_for_a_minute() {
    // The settings that a studio has: a lost agent is waited for so long that nothing it has is tried again. Only an item
    // that was on its way to it when the cable was cut never came, and goes once more.
    cut_each_way(60, 8.0, &[], 1);
}

const LOADS: &str = r#"[manifest]
name = "warehouse"

[variants]
models = "base/*.txt"
fields = "load-{tenths}-{number}"
name = "{stem}"

[step.load]
from = { file = "{model}" }
program = ["load", "{file}", "{tenths}", "{copy}"]
makes = { copy = "{variant}.copy.txt" }
needs = { memory = "130 MiB", cores = 1 }
"#;

/// Large and small items: MiB that they touch, and tenths of a second that they take.
fn loads() -> impl Iterator<Item = (u64, u64)> {
    let large = (0..6).map(|number| (96 + number * 4, 12));
    let small = (0..30).map(|number| (6 + number % 5 * 5, 3 + number % 4));
    large.chain(small)
}

/// Memory of load processes, by the agent whose data folder they work in.
fn held(folders: &BTreeMap<&str, std::path::PathBuf>) -> BTreeMap<String, u64> {
    let program = binary("load");
    let mut held: BTreeMap<String, u64> = BTreeMap::new();
    for process in std::fs::read_dir("/proc").unwrap().flatten() {
        let path = process.path();
        // A process may end at any moment between these.
        let look = || {
            (std::fs::read_link(path.join("exe")).ok()? == program).then_some(())?;
            let folder = std::fs::read_link(path.join("cwd")).ok()?;
            let status = std::fs::read_to_string(path.join("status")).ok()?;
            let kib = |name: &str| -> Option<u64> {
                let line = status.lines().find_map(|line| line.strip_prefix(name))?;
                line.split_whitespace().next()?.parse().ok()
            };
            assert_eq!(kib("VmSwap:")?, 0, "swapped out because of us: {status}");
            Some((folder, kib("VmRSS:")? * 1024))
        };
        if let Some((folder, bytes)) = look()
            && let Some((name, _)) = folders.iter().find(|(_, below)| folder.starts_with(below))
        {
            *held.entry((*name).to_owned()).or_default() += bytes;
        }
    }
    held
}

/// While `work` is done: the highest sum of each agent's items, over all looks, of which there are about twenty a second.
fn watched<T: Send>(
    folders: &BTreeMap<&str, std::path::PathBuf>,
    work: impl FnOnce() -> T + Send,
) -> (T, BTreeMap<String, u64>, usize) {
    let is_over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let working = scope.spawn(|| {
            let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
            is_over.store(true, Ordering::SeqCst);
            done
        });
        let (mut most, mut looks) = (BTreeMap::new(), 0);
        while !is_over.load(Ordering::SeqCst) {
            for (name, bytes) in held(folders) {
                let highest: &mut u64 = most.entry(name).or_default();
                *highest = bytes.max(*highest);
            }
            looks += 1;
            std::thread::sleep(Duration::from_millis(50));
        }
        let done = working.join().unwrap();
        (
            done.unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            most,
            looks,
        )
    })
}

#[test]
fn what_items_hold_stays_within_each_machines_memory() {
    let Some(network) = Network::make(&NAMES) else {
        return;
    };
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", LOADS);
    for (number, (mebibytes, tenths)) in loads().enumerate() {
        // Equal files would be one item's work.
        let mut bytes = format!("{number:06}").into_bytes();
        bytes.resize(usize::try_from(mebibytes * MIB / TOUCHED_PER_BYTE).unwrap(), b'x');
        sandbox.write(&format!("base/load-{tenths}-{number:03}.txt"), bytes);
    }
    // Limits of the machines; where the kernel sets none, the agents are told what they would lend.
    let sizes = [
        ("ash", 4, 760 * MIB),
        ("elm", 3, 560 * MIB),
        ("oak", 2, 420 * MIB),
    ];
    let limits: BTreeMap<&str, Option<MemoryLimit>> = sizes
        .iter()
        .map(|(name, _, bytes)| (*name, MemoryLimit::make(&format!("load-{name}"), *bytes)))
        .collect();
    let (mut studio, invitation) = Studio::open_on(&network, &sandbox, &[]);
    let mut folders = BTreeMap::new();
    for (name, cores, bytes) in sizes {
        let mut config = format!(
            "cores = {cores}\n[tool.load]\npath = '{}'\nversion = '1'\n",
            binary("load").display()
        );
        match &limits[name] {
            Some(limit) => drop(studio.limits.insert(name.to_owned(), limit)),
            None => config.insert_str(0, &format!("memory = '{} MiB'\n", bytes / 2 / MIB)),
        }
        let command = studio.configured_agent(name, &["--join", &invitation], &config);
        studio.start_agent_by(name, command);
        folders.insert(name, sandbox.root().canonicalize().unwrap().join(name));
    }
    studio.wait_for("three agents", || studio.agent_rows().len() == 3);
    let budgets: BTreeMap<String, u64> = studio
        .agent_rows()
        .iter()
        .map(|row| {
            let name = row["name"].as_str().unwrap().to_owned();
            (name, row["lent_memory_bytes"].as_u64().unwrap())
        })
        .collect();
    for (name, _, bytes) in sizes {
        assert!(
            budgets[name] <= bytes && budgets[name] > 130 * MIB,
            "what an agent lends follows its machine's limit: {budgets:?}\n{}",
            studio.logs()
        );
    }

    // First by what is declared, then by what was learned: more at once, and still within.
    let mut seconds = Vec::new();
    for arguments in [&[][..], &["--anew", "*"][..]] {
        let mut line = vec!["run", "manifest.toml", "--json", "--quiet", "--no-deliver"];
        line.extend(arguments);
        let begun = Instant::now();
        let (outcome, most, looks) = watched(&folders, || studio.tidemill(&line));
        seconds.push(begun.elapsed().as_secs_f64());
        assert_eq!(
            (outcome.code, outcome.count("done")),
            (0, loads().count() as u64),
            "{outcome:?}\n{}",
            studio.logs()
        );
        assert!(looks >= 20, "{looks} looks");
        assert_eq!(most.len(), 3, "every machine took part: {most:?}");
        for (name, highest) in &most {
            assert!(
                *highest <= budgets[name],
                "{name} lends {}, its items held {highest}",
                budgets[name]
            );
        }
        for limit in limits.values().flatten() {
            assert_eq!(limit.ended_by_kernel(), 0, "the kernel ended nothing");
        }
        let mib =
            |bytes: &BTreeMap<String, u64>| -> Vec<u64> { bytes.values().map(|all| all / MIB).collect() };
        eprintln!(
            "{:.1} s; MiB at most {:?} of {:?}, {looks} looks; lower bound {:.1} s",
            seconds[seconds.len() - 1],
            mib(&most),
            mib(&budgets),
            lower_bound(&budgets)
        );
    }
}

/// max(longest item, core-seconds / cores, GiB-seconds / GiB).
fn lower_bound(budgets: &BTreeMap<String, u64>) -> f64 {
    let seconds = |tenths: u64| tenths as f64 / 10.0;
    let longest = loads().map(|(_, tenths)| seconds(tenths)).fold(0.0, f64::max);
    let cores: f64 = loads().map(|(_, tenths)| seconds(tenths)).sum::<f64>() / 9.0;
    let held: f64 = loads()
        .map(|(mib, tenths)| seconds(tenths) * (mib * MIB) as f64)
        .sum();
    let all: u64 = budgets.values().sum();
    longest.max(cores).max(held / all as f64)
}

#[test]
fn each_machine_has_its_own_address_and_a_cut_one_is_out_of_reach() {
    let Some(network) = Network::make(&["ash"]) else {
        return;
    };
    let reach = |way: Option<Way>| {
        if let Some(way) = way {
            network.cut("ash", way);
        }
        // Datagrams, since they need no answer: what one side sends either arrives or does not.
        let said = [("ash", "mill"), ("mill", "ash")].map(|(from, to)| heard(&network, from, to));
        if let Some(way) = way {
            network.mend("ash", way);
        }
        said
    };
    assert_eq!(reach(None), [true, true]);
    assert_eq!(reach(Some(Way::Up)), [false, true]);
    assert_eq!(reach(Some(Way::Down)), [true, false]);
    assert_eq!(reach(Some(Way::Both)), [false, false]);
    assert_eq!(reach(None), [true, true]);
}

/// Whether a datagram from one machine arrives at another.
fn heard(network: &Network, from: &str, to: &str) -> bool {
    let folder = tempfile::tempdir().unwrap();
    let (port, note) = (40_000 + (std::process::id() % 20_000), folder.path().join("note"));
    let listen = format!(
        "import socket,sys\ns=socket.socket(socket.AF_INET,socket.SOCK_DGRAM)\ns.bind(('{}',{port}))\nopen(sys.argv[1]+'.ready','w').close()\ns.settimeout(1.5)\ntry:\n s.recv(9); open(sys.argv[1],'w').close()\nexcept TimeoutError: pass\n",
        network.address(to)
    );
    let say = format!(
        "import socket\ns=socket.socket(socket.AF_INET,socket.SOCK_DGRAM)\nfor _ in range(3):\n try: s.sendto(b'hello',('{}',{port}))\n except OSError: pass\n",
        network.address(to)
    );
    let python = |text: &str, note: &Path| {
        let mut command = std::process::Command::new("python3");
        command.args(["-c", text]).arg(note);
        command
    };
    let listener = tidemill_tests::sandbox::start(network.on(to, &python(&listen, &note)));
    let ready = folder.path().join("note.ready");
    let until = Instant::now() + Duration::from_secs(30);
    while !ready.exists() {
        assert!(Instant::now() < until, "the listener starts");
        std::thread::sleep(Duration::from_millis(10));
    }
    let said = tidemill_tests::sandbox::finish(network.on(from, &python(&say, &note)));
    assert_eq!(said.code, 0, "{said:?}");
    let ended = tidemill_tests::sandbox::wait(listener);
    assert_eq!(ended.code, 0, "{ended:?}");
    note.exists()
}
