//! Forecasts against what then happens, with real processes that mostly sleep.

#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

use std::time::{Duration, Instant};

use tidemill_tests::sandbox::Sandbox;

/// Twelve variants, each with a short step and a longer one behind it; every variant sleeps a little differently.
fn dock() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "quay"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.rough]
from = { file = "{model}" }
program = ["sh", "-c", "sleep 0.$(cat $1); cp $1 $2", "sh", "{file}", "{copy}"]
makes = { copy = "{variant}.rough.txt" }
needs = { memory = "16 MiB", cores = 1 }

[step.worn]
from = { file = "rough.copy" }
program = ["sh", "-c", "sleep 1.$(cat $1); cp $1 $2", "sh", "{file}", "{copy}"]
makes = { copy = "{variant}.worn.txt" }
needs = { memory = "16 MiB", cores = 1 }
"#,
    );
    for number in 0..12 {
        // Hundredths of a second, all different: equal files would be one item's work.
        let hundredths = 10 + number * 17 % 83;
        sandbox.write(&format!("base/crate-{number:02}.txt"), format!("{hundredths}"));
    }
    sandbox
}

fn forecast(sandbox: &Sandbox, arguments: &[&str]) -> serde_json::Value {
    let mut all = vec!["forecast", "--json"];
    all.extend(arguments);
    let outcome = sandbox.tidemill(&all);
    assert_eq!(outcome.code, 0, "{outcome:?}");
    let line = outcome.stdout.lines().last().unwrap();
    serde_json::from_str(line).unwrap()
}

fn span_ms(found: &serde_json::Value, to: &str) -> f64 {
    (found[to].as_i64().unwrap() - found["now_ms"].as_i64().unwrap()) as f64
}

#[test]
fn before_a_run_with_learned_times_its_end_is_foretold_within_a_quarter() {
    let sandbox = dock();
    let first = forecast(&sandbox, &["manifest.toml"]);
    assert_eq!(
        (first["items"].as_u64(), first["guessed"].as_u64()),
        (Some(24), Some(24))
    );
    assert_eq!(sandbox.tidemill(&["run", "manifest.toml", "--quiet"]).code, 0);
    let nothing = forecast(&sandbox, &["manifest.toml"]);
    assert_eq!(nothing["items"], 0, "all of it is there");

    let found = forecast(&sandbox, &["manifest.toml", "--anew", "*"]);
    assert_eq!(
        (found["items"].as_u64(), found["guessed"].as_u64()),
        (Some(24), Some(0))
    );
    assert_eq!(found["dominant"], "worn");
    let begun = Instant::now();
    assert_eq!(
        sandbox
            .tidemill(&["run", "manifest.toml", "--anew", "*", "--quiet"])
            .code,
        0
    );
    let happened = begun.elapsed();
    assert!(happened > Duration::from_secs(2), "{happened:?}");
    let off = span_ms(&found, "finish_ms") / happened.as_secs_f64() / 1000.0;
    assert!(
        (0.75..=1.25).contains(&off),
        "foretold {off} of what happened ({happened:?})"
    );
    assert!(span_ms(&found, "earliest_ms") <= span_ms(&found, "latest_ms"));
    // As many cores again take about half the time.
    let sooner = found["one_more_finish_ms"].as_i64().unwrap();
    assert!(sooner < found["finish_ms"].as_i64().unwrap());
}

#[test]
fn an_ended_run_has_nothing_left_and_a_run_that_is_not_there_is_an_error() {
    let sandbox = dock();
    assert_eq!(
        sandbox
            .tidemill(&["run", "manifest.toml", "--until", "rough", "--quiet"])
            .code,
        0
    );
    let found = forecast(&sandbox, &["quay.1"]);
    assert_eq!(found["finish_ms"], serde_json::Value::Null);
    assert_eq!(found["note"], "it has ended: nothing is left to do");
    let wrong = sandbox.tidemill(&["forecast", "quai.1"]);
    assert_eq!(wrong.code, 2, "{wrong:?}");
}
