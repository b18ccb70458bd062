//! What a studio is given beside the programs: service units and configuration, as far as they can be tried without a studio.
//! Containers are tried by `compose/try`, which needs docker.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::PathBuf;
use std::process::Command;

use tidemill_tests::Sandbox;
use tidemill_tests::faults::skip;
use tidemill_tests::sandbox::{binary, finish, repository};
use tidemill_tests::studio::Studio;

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let folder = repository().join("compose").join(folder);
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == extension))
        .collect();
    files.sort();
    files
}

/// systemd's own check (Debian's package systemd). It wants the programs to be where the units say, so they are looked at with
/// those of this build in their place.
#[test]
fn service_units_are_what_systemd_takes() {
    let units = files("studio", "service");
    assert_eq!(units.len(), 2, "{units:?}");
    let Ok(version) = Command::new("systemd-analyze").arg("--version").output() else {
        return skip("there is no systemd-analyze (Debian's package systemd)");
    };
    assert!(version.status.success(), "{version:?}");
    let folder = tempfile::tempdir().unwrap();
    let installed = "/usr/local/bin/tidemill-";
    for unit in units {
        let text = std::fs::read_to_string(&unit).unwrap();
        assert!(
            text.contains(&format!("ExecStart={installed}")),
            "{}",
            unit.display()
        );
        let programs = binary("tidemill-agent");
        let here = format!("{}/tidemill-", programs.parent().unwrap().display());
        let copy = folder.path().join(unit.file_name().unwrap());
        std::fs::write(&copy, text.replace(installed, &here)).unwrap();
        let verify = |copy: &PathBuf| {
            let mut verify = Command::new("systemd-analyze");
            verify.args(["verify", "--man=no"]).arg(copy);
            finish(verify)
        };
        let found = verify(&copy);
        assert_eq!(
            (found.code, found.stderr.as_str()),
            (0, ""),
            "{}: {found:?}",
            unit.display()
        );
        // It would have said something.
        std::fs::write(&copy, text.replace("[Service]", "[Service]\nRestartSecs=2")).unwrap();
        assert!(verify(&copy).stderr.contains("RestartSecs"));
    }
}

/// The command lines of the units are ones that the programs take.
#[test]
fn service_units_start_what_there_is() {
    for unit in files("studio", "service") {
        let text = std::fs::read_to_string(&unit).unwrap();
        let line = text
            .lines()
            .find_map(|line| line.strip_prefix("ExecStart=/usr/local/bin/"));
        let words: Vec<&str> = line.unwrap().split_whitespace().collect();
        let flags: Vec<&str> = words
            .iter()
            .copied()
            .filter(|word| word.starts_with("--"))
            .collect();
        assert!(!flags.is_empty(), "{words:?}");
        let mut command = Command::new(binary(words[0]));
        if words[1] == "serve" {
            command.arg("serve");
        }
        command.arg("--help");
        let help = finish(command);
        assert_eq!(help.code, 0, "{help:?}");
        for flag in flags {
            assert!(help.stdout.contains(flag), "{flag} is no flag: {}", help.stdout);
        }
    }
}

/// Every configuration in `compose/` is one that an agent takes: it gets as far as looking for the coordinator.
#[test]
fn configurations_are_taken_by_an_agent() {
    let mut configurations = files("agents", "toml");
    assert_eq!(configurations.len(), 3);
    configurations.extend(files("studio", "toml"));
    let sandbox = Sandbox::new();
    let mut studio = Studio::open(&sandbox, &[]);
    for (number, path) in configurations.iter().enumerate() {
        let text = std::fs::read_to_string(path).unwrap();
        let address = studio.address.clone();
        let name = format!("agent-{number}");
        let command = studio.configured_agent(&name, &["--at", &address], &text);
        studio.start_agent_by(&name, command);
    }
    studio.wait_for("all agents", || studio.agent_rows().len() == configurations.len());
}
