//! A whole agent against a coordinator that the test plays: streams, leases, results, blobs, shutdown.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

mod common;

use std::time::Duration;

use common::{Mill, named_tools, scripted, start};
use tidemill_agent::AgentError;
use tidemill_proto::Digest;
use tidemill_proto::v1::{
    Binding, End, Operation, Operations, Refused, Settled, ToolQuestion, from_agent, item, to_agent,
};

async fn settle(joined: &common::Joined, lease: &str) {
    joined
        .say(to_agent::Message::Settled(Settled {
            lease: lease.into(),
            accepted: true,
        }))
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_item_is_done_and_its_output_log_and_measures_are_told() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    assert!(joined.hello.any_program && joined.hello.operations.iter().any(|op| op.name == "remesh"));
    let script = "cat \"$1\" > \"$2\"; echo saw $1; touch stray; touch out/more; pwd";
    joined
        .say(to_agent::Message::Start(scripted("a", script, model)))
        .await;
    let finished = joined.finished().await;
    assert_eq!(
        (finished.outcome.as_str(), finished.reason.as_str()),
        ("done", "")
    );
    assert_eq!(finished.outputs.len(), 1);
    assert_eq!(mill.take(&finished.outputs[0].digest), b"v 0 0 0\n");
    assert_eq!(finished.outputs[0].size, 8);
    let log = String::from_utf8(mill.take(&finished.log)).unwrap();
    assert!(log.starts_with("saw in/model/model.obj\n"), "{log}");
    assert!(log.contains("dropped: out/more, stray"), "{log}");
    assert_eq!(
        (finished.log_tail.as_str(), finished.log_size),
        (log.as_str(), log.len() as u64)
    );
    assert_eq!(String::from_utf8_lossy(&joined.log), log, "watchers saw it live");
    let measured = finished.measured.unwrap();
    assert!(
        measured.peak_memory_bytes > 100 << 10 && measured.peak_memory_bytes < 64 << 20,
        "{measured:?}"
    );
    settle(&joined, "a").await;
    let slot = mill.folder.path().join("agent/slots/0");
    joined
        .say(to_agent::Message::Start(scripted(
            "b",
            "ls -A . in/model out tmp > \"$2\"",
            model,
        )))
        .await;
    let finished = joined.finished().await;
    let listing = String::from_utf8(mill.take(&finished.outputs[0].digest)).unwrap();
    assert!(
        !listing.contains("stray") && !listing.contains("more"),
        "a clean slot: {listing}"
    );
    assert!(
        slot.is_dir() && !mill.folder.path().join("agent/slots/1").exists(),
        "the slot is used again"
    );
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn failures_say_what_happened() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted(
            "a",
            "echo no bolts left >&2; exit 4",
            model,
        )))
        .await;
    let finished = joined.finished().await;
    assert_eq!((finished.outcome.as_str(), finished.exit_code), ("failed", 4));
    assert_eq!(finished.reason, "sh ended with exit code 4: no bolts left");
    assert_eq!(finished.log_tail, "no bolts left\n");
    joined
        .say(to_agent::Message::Start(scripted(
            "b",
            "touch out/other.txt",
            model,
        )))
        .await;
    let finished = joined.finished().await;
    assert_eq!((finished.outcome.as_str(), finished.outputs.len()), ("failed", 0));
    assert_eq!(finished.reason, "out/copy.txt was not made; out/ holds other.txt");
    let mut over = scripted("c", "sleep 30", model);
    over.item.as_mut().unwrap().time_limit_ms = 200;
    joined.say(to_agent::Message::Start(over)).await;
    assert_eq!(joined.finished().await.outcome, "over-time");
    let absent = Digest::of(b"nobody has this");
    joined
        .say(to_agent::Message::Start(scripted("d", "true", absent)))
        .await;
    let finished = joined.finished().await;
    assert_eq!(
        (finished.outcome.as_str(), finished.lacking),
        ("machine", vec![absent.to_vec()])
    );
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_damaged_blob_is_lacking_and_never_reaches_a_program() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let name = model.to_string();
    let path = mill.store.root().join("blobs").join(&name[..2]).join(&name);
    std::fs::remove_file(&path).unwrap();
    std::fs::write(&path, b"v 9 9 9\n").unwrap();
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted("a", "cat \"$1\"", model)))
        .await;
    let finished = joined.finished().await;
    assert_eq!(
        (finished.outcome.as_str(), finished.lacking),
        ("machine", vec![model.to_vec()])
    );
    assert_eq!(finished.log_tail, "");
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn built_in_operations_run_in_the_worker() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"usemtl timber\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n");
    let mut joined = mill.joined().await;
    let inspect = |name: &str| {
        item::Action::Operations(Operations {
            chain: vec![Operation {
                name: name.into(),
                version: 1,
                inputs: vec![Binding {
                    port: "mesh".into(),
                    value: "model".into(),
                }],
                outputs: vec![Binding {
                    port: "figures".into(),
                    value: "copy".into(),
                }],
                ..Operation::default()
            }],
        })
    };
    joined
        .say(to_agent::Message::Start(start(
            "a",
            inspect("inspect"),
            model,
            ".json",
        )))
        .await;
    let finished = joined.finished().await;
    assert_eq!(
        finished.outcome, "done",
        "{} {}",
        finished.reason, finished.log_tail
    );
    let figures = mill.take(&finished.outputs[0].digest);
    let figures: serde_json::Value = serde_json::from_slice(&figures).unwrap();
    assert_eq!(figures["triangles"], 1, "{figures}");
    joined
        .say(to_agent::Message::Start(start(
            "b",
            inspect("polish"),
            model,
            ".json",
        )))
        .await;
    let finished = joined.finished().await;
    assert_eq!((finished.outcome.as_str(), finished.exit_code), ("failed", 1));
    assert!(finished.reason.contains("polish"), "{}", finished.reason);
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_agent_that_cannot_see_the_store_fetches_and_sends() {
    let mut mill = Mill::start(false, |_| {});
    let big: Vec<u8> = (0..300_000_u32).flat_map(u32::to_le_bytes).collect();
    let model = mill.put(&big);
    let mut joined = mill.joined().await;
    let script = "cat \"$1\" \"$1\" > \"$2\"; echo done";
    joined
        .say(to_agent::Message::Start(scripted("a", script, model)))
        .await;
    let finished = joined.finished().await;
    assert_eq!(finished.outcome, "done", "{}", finished.reason);
    assert_eq!(
        mill.take(&finished.outputs[0].digest),
        [big.clone(), big.clone()].concat()
    );
    assert_eq!(mill.take(&finished.log), b"done\n");
    assert!(mill.folder.path().join("agent/cache/blobs").is_dir());
    let absent = Digest::of(b"nobody has this");
    joined
        .say(to_agent::Message::Start(scripted("b", "true", absent)))
        .await;
    let finished = joined.finished().await;
    assert_eq!(
        (finished.outcome.as_str(), finished.lacking),
        ("machine", vec![absent.to_vec()])
    );
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lost_stream_is_joined_again_and_results_are_told_until_settled() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted("a", "cp \"$1\" \"$2\"", model)))
        .await;
    let first = joined.finished().await;
    joined
        .say(to_agent::Message::Start(scripted(
            "b",
            "sleep 1; cp \"$1\" \"$2\"",
            model,
        )))
        .await;
    joined
        .say(to_agent::Message::Start(scripted("c", "sleep 60", model)))
        .await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    drop(joined);
    let mut joined = mill.next_stream().await;
    assert_eq!(joined.hello.holds, ["a", "b", "c"]);
    assert_eq!(joined.hello.start_id, "start");
    let held = &joined.hello.held[1];
    assert_eq!(
        (held.item.as_str(), held.run.as_str(), held.attempt),
        ("crate-small/copied", "harbour-dock.1", 1)
    );
    let welcome = mill.welcome(vec!["a".into(), "b".into()]);
    joined.say(to_agent::Message::Welcome(welcome)).await;
    assert_eq!(joined.finished().await, first, "told again, unchanged");
    assert_eq!(
        joined.finished().await.lease,
        "b",
        "it went on meanwhile; c is ended and not told"
    );
    settle(&joined, "a").await;
    settle(&joined, "b").await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    drop(joined);
    assert!(mill.joined().await.hello.holds.is_empty());
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_item_is_stopped_when_the_coordinator_says_so() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted("a", "sleep 60", model)))
        .await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    joined
        .say(to_agent::Message::End(End {
            lease: "a".into(),
            reason: "stopped".into(),
        }))
        .await;
    assert_eq!(joined.finished().await.outcome, "stopped");
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn on_shutdown_items_are_ended_and_handed_back_and_nothing_is_left() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    let note = mill.folder.path().join("pid");
    let script = format!("echo $$ > {}; sleep 60", note.display());
    joined
        .say(to_agent::Message::Start(scripted("a", &script, model)))
        .await;
    while std::fs::read(&note).map_or(0, |text| text.len()) == 0 {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    mill.shutdown.cancel();
    assert!(matches!(joined.hear().await, from_agent::Message::HandBack(back) if back.lease == "a"));
    assert!(matches!(joined.hear().await, from_agent::Message::Goodbye(_)));
    assert!(
        joined
            .last_report
            .as_ref()
            .is_some_and(|report| !report.accepting)
    );
    drop(joined);
    let pid = std::fs::read_to_string(&note).unwrap();
    mill.end().await;
    assert!(!std::path::Path::new(&format!("/proc/{}", pid.trim())).exists());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_draining_agent_finishes_what_it_has_and_takes_nothing_new() {
    let mut mill = Mill::start(true, |config| config.drain_limit = Duration::from_secs(30));
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    joined
        .say(to_agent::Message::Start(scripted(
            "a",
            "sleep 0.6; cp \"$1\" \"$2\"",
            model,
        )))
        .await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    mill.shutdown.cancel();
    tokio::time::sleep(Duration::from_millis(100)).await;
    joined
        .say(to_agent::Message::Start(scripted("b", "true", model)))
        .await;
    assert!(matches!(joined.hear().await, from_agent::Message::Declined(declined) if declined.lease == "b"));
    assert_eq!(joined.finished().await.outcome, "done");
    settle(&joined, "a").await;
    assert!(matches!(joined.hear().await, from_agent::Message::Goodbye(_)));
    drop(joined);
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn tools_of_the_path_are_known_by_version_and_digest() {
    let mut mill = Mill::start(true, |_| {});
    let mut joined = mill.joined().await;
    let mut answers = Vec::new();
    for program in ["cp", "no-such-program", "/bin/cp"] {
        joined
            .say(to_agent::Message::Tool(ToolQuestion {
                program: program.into(),
            }))
            .await;
        let from_agent::Message::Tool(answer) = joined.hear().await else {
            panic!("no answer")
        };
        assert_eq!(answer.program, program);
        answers.push(answer);
    }
    let file = std::fs::read(&answers[0].found_at).unwrap();
    let digest = format!("blake3:{}", Digest::of(&file));
    assert!(answers[0].exact.ends_with(&digest), "{}", answers[0].exact);
    assert!(
        answers[0].exact.as_bytes()[0].is_ascii_digit(),
        "a version comes first: {}",
        answers[0].exact
    );
    assert_eq!((answers[1].exact.as_str(), answers[2].exact.as_str()), ("", ""));
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_workstation_runs_only_what_its_owner_names_in_the_version_that_was_fixed() {
    let mut mill = Mill::start(true, |config| named_tools(config, "/bin/sh".as_ref()));
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    assert!(!joined.hello.any_program);
    assert_eq!(
        (
            joined.hello.tools[0].name.as_str(),
            joined.hello.tools[0].exact.as_str()
        ),
        ("sh", "5.2")
    );
    let mut other = scripted("a", "true", model);
    other.program = "cp".into();
    joined.say(to_agent::Message::Start(other)).await;
    let finished = joined.finished().await;
    assert_eq!(finished.outcome, "machine");
    assert!(
        finished.reason.contains("not among the tools"),
        "{}",
        finished.reason
    );
    let mut newer = scripted("b", "true", model);
    newer.tools = vec![tidemill_proto::v1::ToolVersion {
        name: "sh".into(),
        exact: "5.3".into(),
    }];
    joined.say(to_agent::Message::Start(newer)).await;
    let finished = joined.finished().await;
    assert_eq!(finished.reason, "sh here is 5.2, but the run uses 5.3");
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_does_not_fit_is_declined() {
    let mut mill = Mill::start(true, |_| {});
    let model = mill.put(b"v 0 0 0\n");
    let mut joined = mill.joined().await;
    let mut wide = scripted("a", "true", model);
    wide.millicores = 5000;
    joined.say(to_agent::Message::Start(wide)).await;
    assert!(matches!(joined.hear().await, from_agent::Message::Declined(declined) if declined.lease == "a"));
    let mut big = scripted("b", "true", model);
    big.estimate_memory_bytes = 1 << 60;
    joined.say(to_agent::Message::Start(big)).await;
    assert!(matches!(joined.hear().await, from_agent::Message::Declined(declined) if declined.lease == "b"));
    mill.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_ends_an_embedded_agent_with_the_reason() {
    let mut mill = Mill::start(true, |_| {});
    let joined = mill.next_stream().await;
    joined
        .say(to_agent::Message::Refused(Refused {
            reason: "another version".into(),
        }))
        .await;
    let ended = tokio::time::timeout(Duration::from_secs(10), mill.agent)
        .await
        .unwrap()
        .unwrap();
    assert!(matches!(ended, Err(AgentError::Refused(reason)) if reason == "another version"));
}
