//! What the programs publish about their own formats, held against the real thing: every line of `--json` against its
//! schema, manifests against theirs, and completions in a real shell. JSON Schema 2020-12 as the crate `jsonschema`
//! reads it.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::collections::BTreeSet;
use std::process::{Command, Stdio};

use serde_json::Value;
use tidemill_tests::project::{RECIPE, box_model, quay};
use tidemill_tests::sandbox::{binary, repository};
use tidemill_tests::{Sandbox, published};

/// Flips a bit in the first blob that there is.
fn damage(sandbox: &Sandbox) {
    let mut folders: Vec<_> = std::fs::read_dir(sandbox.data().join("store/blobs"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    folders.sort();
    let blob = std::fs::read_dir(&folders[0])
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let mut bytes = std::fs::read(&blob).unwrap();
    bytes[0] ^= 1;
    // A blob is read-only; a failing disk does not mind.
    std::fs::remove_file(&blob).unwrap();
    std::fs::write(&blob, bytes).unwrap();
}

#[test]
fn every_kind_of_line_is_printed_by_some_command_as_published() {
    let sandbox = quay();
    sandbox.write("broken.toml", RECIPE.replace("voxel = 0.05", "voxel = -1"));
    // A program that fails, so that lines about failures are there too.
    sandbox.write(
        "failing.toml",
        RECIPE
            .replace("name = \"quay\"", "name = \"failing\"")
            .replace("[\"cp\", \"{map}\", \"{copy}\"]", "[\"false\"]"),
    );
    let mut seen = BTreeSet::new();
    let mut check = |arguments: &[&str], code: i32| {
        let mut line: Vec<&str> = arguments.to_vec();
        line.push("--json");
        let outcome = sandbox.tidemill(&line);
        assert_eq!(outcome.code, code, "{arguments:?}: {outcome:?}");
        // Each line is held against the schema there.
        let lines = outcome.json();
        assert!(!lines.is_empty(), "{arguments:?} prints nothing");
        seen.extend(
            lines
                .iter()
                .map(|object| object["kind"].as_str().unwrap().to_owned()),
        );
    };
    check(&["check", "manifest.toml"], 0);
    check(&["check", "broken.toml"], 2);
    check(&["inspect", "base/crate-small.obj"], 0);
    check(&["forecast", "manifest.toml"], 0);
    check(&["run", "manifest.toml"], 0);
    check(&["inspect", "out/crate/crate-small_id.png"], 0);
    check(&["run", "failing.toml"], 1);
    sandbox.edit("manifest.toml", "amplitude = 0.004", "amplitude = 0.006");
    check(&["plan", "manifest.toml"], 0);
    std::fs::remove_file(sandbox.project().join("base/trough-small.obj")).unwrap();
    // What a person wrote over stays when its variant goes.
    sandbox.write("out/trough/trough-small_id.png", "mine");
    check(&["run", "manifest.toml", "--prune"], 0);
    check(&["deliver", "quay.2", "--to", "elsewhere"], 0);
    check(&["watch", "quay.2"], 0);
    check(&["history", "--step", "game"], 0);
    check(&["history", "--step", "game", "--trends"], 0);
    check(&["show", "quay.2"], 0);
    check(&["show", "quay.2", "crate-small/game"], 0);
    check(&["why", "quay.2", "crate-small/game"], 0);
    check(&["log", "quay.1", "crate-small/game"], 0);
    check(&["compare", "quay.1", "quay.2"], 0);
    check(&["approve", "quay.2", "crate-small", "--note", "good edges"], 0);
    check(&["forecast", "quay.2"], 0);
    check(&["again", "failing.1"], 1);
    check(&["report", "quay.2", "--to", "quay.html"], 0);
    check(&["store", "usage"], 0);
    check(&["store", "verify"], 0);
    check(&["store", "sweep"], 0);
    check(&["store", "thin", "--keep-days", "30"], 0);
    damage(&sandbox);
    check(&["store", "verify"], 1);
    check(&["show", "nowhere.7"], 2);
    // What takes a studio, a browser, a second save or a damaged store is held against it in the tests of those.
    let elsewhere = ["agent", "joined", "page", "stay"];
    let published = published::kinds();
    let missing: Vec<&String> = published
        .iter()
        .filter(|kind| !seen.contains(*kind) && !elsewhere.contains(&kind.as_str()))
        .collect();
    assert!(
        missing.is_empty(),
        "published and never printed here: {missing:?}"
    );
}

fn manifest_errors(text: &str) -> Vec<String> {
    let manifest: Value = serde_json::to_value(toml::from_str::<toml::Table>(text).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&published::of("manifest")).unwrap();
    let errors = validator.iter_errors(&manifest);
    errors.map(|error| error.instance_path().to_string()).collect()
}

#[test]
fn the_schema_of_manifests_takes_what_is_right_and_refuses_what_the_check_refuses() {
    let demo = std::fs::read_to_string(repository().join("client/demo/harbour/harbour.toml")).unwrap();
    assert_eq!(manifest_errors(&demo), [""; 0]);
    assert_eq!(manifest_errors(RECIPE), [""; 0]);
    for (from, to, place) in [
        ("up = \"y\"", "upwards = \"y\"", "/variants"),
        ("up = \"y\"", "up = \"x\"", "/variants/up"),
        ("#56B4E9", "blue", "/variants/tags/iron"),
        ("triangles = 300", "triangles = 0", "/step/game/ops/0"),
        ("op = \"unwrap\"", "op = \"unfold\"", "/step/game/ops/1"),
        ("[\"tag-id\", \"curvature\"]", "[\"tag-ids\"]", "/step/maps/ops/0"),
        (
            "weathered.mesh\", low",
            "weathered\", low",
            "/step/maps/from/high",
        ),
        ("partial = true", "partial = 1", "/step/sheet/partial"),
    ] {
        let broken = RECIPE.replacen(from, to, 1);
        assert_ne!(broken, RECIPE, "{from}");
        let errors = manifest_errors(&broken);
        assert_eq!(errors, [place], "{to}");
        let sandbox = Sandbox::new();
        sandbox.write("manifest.toml", &broken);
        sandbox.write("base/crate-small.obj", box_model(0.5));
        assert_eq!(sandbox.tidemill(&["check", "manifest.toml"]).code, 2, "{to}");
    }
}

/// What bash offers for a line whose last word is unfinished.
fn offered(sandbox: &Sandbox, words: &[&str]) -> BTreeSet<String> {
    let folder = binary("tidemill").parent().unwrap().to_owned();
    let path = std::env::join_paths(
        std::iter::once(folder).chain(std::env::split_paths(&std::env::var_os("PATH").unwrap())),
    );
    let line = words
        .iter()
        .map(|word| format!("'{word}'"))
        .collect::<Vec<_>>()
        .join(" ");
    let script = format!(
        "source <(tidemill doc completions bash)\n\
         COMP_WORDS=(tidemill {line}); COMP_CWORD={}; COMP_TYPE=9\n\
         called=$(complete -p tidemill | sed 's/.*-F \\([^ ]*\\).*/\\1/')\n\
         $called tidemill '{}' ''\nprintf '%s\\n' \"${{COMPREPLY[@]}}\"\n",
        words.len(),
        words.last().unwrap()
    );
    let output = Command::new("bash")
        .args(["--norc", "-c", &script])
        .current_dir(sandbox.project())
        .env("PATH", path.unwrap())
        .env("TIDEMILL_DATA", sandbox.data())
        .env_remove("TIDEMILL_AT")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert!(
        output.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| line.trim().to_owned())
        .collect()
}

#[test]
fn a_shell_completes_runs_items_and_variants() {
    let sandbox = quay();
    let has = |words: &[&str], wanted: &[&str]| {
        let found = offered(&sandbox, words);
        assert!(
            wanted.iter().all(|name| found.contains(*name)),
            "{words:?}: {found:?}"
        );
    };
    assert!(
        !offered(&sandbox, &["show", "qu"])
            .iter()
            .any(|name| name.contains("quay"))
    );
    assert!(!sandbox.data().exists(), "asking makes no data folder");
    has(
        &["run", "manifest.toml", "--only", "crate"],
        &["crate-large", "crate-small"],
    );
    assert_eq!(
        sandbox
            .tidemill(&["run", "manifest.toml", "--quiet", "--no-deliver"])
            .code,
        0
    );
    has(&["sh"], &["show"]);
    has(&["show", "qu"], &["quay", "quay.1"]);
    has(
        &["show", "--json", "quay.1", "crate-small/"],
        &["crate-small/game", "crate-small/maps"],
    );
    has(&["approve", "quay", "tr"], &["trough-large", "trough-small"]);
    assert_eq!(
        offered(&sandbox, &["approve", "quay", "nothing-like-it"]),
        BTreeSet::from([String::new()])
    );
}
