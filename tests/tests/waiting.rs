//! What an item waits for, told while it waits and afterwards, with real processes.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::Duration;

use serde_json::Value;
use tidemill_tests::faults::{BALES, check, quayside, started, submit};
use tidemill_tests::studio::Studio;

fn view(studio: &Studio<'_>, run: &str, address: &str) -> Value {
    let shown = studio.tidemill(&["show", run, address, "--json"]);
    assert_eq!(shown.code, 0, "{shown:?}");
    shown.objects("item")[0].clone()
}

#[test]
fn waits_for_room_and_for_a_pause_are_told_apart_at_the_time_and_afterwards() {
    let sandbox = quayside(1.5);
    let mut studio = Studio::open(&sandbox, &[]);
    studio.start_agent("ash");
    studio.wait_for("an agent", || studio.agent_rows().len() == 1);
    let run = submit(&studio);
    let last = format!("bale-{:02}/load", BALES - 1);
    let waits_for = |address: &str| {
        view(&studio, &run, address)["waits_for"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    studio.wait_for("an item to start", || started(&sandbox) >= 1);
    studio.wait_for("the last to say how long it lacks room", || {
        let says = waits_for(&last);
        says.starts_with(
            "needs 1 core; the largest free budget is 0 cores on ash; ash frees 1 core in about ",
        )
    });
    assert_eq!(waits_for("all/tally"), "waits for bale-00/seal and 7 more");

    let paused = studio.tidemill(&["pause", &run]);
    assert_eq!(paused.code, 0, "{paused:?}");
    assert_eq!(waits_for(&last), "the run is paused");
    studio.wait_for("what runs to end", || {
        studio.agent_rows()[0]["running"].as_array().unwrap().is_empty()
    });
    let so_far = started(&sandbox);
    assert!(so_far < BALES, "{so_far} have started already");
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(started(&sandbox), so_far, "a pause holds");
    assert_eq!(studio.tidemill(&["resume", &run]).code, 0);
    check(&studio, &sandbox, &run, 0);

    let told = view(&studio, &run, &last)["waits"].as_array().unwrap().clone();
    let reasons: Vec<&str> = told.iter().map(|wait| wait["reason"].as_str().unwrap()).collect();
    let (room, pause) = ("for an agent with room", "while the run was paused");
    // It may have been the first to start after the pause.
    assert!(
        reasons == [room, pause, room] || reasons == [room, pause],
        "{reasons:?}"
    );
    let at = |field: &str| told[1][field].as_i64().unwrap();
    assert!(at("until_ms") - at("from_ms") >= 1000, "{told:?}");
    assert_eq!(told[0]["until_ms"], told[1]["from_ms"]);
}
