//! What a person sees of a manifest that is wrong: all of it in one go, before anything runs.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::collections::BTreeSet;

use tidemill_tests::Sandbox;
use tidemill_tests::project::{box_model, quay};

/// Codes of all diagnostics that `check --json` prints.
fn codes(sandbox: &Sandbox) -> BTreeSet<String> {
    let outcome = sandbox.tidemill(&["check", "manifest.toml", "--json"]);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    let found = outcome.objects("diagnostic");
    found
        .iter()
        .map(|row| row["code"].as_str().expect("a code").to_owned())
        .collect()
}

#[test]
fn many_errors_come_at_once_each_with_its_line() {
    let sandbox = quay();
    sandbox.edit("manifest.toml", "voxel = 0.05", "voxle = 0.05");
    sandbox.edit("manifest.toml", "op = \"wear\"", "op = \"waer\"");
    sandbox.edit("manifest.toml", "on = \"iron\"", "on = \"irom\"");
    sandbox.edit(
        "manifest.toml",
        "from = { mesh = \"weathered.mesh\" }",
        "from = { mesh = \"wethered.mesh\" }",
    );
    sandbox.edit("manifest.toml", "partial = true", "partail = true");
    let outcome = sandbox.tidemill(&["check", "manifest.toml"]);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    for part in [
        "voxle",
        "waer",
        "irom",
        "wethered",
        "partail",
        "remesh",
        "manifest.toml:15:20",
    ] {
        assert!(outcome.stderr.contains(part), "{part}: {}", outcome.stderr);
    }
    assert!(codes(&sandbox).len() >= 4, "{:?}", codes(&sandbox));
    let run = sandbox.run(&[]);
    assert_eq!(run.code, 2, "{run:?}");
    assert!(sandbox.files("out").is_empty());
}

#[test]
fn untagged_faces_are_counted_and_their_file_named() {
    let sandbox = quay();
    let model = box_model(0.5)
        .replace("usemtl iron\n", "usemtl\n")
        .replace("usemtl timber\n", "");
    sandbox.write("base/crate-small.obj", model);
    let outcome = sandbox.tidemill(&["check", "manifest.toml"]);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    for part in ["base/crate-small.obj", "12"] {
        assert!(outcome.stderr.contains(part), "{part}: {}", outcome.stderr);
    }
}

#[test]
fn outputs_that_differ_only_in_case_collide() {
    let sandbox = quay();
    sandbox.edit("manifest.toml", "{variant}_id_copy.png", "{variant}_ID.PNG");
    let outcome = sandbox.tidemill(&["check", "manifest.toml"]);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    for part in ["crate-small/maps", "crate-small/copied", "crate-small_id.png"] {
        assert!(
            outcome.stderr.to_lowercase().contains(part),
            "{part}: {}",
            outcome.stderr
        );
    }
}

#[test]
fn a_program_that_is_not_there_is_found_before_anything_runs() {
    let sandbox = quay();
    sandbox.edit("manifest.toml", "[\"cp\",", "[\"no-such-press\",");
    let outcome = sandbox.run(&[]);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    assert!(format!("{outcome:?}").contains("no-such-press"), "{outcome:?}");
}
