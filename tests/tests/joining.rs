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
    init_for(studio, &[])
}

fn init_for(studio: &Studio<'_>, further: &[&str]) -> String {
    let port = studio.address.rsplit(':').next().unwrap();
    let mut command = studio.coordinator_command("init");
    command.args(["--name", "127.0.0.1", "--name", "localhost", "--port", port]);
    command.args(further);
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
    secured_with(sandbox, &[])
}

fn secured_with<'a>(sandbox: &'a Sandbox, init: &[&str]) -> (Studio<'a>, String) {
    let mut studio = Studio::plan(sandbox, &[]);
    let invitation = init_for(&studio, init);
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

/// Certificates of the studio and of its members last for this long here. Members have a third of it for renewing.
const SHORT_SECONDS: u64 = 36;

#[test]
fn certificates_are_renewed_in_time_and_who_was_away_for_too_long_is_told() {
    let begun = std::time::Instant::now();
    let sandbox = project::copies(&std::env::temp_dir(), 1);
    let (mut studio, invitation) = secured_with(&sandbox, &["--certificates", &format!("{SHORT_SECONDS}s")]);
    let identity = studio.data().join("identity");
    let authority = std::fs::read(identity.join("authority.pem")).unwrap();
    let server = std::fs::read(identity.join("server.pem")).unwrap();
    studio.start_agent_at("ash", &["--join", &invitation]);
    let joined = sandbox.tidemill(&["join", &invitation]);
    assert_eq!(joined.code, 0, "{joined:?}");
    studio.wait_for("the agent", || studio.agent_rows().len() == 1);
    let membership = |data: &Path| {
        let files = std::fs::read_dir(data.join("memberships")).unwrap();
        let paths: Vec<_> = files.map(|file| file.unwrap().path()).collect();
        assert_eq!(paths.len(), 1, "{paths:?}");
        (paths[0].clone(), std::fs::read(&paths[0]).unwrap())
    };
    let agents = sandbox.root().join("ash");
    let (_, of_agent) = membership(&agents);
    let (of_person_at, of_person) = membership(&sandbox.data());

    // Everybody gets the next one by himself: the agent and the coordinator while they run, a person with some command.
    studio.wait_for("all three to be renewed", || {
        std::thread::sleep(Duration::from_millis(500));
        assert_eq!(studio.tidemill(&["history"]).code, 0, "{}", studio.logs());
        membership(&agents).1 != of_agent
            && membership(&sandbox.data()).1 != of_person
            && std::fs::read(identity.join("server.pem")).unwrap() != server
    });
    assert_eq!(std::fs::read(identity.join("authority.pem")).unwrap(), authority);

    // When all of the first have ended, new connections are still made, to the same coordinator and to one that was away.
    while begun.elapsed() < Duration::from_secs(SHORT_SECONDS + 2) {
        std::thread::sleep(Duration::from_millis(500));
        assert_eq!(studio.tidemill(&["history"]).code, 0, "{}", studio.logs());
    }
    studio.kill_coordinator();
    studio.start_coordinator();
    studio.wait_until_reachable();
    studio.wait_for("the agent to be back", || {
        let rows = studio.agent_rows();
        rows.len() == 1 && rows[0]["state"] == "here"
    });
    let ran = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!((ran.code, ran.count("failed")), (0, 0), "{ran:?}");

    // Somebody who was on holiday meanwhile.
    std::fs::write(&of_person_at, &of_person).unwrap();
    let refused = studio.tidemill(&["history"]);
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(
        refused.stderr.contains("ended at") && refused.stderr.contains("join again"),
        "{refused:?}"
    );
    let invitation = invite(&studio, &["--for", "person"]);
    assert_eq!(sandbox.tidemill(&["join", &invitation]).code, 0);
    assert_eq!(studio.tidemill(&["history"]).code, 0);
}

#[test]
fn a_server_certificate_is_made_anew_on_request_and_at_the_start_when_it_has_ended() {
    let sandbox = project::copies(&std::env::temp_dir(), 1);
    let mut studio = Studio::plan(&sandbox, &[]);
    let refused = finish(studio.coordinator_command("renew"));
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(
        refused.stderr.contains("tidemill-coordinator init"),
        "{refused:?}"
    );
    let mut command = studio.coordinator_command("init");
    command.args(["--name", "127.0.0.1", "--certificates", "soon"]);
    let refused = finish(command);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.stderr.contains("3 years"), "{refused:?}");

    // Members join for long; then the server gets a certificate that is over at once.
    let invitation = init_for(&studio, &[]);
    studio.start_coordinator();
    studio.wait_for("to join", || sandbox.tidemill(&["join", &invitation]).code == 0);
    studio.kill_coordinator();
    std::fs::write(studio.data().join("identity/lifetime"), "1s").unwrap();
    let renewed = finish(studio.coordinator_command("renew"));
    assert_eq!(renewed.code, 0, "{renewed:?}");
    assert!(renewed.stdout.contains("127.0.0.1, localhost"), "{renewed:?}");
    std::fs::write(studio.data().join("identity/lifetime"), "3 years").unwrap();
    std::thread::sleep(Duration::from_millis(1500));
    studio.start_coordinator();
    studio.wait_until_reachable();
    assert!(
        studio.logs().contains("made the server's certificate anew"),
        "{}",
        studio.logs()
    );
}
