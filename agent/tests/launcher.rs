//! The launcher as a real process: what it starts, what it measures, and that nothing outlives it.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

use std::ffi::OsString;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tidemill_agent::launcher::{Cause, Control, Ended, How, Launch, Launcher, Said};
use tidemill_agent::special::LAUNCHER_WORD;

fn command() -> [OsString; 2] {
    [env!("CARGO_BIN_EXE_tidemill-agent").into(), LAUNCHER_WORD.into()]
}

fn launch(folder: &Path, program: &str, arguments: &[&str]) -> Launch {
    Launch {
        program: program.into(),
        arguments: arguments.iter().map(Into::into).collect(),
        environment: vec![("PATH".into(), "/usr/bin:/bin".into())],
        folder: folder.into(),
        ..Launch::default()
    }
}

fn shell(folder: &Path, script: &str) -> Launch {
    launch(folder, "/bin/sh", &["-c", script])
}

/// Runs one item in a launcher; gives its end and its log.
fn run(launcher: &mut Launcher, launch: Launch, control: &Control) -> (Ended, String) {
    let mut log = Vec::new();
    let ended = launcher
        .run(launch, control, &mut |said| {
            if let Said::Log(piece) = said {
                log.extend(piece);
            }
        })
        .unwrap();
    (ended, String::from_utf8(log).unwrap())
}

fn start() -> (tempfile::TempDir, Launcher) {
    (tempfile::tempdir().unwrap(), Launcher::start(&command()).unwrap())
}

/// Whether a process is there and not merely waiting to be collected.
fn lives(pid: i32) -> bool {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    stat.rsplit_once(')')
        .is_some_and(|(_, rest)| !rest.trim_start().starts_with(['Z', 'X']))
}

fn await_gone(pid: i32, within: Duration) -> bool {
    let started = Instant::now();
    while lives(pid) {
        if started.elapsed() > within {
            return false;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    true
}

fn await_number(path: &Path) -> i32 {
    for _ in 0..1000 {
        if let Ok(text) = fs::read_to_string(path)
            && text.ends_with('\n')
        {
            return text.trim().parse().unwrap();
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("{} was not written", path.display());
}

/// A script for a process in a session of its own that ignores polite requests and writes its number.
fn stubborn(folder: &Path) -> (String, PathBuf) {
    let note = folder.join("pid");
    let script = format!(
        "setsid sh -c 'trap \"\" TERM HUP INT; echo $$ > {}; while :; do sleep 1; done' & ",
        note.display()
    );
    (script, note)
}

#[test]
fn exit_code_signal_and_both_outputs_are_told() {
    let (folder, mut launcher) = start();
    let script = "echo timber; echo iron >&2; pwd; exit 7";
    let (ended, log) = run(&mut launcher, shell(folder.path(), script), &Control::default());
    assert_eq!((ended.how, ended.cause), (How::Code(7), Cause::Itself));
    assert_eq!(
        log,
        format!(
            "timber\niron\n{}\n",
            folder.path().canonicalize().unwrap().display()
        )
    );
    let (ended, log) = run(
        &mut launcher,
        shell(folder.path(), "kill -SEGV $$"),
        &Control::default(),
    );
    assert_eq!((ended.how, log.as_str()), (How::Signal(11), ""));
}

#[test]
fn an_item_sees_only_the_environment_that_it_is_given() {
    let (folder, mut launcher) = start();
    let mut launch = launch(folder.path(), "/usr/bin/env", &[]);
    launch.environment = vec![("DOCK".into(), "west".into())];
    let (ended, log) = run(&mut launcher, launch, &Control::default());
    assert_eq!((ended.how, log.as_str()), (How::Code(0), "DOCK=west\n"));
}

#[test]
fn a_program_that_is_not_there_is_an_end_with_a_reason() {
    let (folder, mut launcher) = start();
    let (ended, _) = run(
        &mut launcher,
        launch(folder.path(), "/no/such/program", &[]),
        &Control::default(),
    );
    assert!(matches!(ended.how, How::NotStarted(reason) if reason.contains("No such file")));
    let (ended, _) = run(&mut launcher, shell(folder.path(), "exit 0"), &Control::default());
    assert_eq!(ended.how, How::Code(0), "the launcher goes on");
}

#[test]
fn input_and_output_may_be_files() {
    let (folder, mut launcher) = start();
    fs::write(folder.path().join("asked"), "bollard\n").unwrap();
    let mut launch = shell(folder.path(), "cat; echo remark >&2");
    launch.stdin = folder.path().join("asked");
    launch.stdout = folder.path().join("answer");
    let (ended, log) = run(&mut launcher, launch, &Control::default());
    assert_eq!((ended.how, log.as_str()), (How::Code(0), "remark\n"));
    assert_eq!(
        fs::read_to_string(folder.path().join("answer")).unwrap(),
        "bollard\n"
    );
}

#[test]
fn a_long_log_arrives_whole_and_in_order() {
    let (folder, mut launcher) = start();
    let (ended, log) = run(
        &mut launcher,
        shell(folder.path(), "seq 300000"),
        &Control::default(),
    );
    assert_eq!(ended.how, How::Code(0));
    let expected: String = (1..=300_000).map(|n| format!("{n}\n")).collect();
    assert!(
        log == expected,
        "{} bytes instead of {}",
        log.len(),
        expected.len()
    );
}

#[test]
fn time_limit_ends_grandchildren_that_left_the_session_and_ignore_requests() {
    let (folder, mut launcher) = start();
    let (script, note) = stubborn(folder.path());
    let mut launch = shell(
        folder.path(),
        &format!("{script} trap '' TERM; while :; do sleep 1; done"),
    );
    launch.time_limit_ms = 300;
    let started = Instant::now();
    let (ended, _) = run(&mut launcher, launch, &Control::default());
    assert_eq!((ended.how, ended.cause), (How::Signal(9), Cause::TimeLimit));
    assert!(
        started.elapsed() < Duration::from_secs(3),
        "{:?}",
        started.elapsed()
    );
    assert!(
        !lives(await_number(&note)),
        "the grandchild must be gone before the end is told"
    );
}

#[test]
fn a_polite_program_may_tidy_up_when_its_time_is_over() {
    let (folder, mut launcher) = start();
    let mut launch = shell(
        folder.path(),
        "trap 'echo tidied; exit 3' TERM; while :; do sleep 0.05; done",
    );
    launch.time_limit_ms = 200;
    let (ended, log) = run(&mut launcher, launch, &Control::default());
    assert_eq!((ended.how, ended.cause), (How::Code(3), Cause::TimeLimit));
    assert!(log.ends_with("tidied\n"), "{log}");
}

#[test]
fn what_an_item_leaves_running_is_swept() {
    let (folder, mut launcher) = start();
    let (script, note) = stubborn(folder.path());
    let script = format!("{script} while [ ! -s {} ]; do sleep 0.01; done", note.display());
    let (ended, _) = run(&mut launcher, shell(folder.path(), &script), &Control::default());
    assert_eq!((ended.how, ended.cause), (How::Code(0), Cause::Itself));
    assert!(ended.leftovers >= 1, "{}", ended.leftovers);
    assert!(!lives(await_number(&note)));
}

#[test]
fn an_item_ends_when_asked_and_a_late_request_does_not_hit_the_next() {
    let (folder, mut launcher) = start();
    let control = Control::default();
    let asker = std::thread::spawn({
        let control = control.clone();
        move || {
            std::thread::sleep(Duration::from_millis(150));
            control.end();
        }
    });
    let (ended, _) = run(&mut launcher, shell(folder.path(), "sleep 60"), &control);
    asker.join().unwrap();
    assert_eq!((ended.how, ended.cause), (How::Signal(15), Cause::Asked));
    control.end();
    let (ended, _) = run(
        &mut launcher,
        shell(folder.path(), "sleep 0.2"),
        &Control::default(),
    );
    assert_eq!((ended.how, ended.cause), (How::Code(0), Cause::Itself));
    let (ended, _) = run(&mut launcher, shell(folder.path(), "touch started"), &control);
    assert_eq!(ended.cause, Cause::Asked);
    assert!(
        !folder.path().join("started").exists(),
        "asked before it began, it must not begin"
    );
}

/// A Python program whose two children hold `mib` MiB each for `seconds`.
fn two_children(mib: u32, seconds: f32) -> String {
    format!(
        "import os,time\nfor _ in range(2):\n    if os.fork() == 0:\n        held = bytearray({mib} << 20)\n        \
         held[::4096] = b'x' * len(held[::4096])\n        time.sleep({seconds})\n        os._exit(0)\nos.wait()\nos.wait()\n"
    )
}

#[test]
fn peak_memory_is_that_of_the_whole_tree() {
    let (folder, mut launcher) = start();
    let launch = launch(
        folder.path(),
        "/usr/bin/env",
        &["python3", "-c", &two_children(60, 0.5)],
    );
    let (ended, log) = run(&mut launcher, launch, &Control::default());
    assert_eq!(ended.how, How::Code(0), "{log}");
    let mib = ended.peak_memory_bytes >> 20;
    assert!((118..165).contains(&mib), "two children of 60 MiB gave {mib} MiB");
}

#[test]
fn memory_limit_of_the_whole_tree_is_enforced() {
    let (folder, mut launcher) = start();
    let mut launch = launch(
        folder.path(),
        "/usr/bin/env",
        &["python3", "-c", &two_children(60, 30.0)],
    );
    launch.memory_limit_bytes = 100 << 20;
    let started = Instant::now();
    let (ended, _) = run(&mut launcher, launch, &Control::default());
    assert_eq!((ended.how, ended.cause), (How::Signal(9), Cause::MemoryLimit));
    assert!(ended.peak_memory_bytes > 100 << 20);
    assert!(started.elapsed() < Duration::from_secs(5));
}

#[test]
fn a_small_program_is_not_charged_for_the_size_of_the_agent() {
    let mut held = vec![0_u8; 300 << 20];
    held.iter_mut().step_by(4096).for_each(|byte| *byte = 1);
    let (folder, mut launcher) = start();
    let (ended, _) = run(
        &mut launcher,
        launch(folder.path(), "/bin/true", &[]),
        &Control::default(),
    );
    assert!(held.iter().step_by(4096).all(|byte| *byte == 1));
    let mib = ended.peak_memory_bytes >> 20;
    assert!(mib < 24, "`true` took {mib} MiB");
}

#[test]
fn processor_time_of_children_counts() {
    let (folder, mut launcher) = start();
    let script = "sh -c 'i=0; while [ $i -lt 200000 ]; do i=$((i+1)); done'";
    let (ended, _) = run(&mut launcher, shell(folder.path(), script), &Control::default());
    assert!(ended.user_ms >= 20, "{ended:?}");
    assert!(ended.user_ms <= ended.elapsed_ms + 20, "{ended:?}");
}

/// A launcher that is driven by hand, so that its input can be closed or its parent killed.
fn raw_launcher_running(launch: &Launch) -> std::process::Child {
    let [program, word] = command();
    let mut child = Command::new(program)
        .arg(word)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut bytes = Vec::new();
    tidemill_agent::launcher::write_launch(&mut bytes, launch).unwrap();
    child.stdin.as_mut().unwrap().write_all(&bytes).unwrap();
    child
}

#[test]
fn closing_the_input_ends_everything() {
    let folder = tempfile::tempdir().unwrap();
    let (script, note) = stubborn(folder.path());
    let mut child = raw_launcher_running(&shell(folder.path(), &format!("{script} trap '' TERM; sleep 60")));
    let pid = await_number(&note);
    assert!(lives(pid));
    drop(child.stdin.take());
    assert!(await_gone(pid, Duration::from_secs(5)));
    assert!(child.wait().unwrap().success());
}

#[test]
fn a_launcher_that_is_asked_to_end_takes_everything_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let (script, note) = stubborn(folder.path());
    let mut child = raw_launcher_running(&shell(folder.path(), &format!("{script} sleep 60")));
    let pid = await_number(&note);
    let asked = Command::new("kill").arg(child.id().to_string()).status().unwrap();
    assert!(asked.success());
    assert!(await_gone(pid, Duration::from_secs(5)));
    child.wait().unwrap();
}

#[test]
fn a_lost_launcher_is_an_error_and_its_item_is_ended() {
    let (folder, mut launcher) = start();
    let note = folder.path().join("pid");
    let launcher_pid = launcher.pid();
    let killer = std::thread::spawn({
        let note = note.clone();
        move || {
            let pid = await_number(&note);
            std::thread::sleep(Duration::from_millis(100));
            assert!(
                Command::new("kill")
                    .args(["-9", &launcher_pid.to_string()])
                    .status()
                    .unwrap()
                    .success()
            );
            pid
        }
    });
    let script = format!("echo $$ > {}; sleep 60", note.display());
    let lost = launcher.run(shell(folder.path(), &script), &Control::default(), &mut |_| ());
    assert_eq!(lost.unwrap_err().kind(), io::ErrorKind::UnexpectedEof);
    assert!(await_gone(killer.join().unwrap(), Duration::from_secs(5)));
}
