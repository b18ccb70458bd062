//! A studio whose store is not in the coordinator's folder: on a folder share, and in a bucket behind a real
//! S3-compatible server (crates `s3s` and `s3s-fs`) on loopback.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

use std::path::{Path, PathBuf};

use tidemill_tests::Sandbox;
use tidemill_tests::bucket::{BUCKET, KEY, SECRET, Server};
use tidemill_tests::faults::{self, ITEMS};
use tidemill_tests::studio::Studio;

/// A studio with two agents. `with_key`: the agents have credentials too, so that bytes go directly.
fn studio<'a>(sandbox: &'a Sandbox, store: &str, with_key: bool) -> Studio<'a> {
    let mut studio = Studio::plan(sandbox, &["--store", store]);
    let key = [("AWS_ACCESS_KEY_ID", KEY), ("AWS_SECRET_ACCESS_KEY", SECRET)];
    studio.environment = key
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .to_vec();
    studio.start_coordinator();
    studio.wait_until_reachable();
    if !with_key {
        studio.environment = vec![("AWS_ACCESS_KEY_ID".to_owned(), "stranger".to_owned())];
        studio
            .environment
            .push(("AWS_SECRET_ACCESS_KEY".to_owned(), "none".to_owned()));
    }
    studio.start_agent("one");
    studio.start_agent("two");
    studio
}

/// All blobs as files, which is how both kinds of place keep them here.
fn blobs(root: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for shard in std::fs::read_dir(root.join("blobs")).unwrap() {
        for file in std::fs::read_dir(shard.unwrap().path()).unwrap() {
            found.push(file.unwrap().path());
        }
    }
    found.sort();
    found
}

/// Runs, delivers, loses and damages results, and runs again until everything is right once more.
fn works(sandbox: &Sandbox, studio: &Studio<'_>, root: &Path) {
    let run = faults::submit(studio);
    faults::check(studio, sandbox, &run, 0);
    assert!(
        !studio.data().join("store").exists(),
        "nothing lies in the data folder"
    );
    for path in blobs(root) {
        let bytes = std::fs::read(&path).unwrap();
        let name = path.file_name().unwrap().to_str().unwrap();
        assert_eq!(blake3::hash(&bytes).to_hex().as_str(), name, "a name that lies");
    }
    let usage = studio.tidemill(&["store", "usage", "--json"]);
    assert_eq!(usage.code, 0, "{usage:?}");
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");

    // One result is damaged and one is lost: both are made again, nothing wrong is delivered.
    let is_of = |end: &'static str| {
        move |path: &PathBuf| {
            std::fs::read_to_string(path)
                .is_ok_and(|text| text.starts_with("first half") && text.contains(end))
        }
    };
    let damaged = blobs(root).into_iter().find(is_of("bale 3 ")).unwrap();
    let mut bytes = std::fs::read(&damaged).unwrap();
    bytes[3] ^= 1;
    std::fs::remove_file(&damaged).unwrap();
    std::fs::write(&damaged, &bytes).unwrap();
    let lost = blobs(root).into_iter().find(is_of("bale 5 ")).unwrap();
    std::fs::remove_file(&lost).unwrap();
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_ne!(verified.code, 0, "damage is found: {verified:?}");
    std::fs::remove_dir_all(sandbox.project().join("out")).unwrap();
    let again = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(again.code, 0, "{again:?}\n{}", studio.logs());
    assert_eq!(
        again.count("done") + again.count("reused"),
        ITEMS as u64,
        "{again:?}"
    );
    assert!((1..=6).contains(&again.count("done")), "{again:?}");
    faults::check_delivery(studio, sandbox, &again.run());
    assert!(
        lost.exists() && std::fs::read(&damaged).unwrap() != bytes,
        "both are there again"
    );

    // A model changes; what only older runs needed goes, and is made once more when the model is as it was.
    let model = sandbox.read("base/bale-00.txt");
    sandbox.write("base/bale-00.txt", "another cargo\n");
    let changed = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver"]);
    assert_eq!(
        (changed.code, changed.count("done")),
        (0, 3),
        "{changed:?}\n{}",
        studio.logs()
    );
    let before = blobs(root).len() as u64;
    let sweep = ["store", "sweep", "--keep-runs", "1", "--json"];
    let dry = studio.tidemill(&sweep);
    let removed = studio.tidemill(&[&sweep[..], &["--remove", "--grace", "20 ms"]].concat());
    assert_eq!(removed.code, 0, "{removed:?}\n{}", studio.logs());
    let freed =
        |outcome: &tidemill_tests::Outcome| outcome.objects("swept")[0]["freed_blobs"].as_u64().unwrap();
    assert!(freed(&removed) >= 3, "{removed:?}");
    assert_eq!(freed(&dry), freed(&removed), "a dry run says exactly what goes");
    assert_eq!(before - blobs(root).len() as u64, freed(&removed));
    sandbox.write("base/bale-00.txt", model);
    let anew = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(anew.code, 0, "{anew:?}\n{}", studio.logs());
    assert!(anew.count("done") >= 2, "{anew:?}");
    faults::check_delivery(studio, sandbox, &anew.run());
}

#[test]
fn a_bucket_that_agents_reach_holds_a_whole_run_and_heals() {
    let sandbox = faults::quayside(0.05);
    let server = Server::start(&sandbox.root().join("server"));
    let studio = studio(&sandbox, &server.address("mill/one").to_string(), true);
    works(
        &sandbox,
        &studio,
        &sandbox.root().join("server").join(BUCKET).join("mill/one"),
    );
    let log = std::fs::read_to_string(sandbox.root().join("one.log")).unwrap();
    assert!(!log.contains("cannot be used directly"), "{log}");
    assert!(!studio.logs().contains(SECRET));
}

#[test]
fn a_bucket_that_only_the_coordinator_may_use_works_through_it() {
    let sandbox = faults::quayside(0.05);
    let server = Server::start(&sandbox.root().join("server"));
    let studio = studio(&sandbox, &server.address("").to_string(), false);
    works(&sandbox, &studio, &sandbox.root().join("server").join(BUCKET));
    let log = std::fs::read_to_string(sandbox.root().join("one.log")).unwrap();
    assert!(log.contains("cannot be used directly"), "{log}");
}

#[test]
fn a_folder_share_holds_a_whole_run_and_heals() {
    let sandbox = faults::quayside(0.05);
    let share = sandbox.root().join("share");
    std::fs::create_dir(&share).unwrap();
    let studio = studio(
        &sandbox,
        &format!("share:{}?seen_within=0", share.display()),
        true,
    );
    works(&sandbox, &studio, &share);
}

/// The coordinator is gone, and its data folder says where its store is.
#[test]
fn a_record_is_thinned_where_its_store_is_and_leaves_no_coordinator_open() {
    let sandbox = faults::quayside(0.05);
    sandbox.edit("load.sh", "sleep", "seq 1 3000\nsleep");
    let share = sandbox.root().join("share");
    std::fs::create_dir(&share).unwrap();
    let address = format!("share:{}?seen_within=0", share.display());
    let mut studio = studio(&sandbox, &address, true);
    for cargo in ["one", "another"] {
        sandbox.write("base/bale-00.txt", format!("{cargo} cargo\n"));
        let ran = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver"]);
        assert_eq!(ran.code, 0, "{ran:?}\n{}", studio.logs());
    }
    studio.kill_coordinator();
    let owners = || -> Vec<String> {
        let files = std::fs::read_dir(share.join("owners")).unwrap();
        files
            .map(|file| std::fs::read_to_string(file.unwrap().path()).unwrap())
            .collect()
    };
    assert_eq!(owners(), ["open"]);
    let data = studio.data();
    let thin = |more: &[&str]| {
        let line = [
            "--data",
            data.to_str().unwrap(),
            "store",
            "thin",
            "--keep-runs",
            "1",
            "--json",
        ];
        let outcome = sandbox.tidemill(&[&line[..], more].concat());
        assert_eq!(outcome.code, 0, "{outcome:?}");
        assert_eq!(owners(), ["closed"], "what it keeps is told, and nobody is asked");
        outcome.objects("thinned").remove(0)
    };
    let dry = thin(&[]);
    assert!(dry["logs"].as_u64().unwrap() >= 8, "{dry}");
    assert_eq!(thin(&["--remove"])["logs"], dry["logs"]);
    assert_eq!(thin(&[])["logs"], 0);
    assert!(
        !data.join("store").exists(),
        "nothing was put where the store is not"
    );
    studio.start_coordinator();
    studio.wait_until_reachable();
    assert_eq!(owners(), ["open"]);
    for run in ["quayside.1", "quayside.2"] {
        let shown = studio.tidemill(&["show", run, "--json"]);
        assert_eq!((shown.code, shown.objects("item").len()), (0, ITEMS), "{shown:?}");
    }
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
}

#[test]
fn a_second_coordinator_on_one_folder_is_refused_and_told_how_to_share() {
    let sandbox = faults::quayside(0.05);
    let store = sandbox.root().join("shared-by-mistake");
    let first = Studio::open(&sandbox, &["--store", store.to_str().unwrap()]);
    let mut second = std::process::Command::new(tidemill_tests::sandbox::binary("tidemill-coordinator"));
    second
        .args(["serve", "--listen", "127.0.0.1:0", "--store"])
        .arg(&store)
        .arg("--data")
        .arg(sandbox.root().join("other"));
    let outcome = tidemill_tests::sandbox::finish(second);
    assert_eq!(outcome.code, 2, "{outcome:?}");
    assert!(
        outcome.stderr.contains("in use by another coordinator"),
        "{outcome:?}"
    );
    assert!(outcome.stderr.contains("share:"), "{outcome:?}");
    drop(first);
}

/// Base models that the store loses while the run is under way can only come from the project's folder.
#[test]
fn a_lost_base_model_is_asked_again_from_the_client_and_else_named() {
    let sandbox = faults::quayside(0.4);
    let share = sandbox.root().join("share");
    std::fs::create_dir(&share).unwrap();
    let mut studio = Studio::open(
        &sandbox,
        &["--store", &format!("share:{}?seen_within=0", share.display())],
    );
    let lose = || {
        let lost = blobs(&share)
            .into_iter()
            .find(|path| std::fs::read(path).is_ok_and(|bytes| bytes == b"bale 7 of an invented cargo\n"));
        std::fs::remove_file(lost.expect("the model is in the store")).unwrap();
    };

    // Nobody follows: the run says which file is lost.
    let run = faults::submit(&studio);
    lose();
    studio.start_agent("one");
    let ended = studio.tidemill(&["watch", &run, "--json"]);
    assert_eq!(ended.code, 1, "{ended:?}");
    let said = studio.tidemill(&["show", &run, "bale-07/load"]);
    assert!(
        said.stdout.contains("the store has lost base/bale-07.txt"),
        "{said:?}"
    );
    assert!(said.stdout.contains("submit the manifest again"), "{said:?}");

    // Somebody follows, and its folder has the file.
    studio.kill_agent("one");
    let all = ["--at", studio.address.as_str(), "run", "manifest.toml", "--json"];
    let follows = tidemill_tests::sandbox::start(sandbox.command(&all));
    studio.wait_for("the run to be there", || {
        let runs = studio.tidemill(&["history", "--json"]);
        runs.objects("run").len() >= 2
    });
    lose();
    studio.start_agent("two");
    let outcome = tidemill_tests::sandbox::wait(follows);
    assert_eq!(outcome.code, 0, "{outcome:?}\n{}", studio.logs());
    assert!(
        outcome.stderr.contains("1 input was lost from the store"),
        "{outcome:?}"
    );
    faults::check_delivery(&studio, &sandbox, &outcome.run());
}
