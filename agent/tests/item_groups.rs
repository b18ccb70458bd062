//! Control groups of items, with real processes: the kernel limits and counts the whole tree, and nothing is left behind. Where no
//! groups may be made (neither root nor delegated), the tests say why and try nothing.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

use std::ffi::OsString;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tidemill_agent::launcher::{Cause, Control, Ended, Groups, How, Launch, Launcher, Said, write_launch};
use tidemill_agent::special::LAUNCHER_WORD;

const MIB: u64 = 1 << 20;

fn command() -> [OsString; 2] {
    [env!("CARGO_BIN_EXE_tidemill-agent").into(), LAUNCHER_WORD.into()]
}

/// Groups for one test; `None`: not to be had here, which is said.
fn groups(name: &str, folder: &Path) -> Option<Groups> {
    let id = format!("test-{}-{name}", std::process::id());
    let made = Groups::make(&id, &folder.join("note"));
    made.inspect_err(|reason| eprintln!("not tried: no groups for items: {reason}"))
        .ok()
}

fn launch(groups: &Groups, folder: &Path, program: &str, text: &str, limit_mib: u64) -> Launch {
    Launch {
        program: "/usr/bin/env".into(),
        arguments: [program, "-c", text].iter().map(OsString::from).collect(),
        environment: vec![("PATH".into(), "/usr/bin:/bin".into())],
        folder: folder.into(),
        memory_limit_bytes: limit_mib * MIB,
        group: groups.path("slot-0"),
        ..Launch::default()
    }
}

fn run(launch: Launch) -> (Ended, String) {
    let group = launch.group.clone();
    let mut log = Vec::new();
    let ended = Launcher::start(&command())
        .unwrap()
        .run(launch, &Control::default(), &mut |said| {
            if let Said::Log(piece) = said {
                log.extend(piece);
            }
        })
        .unwrap();
    assert!(!group.exists(), "{} is left behind", group.display());
    (ended, String::from_utf8(log).unwrap())
}

/// Whether a process is there and not merely waiting to be collected.
fn lives(pid: &str) -> bool {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    stat.rsplit_once(')')
        .is_some_and(|(_, rest)| !rest.trim_start().starts_with(['Z', 'X']))
}

/// Fills so many MiB at once.
fn hold(mib: u64) -> String {
    format!("held = bytearray(b'x') * ({mib} << 20)\n")
}

/// Two children hold so many MiB each at the same moment, and no longer than it takes to say so.
fn two_for_a_moment(mib: u64) -> String {
    format!(
        "import os\npipes = [(os.pipe(), os.pipe()) for _ in range(2)]\nfor full, leave in pipes:\n    if os.fork() == 0:\n        \
         {}        os.write(full[1], b'x')\n        os.read(leave[0], 1)\n        os._exit(0)\n\
         for full, leave in pipes:\n    os.read(full[0], 1)\nfor full, leave in pipes:\n    os.write(leave[1], b'x')\nos.wait()\nos.wait()\n",
        hold(mib)
    )
}

#[test]
fn an_item_is_in_its_group_from_the_first_and_its_launcher_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let Some(groups) = groups("inside", folder.path()) else {
        return;
    };
    let script = "cat /proc/self/cgroup; echo; cat /proc/$PPID/cgroup";
    let (ended, log) = run(launch(&groups, folder.path(), "sh", script, 64));
    assert_eq!(ended.how, How::Code(0), "{log}");
    let (item, launcher) = log.split_once("\n\n").unwrap();
    let name = format!("tidemill-test-{}-inside/slot-0", std::process::id());
    assert!(item.contains(&name), "{item}");
    assert!(!launcher.contains("slot-0"), "{launcher}");
}

#[test]
fn an_item_never_gets_more_than_its_limit_and_is_ended_as_a_whole() {
    let folder = tempfile::tempdir().unwrap();
    let Some(groups) = groups("limit", folder.path()) else {
        return;
    };
    // A grandchild in a session of its own wants ten times the limit in one go, faster than anybody looks; its parents only wait.
    let note = folder.path().join("pid");
    let greedy = folder.path().join("greedy.py");
    fs::write(&greedy, hold(1000)).unwrap();
    let script = format!(
        "sleep 300 & echo $! > {}; setsid python3 {} & wait; sleep 300",
        note.display(),
        greedy.display()
    );
    let started = Instant::now();
    let (ended, log) = run(launch(&groups, folder.path(), "sh", &script, 100));
    assert_eq!(
        (ended.how, ended.cause),
        (How::Signal(9), Cause::MemoryLimit),
        "{log}"
    );
    let peak = ended.peak_memory_bytes;
    assert!((60 * MIB..=100 * MIB).contains(&peak), "{} MiB", peak / MIB);
    assert!(started.elapsed() < Duration::from_secs(60));
    let waiting = fs::read_to_string(note).unwrap();
    assert!(!lives(waiting.trim()), "a brother is ended too");
}

#[test]
fn the_peak_is_that_of_the_whole_tree_at_its_greatest_moment() {
    let folder = tempfile::tempdir().unwrap();
    let Some(groups) = groups("peak", folder.path()) else {
        return;
    };
    let (ended, log) = run(launch(
        &groups,
        folder.path(),
        "python3",
        &two_for_a_moment(60),
        400,
    ));
    assert_eq!((ended.how, ended.cause), (How::Code(0), Cause::Itself), "{log}");
    let mib = ended.peak_memory_bytes / MIB;
    assert!((120..170).contains(&mib), "two children of 60 MiB gave {mib} MiB");
}

#[test]
fn what_the_system_keeps_of_files_is_not_what_an_item_needs() {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let Some(groups) = groups("files", folder.path()) else {
        return;
    };
    let script = "dd if=/dev/zero of=big bs=1M count=300 2>&1 && cat big big > /dev/null && sleep 0.3";
    let (ended, log) = run(launch(&groups, folder.path(), "sh", script, 120));
    assert_eq!((ended.how, ended.cause), (How::Code(0), Cause::Itself), "{log}");
    let mib = ended.peak_memory_bytes / MIB;
    assert!(mib < 60, "writing and reading a file took {mib} MiB");
}

#[test]
fn what_a_killed_launcher_left_is_cleared_at_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let Some(before) = groups("left", folder.path()) else {
        return;
    };
    let note = folder.path().join("pid");
    let script = format!("setsid sleep 300 & echo $! > {}; wait", note.display());
    let launch = launch(&before, folder.path(), "sh", &script, 64);
    let [program, word] = command();
    let mut launcher = Command::new(program)
        .arg(word)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    write_launch(launcher.stdin.as_mut().unwrap(), &launch).unwrap();
    let pid = loop {
        match fs::read_to_string(&note) {
            Ok(text) if text.ends_with('\n') => break text.trim().to_owned(),
            _ => std::thread::sleep(Duration::from_millis(5)),
        }
    };
    launcher.kill().unwrap();
    launcher.wait().unwrap();
    assert!(lives(&pid) && launch.group.exists(), "it outlived its launcher");
    // As an agent that was killed would not.
    std::mem::forget(before);
    let again = groups("left", folder.path()).unwrap();
    assert!(!lives(&pid) && !launch.group.exists());
    let place = again.path("");
    drop(again);
    assert!(!place.exists());
}
