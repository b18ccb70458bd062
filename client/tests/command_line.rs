//! The real program, as far as it needs neither a manifest nor a coordinator: help, versions, wrong command
//! lines, pages, figures of files, and a coordinator that is not there.

use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

use predicates::prelude::*;
use serde_json::Value;

fn tidemill(data: &Path) -> assert_cmd::Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("tidemill"));
    command
        .env("TIDEMILL_DATA", data)
        .env_remove("TIDEMILL_AT")
        .env("NO_COLOR", "1");
    assert_cmd::Command::from_std(command)
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

#[test]
fn help_and_version_are_answers() {
    let data = folder();
    tidemill(data.path())
        .arg("--help")
        .assert()
        .code(0)
        .stdout(predicate::str::contains("Exit codes"));
    tidemill(data.path())
        .args(["run", "--help"])
        .assert()
        .code(0)
        .stdout(predicate::str::contains("--until"));
    tidemill(data.path())
        .arg("--version")
        .assert()
        .code(0)
        .stdout(predicate::str::starts_with("tidemill "));
}

#[test]
fn a_wrong_command_line_ends_with_2() {
    let data = folder();
    let lines: [&[&str]; 8] = [
        &[],
        &["rum"],
        &["run"],
        &["run", "m.toml", "--untill", "game"],
        &["history", "--quiet", "--verbose"],
        &["show", "dock.1", "game"],
        &["--at", "nowhere", "history"],
        &["run", "m.toml", "--leave"],
    ];
    for line in lines {
        tidemill(data.path())
            .args(line)
            .assert()
            .code(2)
            .stdout("")
            .stderr(predicate::str::is_empty().not());
    }
}

#[test]
fn a_mistyped_command_names_its_neighbour() {
    let data = folder();
    tidemill(data.path())
        .arg("delivr")
        .assert()
        .code(2)
        .stderr(predicate::str::contains("'deliver'"));
}

#[test]
fn an_absent_manifest_is_named() {
    let data = folder();
    tidemill(data.path())
        .args(["check", "absent.toml"])
        .assert()
        .code(2)
        .stderr("error: cannot read the manifest absent.toml: it does not exist\n");
    let output = tidemill(data.path())
        .args(["run", "absent.toml", "--json"])
        .assert()
        .code(2)
        .get_output()
        .clone();
    let line: Value = serde_json::from_slice(&output.stdout).expect("one object");
    assert_eq!(
        (line["kind"].as_str(), line["exit"].as_u64()),
        (Some("error"), Some(2))
    );
}

#[test]
fn a_coordinator_that_is_not_there_ends_with_3_and_a_hint() {
    let data = folder();
    // A port that was free a moment ago.
    let address = TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .expect("a port");
    tidemill(data.path())
        .args(["history", "--at", &address.to_string()])
        .assert()
        .code(3)
        .stdout("")
        .stderr(predicate::str::contains(address.to_string()).and(predicate::str::contains("hint: ")));
}

#[test]
fn completions_and_manual_are_printed() {
    let data = folder();
    for shell in ["bash", "zsh", "fish", "powershell"] {
        tidemill(data.path())
            .args(["doc", "completions", shell])
            .assert()
            .code(0)
            .stdout(predicate::str::contains("tidemill"));
    }
    tidemill(data.path())
        .args(["doc", "man"])
        .assert()
        .code(0)
        .stdout(predicate::str::contains(".TH tidemill"));
}

#[test]
fn figures_of_a_file_are_one_object() {
    let data = folder();
    let model = data.path().join("sheet.obj");
    std::fs::write(&model, "v 0 0 0\nv 2 0 0\nv 0 3 0\nusemtl iron\nf 1 2 3\n").expect("a model");
    let output = tidemill(data.path())
        .arg("inspect")
        .arg(&model)
        .arg("--json")
        .assert()
        .code(0)
        .get_output()
        .stdout
        .clone();
    let figures: Value = serde_json::from_slice(&output).expect("one object");
    assert_eq!(figures["kind"], "model");
    assert_eq!(
        (figures["triangles"].as_u64(), figures["closed"].as_bool()),
        (Some(1), Some(false))
    );
    assert_eq!(figures["tags"]["iron"]["area"].as_f64(), Some(3.0));

    tidemill(data.path())
        .arg("inspect")
        .args([model.as_path(), Path::new("absent.obj")])
        .assert()
        .code(1)
        .stdout(predicate::str::contains("a model"))
        .stderr(predicate::str::contains(
            "absent.obj: cannot be read: it does not exist",
        ));
}

#[test]
#[cfg(unix)]
fn a_reader_that_goes_away_is_no_error() {
    use std::process::Stdio;
    let data = folder();
    let mut child = Command::new(assert_cmd::cargo::cargo_bin!("tidemill"))
        .args(["doc", "man"])
        .env("TIDEMILL_DATA", data.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert_eq!(output.status.code(), Some(0));
}
