//! A coordinator that is started on an older copy of its data folder, with much work done since the copy was taken. What
//! the record lost is done again or found again; nothing is lost, recorded twice, or delivered otherwise.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::{Path, PathBuf};

use tidemill_tests::Sandbox;
use tidemill_tests::faults::{BALES, ITEMS, check, item_views, quayside, started, submit};
use tidemill_tests::sandbox::copy_folder;
use tidemill_tests::studio::Studio;

fn staffed(sandbox: &Sandbox) -> Studio<'_> {
    let mut studio = Studio::open(sandbox, &["--silence-limit", "2", "--lost-grace", "1"]);
    studio.start_agent("ash");
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    studio
}

fn done(studio: &Studio<'_>, run: &str) -> u64 {
    let rows = studio.tidemill(&["show", run, "--json"]).objects("item");
    rows.iter().filter(|row| row["state"] == "done").count() as u64
}

fn place(studio: &Studio<'_>, folder: &str) -> PathBuf {
    match folder {
        "" => studio.data(),
        folder => studio.data().join(folder),
    }
}

/// Copies a folder of the coordinator's data as it is on disk while nobody writes to it.
fn copy_of(studio: &mut Studio<'_>, sandbox: &Sandbox, folder: &str) -> PathBuf {
    studio.kill_coordinator();
    let copy = sandbox.root().join("an-hour-ago");
    std::fs::create_dir_all(&copy).unwrap();
    copy_folder(&place(studio, folder), &copy);
    studio.start_coordinator();
    studio.wait_until_reachable();
    copy
}

/// The coordinator ends, and goes on with the copy in the place of what it had.
fn restore(studio: &mut Studio<'_>, copy: &Path, folder: &str) {
    studio.kill_coordinator();
    let place = place(studio, folder);
    std::fs::remove_dir_all(&place).unwrap();
    std::fs::rename(copy, &place).unwrap();
    studio.start_coordinator();
    studio.wait_until_reachable();
}

#[test]
fn the_whole_folder_is_an_hour_old() {
    let sandbox = quayside(0.4);
    let mut studio = staffed(&sandbox);
    let run = submit(&studio);
    studio.wait_for("the first results", || done(&studio, &run) >= 2);
    let copy = copy_of(&mut studio, &sandbox, "");
    let before = done(&studio, &run);
    // Work goes on, and another run is submitted, of which the copy knows nothing.
    studio.wait_for("more results", || done(&studio, &run) >= before + 6);
    sandbox.write("base/bale-99.txt", "a bale that came in later\n");
    let later = submit(&studio);
    assert_eq!(later, "quayside.2");
    studio.wait_for("some work on it", || done(&studio, &later) >= 1);
    restore(&mut studio, &copy, "");

    let unknown = studio.tidemill(&["show", &later]);
    assert_eq!(unknown.code, 2, "{unknown:?}");
    std::fs::remove_file(sandbox.project().join("base/bale-99.txt")).unwrap();
    // What ran when the copy was taken, and when the coordinator went, on both agents each time.
    check(&studio, &sandbox, &run, 8);
    assert!(
        started(&sandbox) > BALES + 1,
        "the later results are not in the copy: they were made again"
    );
    // The name that the copy does not know is given anew, and nothing is left of the first run of that name.
    sandbox.write("base/bale-99.txt", "a bale that came in later\n");
    let anew = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver"]);
    assert_eq!(
        (anew.code, anew.count("done"), anew.count("reused")),
        (0, 3, ITEMS as u64 - 1),
        "{anew:?}\n{}",
        studio.logs()
    );
}

#[test]
fn only_the_record_is_an_hour_old_and_the_store_is_not() {
    let sandbox = quayside(0.4);
    let mut studio = staffed(&sandbox);
    let run = submit(&studio);
    studio.wait_for("the first results", || done(&studio, &run) >= 2);
    let copy = copy_of(&mut studio, &sandbox, "record");
    let ended = studio.tidemill(&["watch", &run, "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}");
    restore(&mut studio, &copy, "record");
    // The record has the run open, and the store has all that it ever made.
    check(&studio, &sandbox, &run, 4);
    for item in item_views(&studio, &run) {
        for output in item["outputs"].as_array().unwrap() {
            assert!(output["digest"].as_str().is_some_and(|digest| !digest.is_empty()));
        }
    }
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
}
