//! Real processes that are killed, stopped or cut off in the middle of a run. Whatever happens to them, the delivered
//! bytes are those of an undisturbed run, every result is recorded once, and nothing runs more often than the fault explains.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::Duration;

use tidemill_tests::Sandbox;
use tidemill_tests::faults::{self, BALES, check, quayside, started, submit};
use tidemill_tests::link::{Link, Way};
use tidemill_tests::sandbox::{copy_folder, start};
use tidemill_tests::studio::Studio;

/// A lost agent is noticed, and given up, within seconds.
const QUICK: [&str; 4] = ["--silence-limit", "2", "--lost-grace", "1"];

/// Attempts that one lost agent with one core explains: the item that runs on it, and the one before, whose process has
/// ended while its result is still on its way.
const LOST_WITH_AN_AGENT: usize = 2;

/// Two agents with one core each.
fn staffed<'a>(sandbox: &'a Sandbox, serve: &[&str]) -> Studio<'a> {
    let mut studio = Studio::open(sandbox, serve);
    studio.start_agent("ash");
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    studio
}

fn wait_for_starts(studio: &Studio<'_>, sandbox: &Sandbox, count: usize) {
    studio.wait_for("items to start", || started(sandbox) >= count);
}

#[test]
fn an_agent_is_killed() {
    let sandbox = quayside(0.5);
    let mut studio = staffed(&sandbox, &QUICK);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    studio.kill_agent("ash");
    wait_for_starts(&studio, &sandbox, 6);
    studio.start_agent("ash");
    check(&studio, &sandbox, &run, LOST_WITH_AN_AGENT);
}

#[test]
fn the_coordinator_is_killed_twice() {
    let sandbox = quayside(0.6);
    let mut studio = staffed(&sandbox, &[]);
    let run = submit(&studio);
    for count in [2, 5] {
        wait_for_starts(&studio, &sandbox, count);
        studio.kill_coordinator();
        std::thread::sleep(Duration::from_millis(300));
        studio.start_coordinator();
        studio.wait_until_reachable();
    }
    check(&studio, &sandbox, &run, 0);
    let most = faults::starts(&sandbox).into_values().max();
    assert_eq!(most, Some(1), "agents that live keep what they work on");
}

#[test]
fn coordinator_and_agent_are_killed() {
    let sandbox = quayside(0.6);
    let mut studio = staffed(&sandbox, &QUICK);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    studio.kill_agent("elm");
    studio.kill_coordinator();
    std::thread::sleep(Duration::from_millis(300));
    studio.start_agent("elm");
    studio.start_coordinator();
    studio.wait_until_reachable();
    check(&studio, &sandbox, &run, LOST_WITH_AN_AGENT);
}

#[test]
fn a_watching_client_is_killed() {
    let sandbox = quayside(0.3);
    let studio = staffed(&sandbox, &[]);
    let mut client = start(sandbox.command(&["--at", &studio.address, "run", "manifest.toml"]));
    wait_for_starts(&studio, &sandbox, 2);
    client.kill().unwrap();
    client.wait().unwrap();
    check(&studio, &sandbox, "quayside.1", 0);
}

#[test]
fn a_submitting_client_is_killed_at_any_moment() {
    let sandbox = quayside(0.05);
    let studio = staffed(&sandbox, &[]);
    for pause_ms in [2, 10, 20, 40, 80] {
        let mut client =
            start(sandbox.command(&["--at", &studio.address, "run", "manifest.toml", "--leave"]));
        std::thread::sleep(Duration::from_millis(pause_ms));
        client.kill().unwrap();
        client.wait().unwrap();
    }
    // What was submitted was submitted as a whole; items of equal keys ran once.
    let run = submit(&studio);
    let ended = studio.tidemill(&["watch", &run, "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}");
    let history = studio.tidemill(&["history", "--json"]).objects("run");
    studio.wait_for("all runs to end", || {
        let rows = studio.tidemill(&["history", "--json"]).objects("run");
        rows.len() == history.len() && rows.iter().all(|row| row["state"] == "ended")
    });
    for row in studio.tidemill(&["history", "--json"]).objects("run") {
        let finished = row["done"].as_u64().unwrap() + row["reused"].as_u64().unwrap();
        assert_eq!(finished, faults::ITEMS as u64, "{row}");
    }
    assert_eq!(started(&sandbox), BALES);
    faults::check_delivery(&studio, &sandbox, &run);
}

/// Cuts the link of one agent for five seconds while its items run.
fn cut(way: Way, serve: &[&str], more: usize) {
    let sandbox = quayside(0.8);
    let mut studio = Studio::open(&sandbox, serve);
    let link = Link::to(&studio.address);
    studio.start_agent_at("ash", &["--at", &link.address]);
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    link.cut(way);
    std::thread::sleep(Duration::from_secs(5));
    link.mend();
    check(&studio, &sandbox, &run, more);
}

#[test]
fn a_link_is_cut_for_a_moment() {
    cut(Way::Both, &[], 0);
}

#[test]
fn a_link_is_cut_one_way_for_a_moment() {
    std::thread::scope(|scope| {
        scope.spawn(|| cut(Way::Up, &[], 0));
        scope.spawn(|| cut(Way::Down, &[], 0));
    });
}

#[test]
fn a_link_is_cut_for_longer_than_the_coordinator_waits() {
    std::thread::scope(|scope| {
        for way in [Way::Both, Way::Up, Way::Down] {
            scope.spawn(move || cut(way, &QUICK, LOST_WITH_AN_AGENT));
        }
    });
}

#[test]
#[cfg(target_os = "linux")]
fn an_agent_is_stopped_past_its_lease_and_goes_on() {
    let sandbox = quayside(0.8);
    let studio = staffed(&sandbox, &QUICK);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    let ash = i32::try_from(studio.agents["ash"].id()).unwrap();
    // Its items go on: their results are late.
    // SAFETY: sends a signal to a child that has not been waited for.
    assert_eq!(unsafe { libc::kill(ash, libc::SIGSTOP) }, 0);
    std::thread::sleep(Duration::from_secs(6));
    // SAFETY: as above.
    assert_eq!(unsafe { libc::kill(ash, libc::SIGCONT) }, 0);
    check(&studio, &sandbox, &run, LOST_WITH_AN_AGENT);
}

#[test]
fn an_agent_is_restarted_with_results_that_nobody_heard_of() {
    let sandbox = quayside(0.4);
    let mut studio = staffed(&sandbox, &QUICK);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    studio.kill_coordinator();
    // What runs finishes meanwhile.
    std::thread::sleep(Duration::from_millis(1200));
    studio.kill_agent("ash");
    studio.start_agent("ash");
    studio.start_coordinator();
    studio.wait_until_reachable();
    check(&studio, &sandbox, &run, LOST_WITH_AN_AGENT);
}

#[test]
fn the_coordinator_is_put_back_from_an_older_copy() {
    let sandbox = quayside(0.3);
    let mut studio = staffed(&sandbox, &QUICK);
    let run = submit(&studio);
    wait_for_starts(&studio, &sandbox, 3);
    let copy = sandbox.root().join("copy");
    studio.kill_coordinator();
    copy_folder(&studio.data(), &copy);
    studio.start_coordinator();
    studio.wait_until_reachable();
    wait_for_starts(&studio, &sandbox, 6);
    studio.kill_coordinator();
    std::fs::remove_dir_all(studio.data()).unwrap();
    std::fs::rename(&copy, studio.data()).unwrap();
    studio.start_coordinator();
    studio.wait_until_reachable();
    // Of what was finished since the copy nobody knows any more; it runs again, once.
    check(&studio, &sandbox, &run, 2);
    let starts = faults::starts(&sandbox);
    assert!(starts.values().all(|count| *count <= 2), "{starts:?}");
}

#[test]
#[cfg(target_os = "linux")]
fn a_clock_is_hours_ahead() {
    let library = "/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1";
    if !std::path::Path::new(library).exists() {
        return faults::skip("there is no libfaketime (Debian's package of that name)");
    }
    let sandbox = quayside(0.2);
    let mut studio = Studio::open(&sandbox, &QUICK);
    studio.start_agent("elm");
    for (name, offset) in [("ash", "+3h"), ("oak", "-50d")] {
        let address = studio.address.clone();
        let mut command = studio.agent_command(name, &["--at", &address]);
        command.env("LD_PRELOAD", library).env("FAKETIME", offset);
        command.env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
        let log = sandbox.root().join(format!("{name}.log"));
        let agent = tidemill_tests::studio::Process::start(command, log);
        studio.agents.insert(name.to_owned(), agent);
    }
    studio.wait_for("three agents", || studio.agent_rows().len() == 3);
    let run = submit(&studio);
    check(&studio, &sandbox, &run, 0);
    let now_ms = std::time::UNIX_EPOCH.elapsed().unwrap().as_millis() as u64;
    let mut agents = std::collections::BTreeSet::new();
    for item in faults::item_views(&studio, &run) {
        let attempt = &item["attempts_made"][0];
        agents.insert(attempt["agent"].as_str().unwrap().to_owned());
        assert!(attempt["elapsed_ms"].as_u64().unwrap() < 60_000, "{attempt}");
        for moment in ["started_ms", "ended_ms"] {
            let moment = attempt[moment].as_u64().unwrap();
            assert!(
                now_ms.abs_diff(moment) < 600_000,
                "the coordinator's clock counts: {attempt}"
            );
        }
    }
    assert_eq!(agents.len(), 3, "{agents:?}");
}
