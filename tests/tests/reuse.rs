//! What runs again after a change, and what does not.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::Path;

use tidemill_tests::project::{STEPS, VARIANTS, box_model, quay};
use tidemill_tests::sandbox::{binary, finish, start, wait};
use tidemill_tests::{Outcome, Sandbox};

const ITEMS: u64 = 4 * 4 + 2;

fn first_run(sandbox: &Sandbox) -> Outcome {
    let first = sandbox.run(&[]);
    assert_eq!(first.code, 0, "{first:?}");
    assert_eq!(
        (first.count("done"), first.count("reused")),
        (ITEMS, 0),
        "{first:?}"
    );
    first
}

/// Addresses of a run's items in one state.
fn in_state(sandbox: &Sandbox, run: &Outcome, state: &str) -> Vec<String> {
    let items = sandbox.items(&run.run());
    items
        .into_iter()
        .filter(|(_, row)| row["state"] == state)
        .map(|(address, _)| address)
        .collect()
}

#[test]
fn the_same_again_starts_no_process() {
    let sandbox = quay();
    first_run(&sandbox);

    // Launcher and worker are started from the program's own path, so a program whose file is gone after its
    // start can start neither: what it still finishes, it finishes without a process for any item.
    let run_without_own_file = |name: &str| {
        let program = sandbox.root().join(name);
        std::fs::copy(binary("tidemill"), &program).unwrap();
        let child = start(sandbox.command_of(&program, &["run", "manifest.toml", "--json"]));
        std::fs::remove_file(&program).unwrap();
        wait(child)
    };
    let second = run_without_own_file("second");
    assert_eq!(second.code, 0, "{second:?}");
    assert_eq!(second.count("reused"), ITEMS, "{second:?}");
    let attempts: u64 = sandbox
        .items(&second.run())
        .values()
        .map(|row| row["attempts"].as_u64().unwrap())
        .sum();
    assert_eq!(attempts, 0);

    // The check itself can fail: with one item that has to run, the same trick ends in a failure.
    sandbox.write("base/crate-tall.obj", box_model(0.45));
    let third = run_without_own_file("third");
    assert_ne!(third.code, 0, "{third:?}");
}

#[test]
fn what_changes_no_content_reruns_nothing() {
    let sandbox = quay();
    first_run(&sandbox);

    let model = sandbox.read("base/crate-large.obj");
    std::thread::sleep(std::time::Duration::from_millis(20));
    sandbox.write("base/crate-large.obj", model);
    let touched = sandbox.run(&[]);
    assert_eq!(touched.count("reused"), ITEMS, "touched: {touched:?}");

    let renamed_step = sandbox.read("manifest.toml").replace("weathered", "rough");
    sandbox.write("manifest.toml", renamed_step);
    let renamed = sandbox.run(&[]);
    assert_eq!(renamed.count("reused"), ITEMS, "renamed step: {renamed:?}");

    let elsewhere = sandbox.root().join("elsewhere/deep");
    std::fs::create_dir_all(elsewhere.parent().unwrap()).unwrap();
    std::fs::rename(sandbox.project(), &elsewhere).unwrap();
    let mut command = sandbox.command_of(&binary("tidemill"), &["run", "manifest.toml", "--json"]);
    command.current_dir(&elsewhere);
    let moved = finish(command);
    assert_eq!(moved.count("reused"), ITEMS, "moved: {moved:?}");
}

#[test]
fn a_model_added_runs_itself_and_its_sheet_and_one_removed_only_the_sheet() {
    let sandbox = quay();
    first_run(&sandbox);

    sandbox.write("base/crate-tall.obj", box_model(0.45));
    let added = sandbox.run(&[]);
    assert_eq!(added.code, 0, "{added:?}");
    let mut expected: Vec<String> = STEPS.iter().map(|step| format!("crate-tall/{step}")).collect();
    expected.push("family=crate/sheet".to_owned());
    expected.sort();
    assert_eq!(in_state(&sandbox, &added, "done"), expected);
    assert_eq!(added.count("reused"), ITEMS - 1);

    std::fs::remove_file(sandbox.project().join("base/trough-small.obj")).unwrap();
    let removed = sandbox.run(&[]);
    assert_eq!(in_state(&sandbox, &removed, "done"), ["family=trough/sheet"]);
}

#[test]
fn a_changed_number_reruns_what_is_downstream_and_why_names_it() {
    let sandbox = quay();
    first_run(&sandbox);
    sandbox.edit("manifest.toml", "amplitude = 0.004", "amplitude = 0.006");
    let second = sandbox.run(&[]);
    assert_eq!(second.code, 0, "{second:?}");
    let done = in_state(&sandbox, &second, "done");
    for variant in VARIANTS {
        assert!(done.contains(&format!("{variant}/weathered")), "{done:?}");
        assert!(done.contains(&format!("{variant}/game")), "{done:?}");
    }
    let why = sandbox.tidemill(&["why", &second.run(), "crate-small/weathered"]);
    assert_eq!(why.code, 0, "{why:?}");
    for part in ["displace.amplitude", "0.004", "0.006"] {
        assert!(why.stdout.contains(part), "{part}: {why:?}");
    }
    let downstream = sandbox.tidemill(&["why", &second.run(), "crate-small/game"]);
    assert!(
        downstream.stdout.contains("displace.amplitude"),
        "names the root: {downstream:?}"
    );
}

#[test]
fn an_upstream_change_that_yields_the_same_bytes_stops_there() {
    let sandbox = quay();
    first_run(&sandbox);
    let model = sandbox.read("base/crate-small.obj");
    sandbox.write(
        "base/crate-small.obj",
        format!("# a remark that changes no geometry\n{model}"),
    );
    let second = sandbox.run(&[]);
    assert_eq!(in_state(&sandbox, &second, "done"), ["crate-small/weathered"]);
    assert_eq!(second.count("reused"), ITEMS - 1);
    let why = sandbox.tidemill(&["why", &second.run(), "crate-small/weathered"]);
    assert!(why.stdout.contains("base/crate-small.obj"), "{why:?}");
}

#[test]
fn delivered_files_are_written_once() {
    let sandbox = quay();
    first_run(&sandbox);
    let modified = |path: &Path| std::fs::metadata(path).unwrap().modified().unwrap();
    let files = sandbox.files("out");
    assert_eq!(files.len(), 4 * 4 + 2, "{files:?}");
    let before: Vec<_> = files
        .iter()
        .map(|file| modified(&sandbox.project().join("out").join(file)))
        .collect();
    let second = sandbox.run(&[]);
    assert_eq!(second.code, 0);
    let after: Vec<_> = files
        .iter()
        .map(|file| modified(&sandbox.project().join("out").join(file)))
        .collect();
    assert_eq!(before, after, "unchanged files are not written again");
}
