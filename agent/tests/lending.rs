//! What an owner allows, tried on real processes: hours, stepping aside for other programs, and leaving on a signal.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

mod common;

use std::process::{Child, Command};
use std::time::{Duration, Instant};

use common::{Joined, Mill, TcpMill, scripted};
use tidemill_proto::v1::{from_agent, to_agent};

async fn declined(joined: &mut Joined) -> String {
    match joined.hear().await {
        from_agent::Message::Declined(declined) => declined.reason,
        other => panic!("{other:?} instead of a refusal"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn room_is_free_when_the_process_is_gone_before_the_result_is_told() {
    let mut mill = Mill::start(true, |config| config.millicores = 1000);
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    let script = "sleep 0.2; cp \"$1\" \"$2\"";
    joined
        .say(to_agent::Message::Start(scripted("a", script, model)))
        .await;
    joined
        .say(to_agent::Message::Start(scripted("b", script, model)))
        .await;
    assert!(
        declined(&mut joined).await.contains("do not fit"),
        "one core, and a runs on it"
    );
    assert_eq!(joined.finished().await.outcome, "done");
    assert_eq!(joined.processes_ended, ["a"]);
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn outside_its_hours_an_agent_takes_nothing_and_says_why() {
    // Hours that ended an hour ago by the clock of a zone that is never ours alone.
    let now = jiff::Timestamp::now();
    let zone = jiff::tz::TimeZone::fixed(jiff::tz::Offset::constant(0));
    let hour = zone.to_datetime(now).hour();
    let hours = |from: i8, to: i8| {
        format!(
            "daily {:02}:00-{:02}:00",
            (hour + from).rem_euclid(24),
            (hour + to).rem_euclid(24)
        )
    };
    let (closed, open) = (hours(2, 22), hours(-2, 2));
    for (text, is_open) in [(closed, false), (open, true)] {
        let (zone, parsed) = (zone.clone(), text.parse().unwrap());
        let mut mill = Mill::start(true, move |config| {
            config.lending.hours = Some(parsed);
            config.lending.zone = zone;
        });
        let model = mill.put(b"v 0 0 0\n");
        let mut joined = mill.joined().await;
        let budget = joined.hello.budget.clone().unwrap();
        assert_eq!(budget.accepting, is_open, "{text}");
        joined
            .say(to_agent::Message::Start(scripted("a", "cp \"$1\" \"$2\"", model)))
            .await;
        if is_open {
            assert!((1..=2 * 3_600_000).contains(&budget.closes_in_ms), "{budget:?}");
            assert_eq!(joined.hello.longest_lending_ms, 4 * 3_600_000);
            assert_eq!(joined.finished().await.outcome, "done");
        } else {
            assert!(
                budget.refusal.starts_with("outside its hours until"),
                "{budget:?}"
            );
            assert_eq!(declined(&mut joined).await, budget.refusal);
        }
        mill.end().await;
    }
}

/// Memory of a program that is no item, and touched: the test's own. Filled in one go, because a virtual machine that
/// hands freed pages to its host counts them as used until the host has taken them: half a minute for some hundred MiB,
/// which is also why the threshold is a whole GiB from either side.
fn load_of(mebibytes: usize) -> Vec<u8> {
    vec![1; mebibytes << 20]
}

fn used_bytes() -> u64 {
    let mut system = sysinfo::System::new().unwrap();
    system.refresh_memory();
    system.total_memory() - system.available_memory()
}

#[tokio::test(flavor = "multi_thread")]
async fn an_agent_steps_aside_while_its_owner_takes_memory_and_comes_back_by_itself() {
    let most = used_bytes() + (1024 << 20);
    let mut mill = Mill::start(true, move |config| {
        let aside = &mut config.lending.step_aside;
        aside.memory_bytes = Some(most);
        aside.hold_after = Duration::from_millis(500);
        aside.hand_back_after = Duration::from_secs(2);
        aside.return_after = Duration::from_secs(1);
    });
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted("a", "sleep 60", model)))
        .await;
    let load = load_of(2048);
    let held = joined.report(|report| !report.accepting).await;
    assert_eq!(held.refusal, "its owner's programs are busy");
    match joined.hear().await {
        from_agent::Message::HandBack(back) => {
            assert_eq!(
                (back.lease.as_str(), back.reason.as_str()),
                ("a", "the machine's owner needs it")
            );
        }
        other => panic!("{other:?} instead of the item"),
    }
    joined
        .say(to_agent::Message::Start(scripted("b", "cp \"$1\" \"$2\"", model)))
        .await;
    assert_eq!(declined(&mut joined).await, "its owner's programs are busy");
    // Used until here, so that it is there until here.
    assert_eq!(
        load.iter()
            .step_by(4096)
            .map(|byte| usize::from(*byte))
            .sum::<usize>(),
        2048 << 8
    );
    drop(load);
    joined
        .report_within(Duration::from_secs(120), |report| report.accepting)
        .await;
    joined
        .say(to_agent::Message::Start(scripted("c", "cp \"$1\" \"$2\"", model)))
        .await;
    assert_eq!(joined.finished().await.outcome, "done");
    mill.end().await;
}

fn agent_process(mill: &TcpMill, config: &str) -> Child {
    let path = mill.folder.path().join("agent.toml");
    std::fs::write(&path, config).unwrap();
    Command::new(env!("CARGO_BIN_EXE_tidemill-agent"))
        .args(["--at", &mill.address.to_string(), "--data"])
        .arg(mill.folder.path().join("agent"))
        .arg("--config")
        .arg(&path)
        .spawn()
        .unwrap()
}

fn ask_to_end(agent: &Child) {
    // SAFETY: only asks the system to deliver a signal to our own child, which has not been waited for.
    let sent = unsafe { libc::kill(i32::try_from(agent.id()).unwrap(), libc::SIGTERM) };
    assert_eq!(sent, 0);
}

fn ends(mut agent: Child) -> Option<i32> {
    let until = Instant::now() + Duration::from_secs(20);
    loop {
        if let Some(status) = agent.try_wait().unwrap() {
            return status.code();
        }
        if Instant::now() > until {
            let _ = agent.kill();
            panic!("the agent does not end");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn on_sigterm_short_items_finish_long_ones_are_handed_back_and_goodbye_is_said() {
    let mut mill = TcpMill::start().await;
    let staged = mill.store.stage_bytes(b"v 0 0 0\n").unwrap();
    mill.store.commit(&[staged.digest]).unwrap();
    let config = "drain = '2 s'\ncores = 2\n[tool.sh]\npath = '/bin/sh'\nversion = '1'\n";
    let agent = agent_process(&mill, config);
    let mut joined = mill.joined().await;
    for (lease, script) in [("short", "sleep 1; cp \"$1\" \"$2\""), ("long", "sleep 60")] {
        let note = mill.folder.path().join(lease);
        let script = format!("touch {}; {script}", note.display());
        joined
            .say(to_agent::Message::Start(scripted(lease, &script, staged.digest)))
            .await;
        while !note.exists() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    }
    ask_to_end(&agent);
    joined.report(|report| !report.accepting).await;
    joined
        .say(to_agent::Message::Start(scripted("late", "true", staged.digest)))
        .await;
    assert_eq!(declined(&mut joined).await, "the agent is about to end");
    let finished = joined.finished().await;
    assert_eq!(
        (finished.lease.as_str(), finished.outcome.as_str()),
        ("short", "done")
    );
    joined
        .say(to_agent::Message::Settled(tidemill_proto::v1::Settled {
            lease: "short".into(),
            accepted: true,
        }))
        .await;
    assert!(matches!(joined.hear().await, from_agent::Message::HandBack(back) if back.lease == "long"));
    assert!(matches!(joined.hear().await, from_agent::Message::Goodbye(_)));
    drop(joined);
    assert_eq!(ends(agent), Some(0));
}
