//! Joining a studio over TLS, with real processes on loopback: who gets in, who does not, and what they are told.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use tidemill_tests::project::quay;
use tidemill_tests::sandbox::{Outcome, binary, finish};
use tidemill_tests::studio::Studio;
use tidemill_tests::{Sandbox, project};

/// Sets up certificates for loopback, and gives the invitation.
fn init(studio: &Studio<'_>) -> String {
    let port = studio.address.rsplit(':').next().unwrap();
    let mut command = studio.coordinator_command("init");
    command.args(["--name", "127.0.0.1", "--name", "localhost", "--port", port]);
    let outcome = finish(command);
    assert_eq!(outcome.code, 0, "{outcome:?}");
    outcome.stdout.trim().to_owned()
}

fn invite(studio: &Studio<'_>, arguments: &[&str]) -> String {
    let mut command = studio.coordinator_command("invite");
    command.args(arguments);
    let outcome = finish(command);
    assert_eq!(outcome.code, 0, "{outcome:?}");
    outcome.stdout.trim().to_owned()
}

/// A coordinator that speaks TLS, and its first invitation.
fn secured(sandbox: &Sandbox) -> (Studio<'_>, String) {
    let mut studio = Studio::plan(sandbox, &[]);
    let invitation = init(&studio);
    studio.start_coordinator();
    studio.wait_for("the port", || {
        std::net::TcpStream::connect(&studio.address).is_ok()
    });
    (studio, invitation)
}

/// `tidemill` as another user of the machine would run it.
fn stranger(folder: &Path, arguments: &[&str]) -> Outcome {
    let mut command = Command::new(binary("tidemill"));
    command
        .args(arguments)
        .env("TIDEMILL_DATA", folder)
        .env("NO_COLOR", "1")
        .env_remove("TIDEMILL_AT");
    finish(command)
}

/// The same text with one hexadecimal digit of a part changed.
fn damaged(invitation: &str, part: usize) -> String {
    let mut parts: Vec<String> = invitation.split('/').map(str::to_owned).collect();
    let other = if parts[part].starts_with('0') { "1" } else { "0" };
    parts[part].replace_range(..1, other);
    parts.join("/")
}

#[test]
fn members_run_over_tls_and_deliver_what_one_machine_makes() {
    let alone = quay();
    assert_eq!(alone.run(&[]).code, 0);
    let sandbox = quay();
    let (mut studio, invitation) = secured(&sandbox);
    for name in ["ash", "elm"] {
        studio.start_agent_at(name, &["--join", &invitation]);
    }
    let joined = sandbox.tidemill(&["join", &invitation, "--json"]);
    assert_eq!(
        (joined.code, joined.json()[0]["at"].as_str()),
        (0, Some(&*studio.address))
    );
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let outcome = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!((outcome.code, outcome.count("done")), (0, 18), "{outcome:?}");
    assert_eq!(sandbox.files("out"), alone.files("out"));
    for file in alone.files("out") {
        let read = |sandbox: &Sandbox| std::fs::read(sandbox.project().join("out").join(&file)).unwrap();
        assert!(read(&sandbox) == read(&alone), "{file} differs");
    }

    // A member comes back without its invitation, and after init was run again.
    studio.kill_agent("elm");
    studio.kill_coordinator();
    init(&studio);
    studio.start_coordinator();
    studio.start_agent("elm");
    studio.wait_for("both agents", || {
        let rows = studio.agent_rows();
        rows.iter().filter(|row| row["state"] == "here").count() == 2
    });

    // Who has not joined gets nothing, and hears what to do.
    let outside = tempfile::tempdir().unwrap();
    let refused = stranger(outside.path(), &["--at", &studio.address, "history"]);
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(refused.stderr.contains("tidemill join INVITATION"), "{refused:?}");
}

#[test]
fn a_damaged_expired_or_foreign_invitation_lets_nobody_in() {
    let sandbox = project::copies(&std::env::temp_dir(), 1);
    let (studio, invitation) = secured(&sandbox);
    let folder = tempfile::tempdir().unwrap();
    let refused = |invitation: &str, words: &str| {
        let outcome = stranger(folder.path(), &["join", invitation]);
        assert!(outcome.code == 2 || outcome.code == 3, "{outcome:?}");
        assert!(outcome.stderr.contains(words), "{words}: {outcome:?}");
        let mut command = studio.agent_command("oak", &["--join", invitation]);
        command.env_remove("TIDEMILL_AT");
        let outcome = finish(command);
        assert!(outcome.code == 1 || outcome.code == 2, "{outcome:?}");
        assert!(outcome.stderr.contains(words), "{words}: {outcome:?}");
    };
    refused(&damaged(&invitation, 1), "no such invitation");
    refused(
        &damaged(&invitation, 2),
        "not the coordinator that the invitation is from",
    );
    refused(&invitation[..invitation.len() - 1], "no whole invitation");
    let expired = invite(&studio, &["--valid", "1s"]);
    std::thread::sleep(Duration::from_millis(1100));
    refused(&expired, "the invitation expired at");

    let agents = invite(&studio, &["--for", "agent"]);
    let outcome = stranger(folder.path(), &["join", &agents]);
    assert_eq!(outcome.code, 3, "{outcome:?}");
    assert!(
        outcome.stderr.contains("the invitation is for agents"),
        "{outcome:?}"
    );
    assert!(!folder.path().join("memberships").exists(), "nothing was kept");
    // Else everything above might have failed for another reason.
    assert_eq!(stranger(folder.path(), &["join", &invitation]).code, 0);
}

#[test]
fn a_member_of_another_studio_is_a_stranger() {
    let (first, second) = (
        project::copies(&std::env::temp_dir(), 1),
        project::copies(&std::env::temp_dir(), 1),
    );
    let (mut studio, invitation) = secured(&first);
    assert_eq!(first.tidemill(&["join", &invitation]).code, 0);
    assert_eq!(studio.tidemill(&["history"]).code, 0);
    studio.kill_coordinator();
    // Another coordinator takes the address over.
    let mut other = Studio::plan(&second, &[]);
    other.address.clone_from(&studio.address);
    init(&other);
    other.start_coordinator();
    other.wait_for("the port", || {
        std::net::TcpStream::connect(&other.address).is_ok()
    });
    let refused = studio.tidemill(&["history"]);
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(refused.stderr.contains("cannot be reached"), "{refused:?}");
}

#[test]
fn nothing_crosses_the_network_in_plain_text() {
    let sandbox = project::copies(&std::env::temp_dir(), 1);
    let studio = Studio::plan(&sandbox, &[]);
    let mut command = studio.coordinator_command("serve");
    command.args(["--listen", "0.0.0.0:0"]);
    let refused = finish(command);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(
        refused.stderr.contains("tidemill-coordinator init"),
        "{refused:?}"
    );

    let refused = sandbox.tidemill(&["--at", "10.255.0.1:7420", "history"]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.stderr.contains("tidemill join INVITATION"), "{refused:?}");

    let refused = finish(studio.agent_command("ash", &["--at", "mill.example:7420"]));
    assert_eq!(refused.code, 1, "{refused:?}");
    assert!(
        refused.stderr.contains("tidemill-agent --join INVITATION"),
        "{refused:?}"
    );

    init(&studio);
    let mut command = studio.coordinator_command("serve");
    command.args(["--listen", "0.0.0.0:0", "--plain"]);
    let refused = finish(command);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.stderr.contains("--plain is for loopback"), "{refused:?}");
}
