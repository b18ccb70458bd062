//! A run that ends is told to a program of the studio's choice: as JSON, once, and whatever that program does, the studio
//! goes on.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(unix)]

use std::os::unix::fs::PermissionsExt as _;
use std::time::Duration;

use serde_json::Value;
use tidemill_tests::Sandbox;
use tidemill_tests::studio::Studio;

/// One variant that works and one that fails.
fn project() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "quayside"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.lift]
from = { cargo = "{model}", script = { file = "lift.sh" } }
program = ["sh", "{script}", "{variant}", "{cargo}", "{lifted}"]
makes = { lifted = "{variant}.lifted.txt" }
needs = { memory = "16 MiB", cores = 1 }

[step.stow]
from = { lifted = "lift.lifted" }
program = ["cp", "{lifted}", "{stowed}"]
makes = { stowed = "{variant}.stowed.txt" }
needs = { memory = "16 MiB", cores = 1 }
"#,
    );
    sandbox.write("lift.sh", "test \"$1\" = bad && exit 3\ncp \"$2\" \"$3\"\n");
    sandbox.write("base/bad.txt", "a bad bale\n");
    sandbox.write("base/good.txt", "a good bale\n");
    sandbox
}

fn run_to_its_end(studio: &Studio<'_>) -> String {
    let ran = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver", "--anew", "*"]);
    assert_eq!(ran.code, 1, "{ran:?}\n{}", studio.logs());
    ran.run()
}

#[test]
fn a_run_that_ends_is_told_to_the_studios_program_and_its_failure_is_said() {
    let sandbox = project();
    let (program, notes) = (sandbox.root().join("tell"), sandbox.root().join("notes"));
    let tell_with = |script: &str| {
        std::fs::write(&program, format!("#!/bin/sh\n{script}\n")).unwrap();
        std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o755)).unwrap();
    };
    tell_with(&format!(
        "cat >> '{0}.part' && cp '{0}.part' '{0}'",
        notes.display()
    ));
    let mut studio = Studio::open(&sandbox, &["--summary-to", program.to_str().unwrap()]);
    studio.start_agent("ash");
    studio.wait_for("the agent", || studio.agent_rows().len() == 1);
    let run = run_to_its_end(&studio);
    let told = || std::fs::read_to_string(&notes).unwrap_or_default();
    studio.wait_for("the summary", || !told().is_empty());
    assert_eq!(told().lines().count(), 1, "{}", told());
    let summary: Value = serde_json::from_str(&told()).unwrap();
    assert_eq!(summary["kind"], "run-ended", "{summary:#}");
    assert_eq!(summary["run"], run.as_str());
    let counts = &summary["counts"];
    assert_eq!(
        (&counts["done"], &counts["failed"], &counts["cut-off"]),
        (&2.into(), &1.into(), &1.into()),
        "{summary:#}"
    );
    assert_eq!(summary["failed"][0]["address"], "bad/lift");
    assert!(
        summary["failed"][0]["reason"].as_str().unwrap().contains('3'),
        "{summary:#}"
    );
    assert_eq!(summary["cut_off"][0]["address"], "bad/stow");

    let kept = studio.data().join(format!("summaries/{run}.json"));
    let kept = std::fs::read_to_string(&kept).unwrap_or_else(|error| panic!("{}: {error}", kept.display()));
    assert_eq!(serde_json::from_str::<Value>(&kept).unwrap(), summary);

    tell_with("exit 7");
    run_to_its_end(&studio);
    studio.wait_for("its failure to be said", || {
        let said = studio.logs();
        said.contains("the program that is told what comes of runs failed") && said.contains("exit status: 7")
    });

    // One that hangs holds nothing up: neither the next run nor the coordinator's end.
    let hung = sandbox.root().join("hung");
    tell_with(&format!("echo $$ >> '{}'\nexec sleep 600", hung.display()));
    run_to_its_end(&studio);
    run_to_its_end(&studio);
    studio.wait_for("it to hang", || hung.exists());
    let mut coordinator = studio.coordinator.take().unwrap();
    // SAFETY: sends a signal to a child that has not been waited for.
    let sent = unsafe { libc::kill(i32::try_from(coordinator.id()).unwrap(), libc::SIGTERM) };
    assert_eq!(sent, 0);
    studio.wait_longer("the coordinator to end", Duration::from_secs(60), || {
        coordinator.has_ended()
    });
    // What is left of the test.
    for line in std::fs::read_to_string(&hung).unwrap().lines() {
        let pid: i32 = line.parse().unwrap();
        let name = std::fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default();
        if name.trim() == "sleep" {
            // SAFETY: ends the program that was just seen to be the test's own.
            unsafe { libc::kill(pid, libc::SIGKILL) };
        }
    }
}
