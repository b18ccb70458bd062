//! Faults that take minutes: `cargo build --workspace --bins && TIDEMILL_SLOW=1 cargo test -p tidemill-tests --test faults_slow`.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::Duration;

use tidemill_tests::faults::{check, is_slow_wanted, quayside, skip, started, submit};
use tidemill_tests::link::{Link, Way};
use tidemill_tests::studio::Studio;

/// A link that is cut for a minute, with the settings that a studio has.
fn cut_for_a_minute(way: Way) {
    if !is_slow_wanted() {
        return skip("it takes minutes; TIDEMILL_SLOW=1 asks for it");
    }
    let sandbox = quayside(8.0);
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    studio.start_agent_at("ash", &["--at", &link.address]);
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let run = submit(&studio);
    studio.wait_for("items to start", || started(&sandbox) >= 3);
    link.cut(way);
    std::thread::sleep(Duration::from_secs(60));
    link.mend();
    check(&studio, &sandbox, &run, 2);
}

#[test]
fn both_ways_for_a_minute() {
    cut_for_a_minute(Way::Both);
}

#[test]
fn up_for_a_minute() {
    cut_for_a_minute(Way::Up);
}

#[test]
fn down_for_a_minute() {
    cut_for_a_minute(Way::Down);
}
