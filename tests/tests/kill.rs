//! `kill -9` of the embedded process in the middle of a run.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::io::{BufRead, BufReader};
use std::time::{Duration, Instant};

use serde_json::Value;
use tidemill_tests::Sandbox;
use tidemill_tests::sandbox::start;

const VARIANTS: usize = 12;

/// Items that note that they ran, write one half, wait, and write the other.
fn slow_project() -> Sandbox {
    let sandbox = Sandbox::new();
    let notes = sandbox.root().join("notes");
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "slow"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.load]
from = { cargo = "{model}", script = { file = "load.sh" } }
program = ["sh", "{script}", "{variant}", "{cargo}", "{loaded}"]
makes = { loaded = "{variant}.loaded.txt" }
needs = { memory = "8 MiB", cores = 1 }

[deliver]
to = "out"
what = ["load.loaded"]
"#,
    );
    sandbox.write(
        "load.sh",
        format!(
            "echo \"$1\" >> '{}'\nprintf 'first half of ' > \"$3\"\nsleep 0.4\ncat \"$2\" >> \"$3\"\n",
            notes.display()
        ),
    );
    for number in 0..VARIANTS {
        sandbox.write(&format!("base/bale-{number:02}.txt"), format!("bale {number}\n"));
    }
    sandbox
}

fn executions(sandbox: &Sandbox, variant: &str) -> usize {
    let notes = std::fs::read_to_string(sandbox.root().join("notes")).unwrap_or_default();
    notes.lines().filter(|line| *line == variant).count()
}

#[test]
fn finished_items_stay_finished_and_nothing_lives_on() {
    let sandbox = slow_project();
    let mut child = start(sandbox.command(&["run", "manifest.toml", "--json"]));
    let mut finished = Vec::new();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    for line in lines {
        let object: Value = serde_json::from_str(&line.unwrap()).unwrap();
        if object["kind"] == "item" && object["state"] == "done" {
            finished.push(object["address"].as_str().unwrap().replace("/load", ""));
        }
        if finished.len() >= 3 {
            break;
        }
    }
    assert!(finished.len() >= 3, "the run ended early: {finished:?}");
    // On Linux this is SIGKILL: nothing of the program runs any more.
    child.kill().unwrap();
    child.wait().unwrap();

    let deadline = Instant::now() + Duration::from_secs(5);
    while !sandbox.processes().is_empty() {
        assert!(
            Instant::now() < deadline,
            "processes live on: {:?}",
            sandbox.processes()
        );
        std::thread::sleep(Duration::from_millis(20));
    }

    let second = sandbox.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(second.code, 0, "{second:?}");
    assert!(second.count("reused") >= finished.len() as u64, "{second:?}");
    for variant in &finished {
        assert_eq!(
            executions(&sandbox, variant),
            1,
            "{variant} was finished, and ran again"
        );
    }
    for number in 0..VARIANTS {
        let text = sandbox.read(&format!("out/bale-{number:02}.loaded.txt"));
        assert_eq!(text, format!("first half of bale {number}\n"));
    }

    // The dead owner's run is closed, and says so.
    let history = sandbox.tidemill(&["history", "--json"]);
    let first = history
        .json()
        .into_iter()
        .find(|row| row["run"] == "slow.1")
        .expect("the first run");
    assert_eq!(first["state"], "ended", "{first}");
    assert!(first["stopped"].as_u64().unwrap() > 0, "{first}");
}
