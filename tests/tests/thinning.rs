//! Thinning the record: what it forgets, what it keeps, and kill -9 at any instant of it.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::Duration;

use serde_json::Value;
use tidemill_tests::project::quay;
use tidemill_tests::sandbox::start;
use tidemill_tests::{Outcome, Sandbox};

fn ok(outcome: Outcome) -> Outcome {
    assert_eq!(outcome.code, 0, "{outcome:?}");
    outcome
}

/// Two runs in which every copy has two attempts and a log, and a decision.
fn yard() -> Sandbox {
    let sandbox = quay();
    let talking = "[step.talk]\nfrom = { map = \"maps.tag-id\" }\nretries = 1\n\
                   program = [\"sh\", \"-c\", \"seq 1 3000; exit 3\", \"PACE\", \"{note}\"]\n\
                   makes = { note = \"{variant}.note.txt\" }\n\n[step.copied]";
    sandbox.edit("manifest.toml", "[step.copied]", talking);
    assert_eq!(sandbox.run(&["--no-deliver"]).code, 1);
    sandbox.edit("manifest.toml", "PACE", "slower");
    assert_eq!(sandbox.run(&["--no-deliver"]).code, 1);
    ok(sandbox.tidemill(&["history", "--sums"]));
    sandbox
}

/// All that must stay whatever happens.
fn kept(sandbox: &Sandbox) -> Vec<Value> {
    let mut rows = ok(sandbox.tidemill(&["history", "--json"])).json();
    for run in ["quay.1", "quay.2"] {
        let items = ok(sandbox.tidemill(&["show", run, "--json"])).objects("item");
        assert_eq!(items.len(), 4 * 5 + 2, "{run}");
        rows.extend(items);
    }
    rows
}

#[test]
fn old_runs_lose_their_logs_and_nothing_that_came_of_them() {
    let sandbox = yard();
    let before = kept(&sandbox);
    let wrong = sandbox.tidemill(&["store", "thin", "--remove"]);
    assert_eq!(wrong.code, 2, "it wants a rule: {wrong:?}");
    let thinned = |arguments: &[&str]| {
        let line = [&["store", "thin", "--keep-runs", "1", "--json"], arguments].concat();
        ok(sandbox.tidemill(&line)).objects("thinned").remove(0)
    };
    let dry = thinned(&[]);
    assert_eq!(
        (&dry["removed"], &dry["runs"], &dry["attempts"]),
        (&false.into(), &1.into(), &4.into())
    );
    let log =
        |run: &str, attempt: &str| sandbox.tidemill(&["log", run, "crate-small/talk", "--attempt", attempt]);
    assert!(
        ok(log("quay.1", "1")).stdout.ends_with("\n3000\n"),
        "a dry run forgets nothing"
    );
    let done = thinned(&["--remove"]);
    assert_eq!(
        (&done["items"], &done["attempts"], &done["logs"]),
        (&dry["items"], &dry["attempts"], &dry["logs"])
    );
    assert_eq!(log("quay.1", "1").code, 2, "that attempt is gone");
    assert_eq!(ok(log("quay.1", "2")).stdout, "");
    assert!(ok(log("quay.2", "1")).stdout.ends_with("\n3000\n"));
    assert_eq!(kept(&sandbox), before);
    assert_eq!(thinned(&[])["items"], 0, "there is nothing more to forget");
    let again = sandbox.run(&["--no-deliver"]);
    assert_eq!(
        again.count("reused"),
        4 * 4 + 2,
        "results are found as before: {again:?}"
    );
}

#[test]
fn a_thinning_that_is_killed_leaves_a_whole_record() {
    let sandbox = yard();
    let before = kept(&sandbox);
    let folders = || -> Vec<String> {
        let entries = std::fs::read_dir(sandbox.data()).unwrap();
        let names = entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned());
        names.filter(|name| name.starts_with("record")).collect()
    };
    let mut cut_short = 0;
    for round in 0..12 {
        let line = ["store", "thin", "--keep-runs", "1", "--remove"];
        let mut child = start(sandbox.command(&line));
        std::thread::sleep(Duration::from_millis(5 + round * 9));
        child.kill().unwrap();
        child.wait().unwrap();
        cut_short += usize::from(folders().len() > 1);
        assert_eq!(kept(&sandbox), before, "round {round}");
        assert_eq!(folders(), ["record"], "round {round}: leftovers are removed");
    }
    // On a fast machine few are caught half-way; every state between is tried one by one beside the code.
    println!("{cut_short} were cut short while two records were there");
    ok(sandbox.tidemill(&["store", "thin", "--keep-runs", "1", "--remove"]));
    assert_eq!(kept(&sandbox), before);
}
