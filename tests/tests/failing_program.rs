//! A program that fails: what it takes along, what goes on, and what `again` does.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use tidemill_tests::project::quay;
use tidemill_tests::{Outcome, Sandbox};

/// The small project with a press that jams for `crate-small` until the file `repaired` exists.
fn jammed() -> Sandbox {
    let sandbox = quay();
    let repaired = sandbox.root().join("repaired");
    sandbox.write(
        "press.sh",
        format!(
            "echo \"pressing $3\"\nif [ \"$3\" = crate-small ] && [ ! -e '{}' ]; then\n  echo 'the press is jammed' >&2\n  exit 7\nfi\ncp \"$1\" \"$2\"\n",
            repaired.display()
        ),
    );
    let manifest = sandbox
        .read("manifest.toml")
        .replace(
            "from = { map = \"maps.tag-id\" }\nprogram = [\"cp\", \"{map}\", \"{copy}\"]",
            "from = { map = \"maps.tag-id\", script = { file = \"press.sh\" } }\nprogram = [\"sh\", \"{script}\", \"{map}\", \"{copy}\", \"{variant}\"]",
        )
        .replace(
            "[step.sheet]",
            "[step.bound]\nfrom = { map = \"copied.copy\" }\nprogram = [\"cp\", \"{map}\", \"{bound}\"]\nmakes = { bound = \"{variant}_bound.png\" }\n\n[step.sheet]",
        );
    sandbox.write("manifest.toml", manifest);
    sandbox
}

fn state<'a>(items: &'a std::collections::BTreeMap<String, serde_json::Value>, address: &str) -> &'a str {
    items[address]["state"].as_str().unwrap()
}

#[test]
fn only_what_needs_it_is_cut_off_and_again_runs_only_that() {
    let sandbox = jammed();
    let first: Outcome = sandbox.run(&[]);
    assert_eq!(first.code, 1, "{first:?}");
    assert_eq!(
        (first.count("failed"), first.count("cut-off")),
        (1, 1),
        "{first:?}"
    );
    let run = first.run();
    let items = sandbox.items(&run);
    assert_eq!(state(&items, "crate-small/copied"), "failed");
    assert_eq!(state(&items, "crate-small/bound"), "cut-off");
    assert_eq!(state(&items, "crate-large/bound"), "done");
    assert_eq!(state(&items, "family=crate/sheet"), "done", "made with a gap");

    let shown = sandbox.tidemill(&["show", &run, "crate-small/copied"]);
    assert!(
        shown.stdout.contains('7') && shown.stdout.contains("the press is jammed"),
        "{shown:?}"
    );
    let log = sandbox.tidemill(&["log", &run, "crate-small/copied"]);
    assert_eq!(
        log.stdout, "pressing crate-small\nthe press is jammed\n",
        "{log:?}"
    );
    let why = sandbox.tidemill(&["why", &run, "crate-small/bound"]);
    assert!(why.stdout.contains("crate-small/copied"), "{why:?}");

    // All or nothing: no file of the variant that failed, all of the others, both sheets.
    let files = sandbox.files("out");
    assert!(
        !files.iter().any(|file| file.contains("crate-small")),
        "{files:?}"
    );
    assert_eq!(files.len(), 3 * 4 + 2, "{files:?}");
    let gap = sandbox.project().join("out/crate/sheet-crate.png");
    let with_gap = std::fs::read(&gap).unwrap();

    std::fs::write(sandbox.root().join("repaired"), "").unwrap();
    let again = sandbox.tidemill(&["again", &run, "--json"]);
    assert_eq!(again.code, 0, "{again:?}");
    let repaired = sandbox.items(&run);
    assert_eq!(state(&repaired, "crate-small/copied"), "done");
    assert_eq!(state(&repaired, "crate-small/bound"), "done");
    for (address, row) in &repaired {
        let attempts = row["attempts"].as_u64().unwrap();
        let before = items[address]["attempts"].as_u64().unwrap();
        let affected = ["crate-small/copied", "crate-small/bound", "family=crate/sheet"];
        if !affected.contains(&address.as_str()) {
            assert_eq!(attempts, before, "{address} ran again");
        }
    }

    // The same command delivers what is whole now; the sheet no longer has its gap.
    let last = sandbox.run(&[]);
    assert_eq!(last.code, 0, "{last:?}");
    assert_eq!(sandbox.files("out").len(), 4 * 4 + 2);
    assert_ne!(std::fs::read(&gap).unwrap(), with_gap);
}

#[test]
fn a_missing_output_lists_what_is_there() {
    let sandbox = quay();
    sandbox.edit(
        "manifest.toml",
        "[\"cp\", \"{map}\", \"{copy}\"]",
        "[\"cp\", \"{map}\", \"out/stray.png\", \"{copy}x\"]",
    );
    sandbox.edit(
        "manifest.toml",
        "\"out/stray.png\", \"{copy}x\"",
        "\"out/stray.png\"",
    );
    let outcome = sandbox.run(&[]);
    assert_eq!(outcome.code, 1, "{outcome:?}");
    let shown = sandbox.tidemill(&["show", &outcome.run(), "crate-small/copied"]);
    assert!(
        shown.stdout.contains("copy") && shown.stdout.contains("stray.png"),
        "{shown:?}"
    );
}

#[test]
fn a_time_limit_ends_the_whole_tree() {
    let sandbox = quay();
    sandbox.write("stall.sh", "sleep 300 &\nsleep 300\n");
    sandbox.edit(
        "manifest.toml",
        "from = { map = \"maps.tag-id\" }\nprogram = [\"cp\", \"{map}\", \"{copy}\"]",
        "from = { map = \"maps.tag-id\", script = { file = \"stall.sh\" } }\nprogram = [\"sh\", \"{script}\", \"{map}\", \"{copy}\"]\ntime_limit = \"1 s\"",
    );
    let outcome = sandbox.run(&["--only", "crate-small"]);
    assert_eq!(outcome.code, 1, "{outcome:?}");
    assert_eq!(outcome.count("failed"), 1, "{outcome:?}");
    assert!(sandbox.processes().is_empty(), "{:?}", sandbox.processes());
    let shown = sandbox.tidemill(&["show", &outcome.run(), "crate-small/copied"]);
    assert!(shown.stdout.contains("time"), "{shown:?}");
}
