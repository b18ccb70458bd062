//! Forecasts against what then happens, with real processes that mostly sleep.

#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

use std::collections::BTreeMap;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use tidemill_coordinator::scheduler::simulate::{
    SimulatedAgent, SimulatedItem, SimulatedRun, Simulation, simulate,
};
use tidemill_coordinator::scheduler::{
    AgentSpec, Amount, Budget, ItemSpec, KeyId, RequirementId, SeatId, SeatUse,
};
use tidemill_tests::sandbox::{Sandbox, binary};
use tidemill_tests::studio::{Process, Studio};

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
    println!("before a run, with learned times: {off:.3} of what happened ({happened:?})");
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

/// Three steps on two agents: one has what the second step asks for, the third takes seats, and two models are equal.
fn quay_with_seats() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "quay"

[variants]
models = "base/*.txt"
name = "{stem}"

[seats]
sculptor = 2

[step.rough]
from = { file = "{model}" }
program = ["sh", "-c", "sleep 0.9$(cat $1); cp $1 $2", "sh", "{file}", "{copy}"]
makes = { copy = "{variant}.rough.txt" }
needs = { memory = "64 MiB", cores = 1 }

[step.worn]
from = { file = "rough.copy" }
program = ["sh", "-c", "sleep 1.$(cat $1); cp $1 $2", "sh", "{file}", "{copy}"]
makes = { copy = "{variant}.worn.txt" }
needs = { memory = "256 MiB", cores = 1, offers = ["lathe"] }

[step.carved]
from = { file = "worn.copy" }
program = ["sh", "-c", "sleep 1.4$(cat $1); cp $1 $2", "sh", "{file}", "{copy}"]
makes = { copy = "{variant}.carved.txt" }
needs = { memory = "64 MiB", cores = 1, seats = { sculptor = 1 } }
"#,
    );
    for number in 0..12 {
        // The last is equal to the first: its items wait for those of the other, and reuse their results.
        let hundredths = 10 + number % 11 * 17 % 83;
        sandbox.write(&format!("base/crate-{number:02}.txt"), format!("{hundredths}"));
    }
    sandbox
}

/// What each agent of the recorded run lends.
const LATHE: u32 = 1;
const AGENTS: [(&str, u32, bool); 2] = [("ash", 2, true), ("elm", 1, false)];

/// A recorded run, item by item, as the simulated scheduler takes it; and from the first start to the last end.
fn recorded(studio: &Studio<'_>, run: &str) -> (Simulation, f64) {
    let views = tidemill_tests::faults::item_views(studio, run);
    let address = |view: &Value| view["address"].as_str().unwrap().to_owned();
    let position: BTreeMap<String, u32> = (0..).zip(&views).map(|(at, view)| (address(view), at)).collect();
    let mut steps = BTreeMap::new();
    let (mut first, mut last) = (i64::MAX, 0);
    let items = views.iter().map(|view| {
        let step = address(view).rsplit('/').next().unwrap().to_owned();
        let number = steps.len() as u32;
        let attempt = view["attempts_made"].as_array().unwrap().last();
        let span = |field: &str| attempt.map_or(0, |attempt| attempt[field].as_i64().unwrap());
        let (started, ended) = (span("started_ms"), span("ended_ms"));
        if attempt.is_some() {
            (first, last) = (first.min(started), last.max(ended));
        }
        let elapsed_ms = (ended - started) as u64;
        let need = Amount {
            millicores: 1000,
            memory_bytes: view["declared"]["memory_bytes"].as_u64().unwrap(),
        };
        let mut upstream: Vec<u32> = view["upstream"]
            .as_array()
            .unwrap()
            .iter()
            .map(|up| position[up.as_str().unwrap()])
            .collect();
        upstream.sort_unstable();
        let key = view["key"].as_str().unwrap();
        SimulatedItem {
            spec: ItemSpec {
                step: *steps.entry(step.clone()).or_insert(number),
                upstream,
                need,
                seats: (step == "carved")
                    .then_some(SeatUse {
                        seat: SeatId(0),
                        count: 1,
                    })
                    .into_iter()
                    .collect(),
                expected_ms: attempt.map(|_| elapsed_ms),
                ..ItemSpec::default()
            },
            requirement: (step == "worn").then_some(RequirementId(LATHE)),
            key: Some(KeyId(
                u128::from_str_radix(&key.rsplit(':').next().unwrap()[..32], 16).unwrap(),
            )),
            elapsed_ms,
            memory_bytes: need.memory_bytes,
            ..SimulatedItem::default()
        }
    });
    let mut items: Vec<SimulatedItem> = items.collect();
    // Of items with one key only one ran, and which does is for the scheduler to say.
    for at in 0..items.len() {
        let ran = items
            .iter()
            .find(|other| other.key == items[at].key && other.spec.expected_ms.is_some());
        let elapsed_ms = ran.expect("one of each key ran").elapsed_ms;
        items[at].elapsed_ms = elapsed_ms;
        items[at].spec.expected_ms = Some(elapsed_ms);
    }
    assert!(
        items
            .iter()
            .enumerate()
            .all(|(at, item)| item.spec.upstream.iter().all(|up| (*up as usize) < at)),
        "rows stand in plan order"
    );
    let agents = AGENTS.map(|(_, cores, lathe)| {
        let lent = Amount {
            millicores: cores * 1000,
            memory_bytes: 1 << 30,
        };
        let spec = AgentSpec {
            most: lent,
            longest_lending_ms: None,
            satisfies: lathe.then_some(RequirementId(LATHE)).into_iter().collect(),
        };
        let budget = Budget {
            lent,
            accepting: true,
            lends_until_ms: None,
        };
        SimulatedAgent {
            spec,
            budgets: vec![(0, budget)],
        }
    });
    let simulation = Simulation {
        agents: agents.to_vec(),
        runs: vec![SimulatedRun {
            items,
            ..SimulatedRun::default()
        }],
        seats: vec![(SeatId(0), 2)],
        ..Simulation::default()
    };
    (simulation, (last - first) as f64)
}

/// The simulated scheduler on what a real run recorded: edges, needs, seats, offers, equal keys and durations.
#[test]
fn on_the_recorded_durations_of_a_finished_run_its_end_is_foretold_within_a_tenth() {
    let sandbox = quay_with_seats();
    let mut studio = Studio::open(&sandbox, &[]);
    for (name, cores, lathe) in AGENTS {
        let config = sandbox.root().join(format!("{name}.toml"));
        let offers = if lathe { "offers = ['lathe']\n" } else { "" };
        let text = format!("cores = {cores}\nmemory = '1 GiB'\n{offers}[tool.sh]\npath = '/bin/sh'\n");
        std::fs::write(&config, text).unwrap();
        let mut command = Command::new(binary("tidemill-agent"));
        command
            .args(["--at", &studio.address, "--name", name, "--dedicated", "--config"])
            .arg(config)
            .arg("--data")
            .arg(sandbox.root().join(name));
        let log = sandbox.root().join(format!("{name}.log"));
        studio
            .agents
            .insert(name.to_owned(), Process::start(command, log));
    }
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let outcome = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(
        (outcome.code, outcome.count("done"), outcome.count("reused")),
        (0, 33, 3),
        "{outcome:?}\n{}",
        studio.logs()
    );
    let (simulation, happened_ms) = recorded(&studio, &outcome.run());
    let simulated = simulate(&simulation);
    assert_eq!(
        (simulated.counts[0].done, simulated.counts[0].reused),
        (33, 3),
        "{simulated:?}"
    );
    let off = simulated.makespan_ms as f64 / happened_ms;
    println!(
        "foretold {} ms, happened {happened_ms} ms: {off:.3}",
        simulated.makespan_ms
    );
    assert!((0.9..=1.1).contains(&off), "{off} of {happened_ms} ms");

    // Before a run, with what was learned, and minding that only one agent has the lathe.
    let found = studio.tidemill(&["forecast", "--json", "manifest.toml", "--anew", "*"]);
    assert_eq!(found.code, 0, "{found:?}");
    let found: Value = serde_json::from_str(found.stdout.lines().last().unwrap()).unwrap();
    let ahead = span_ms(&found, "finish_ms") / happened_ms;
    println!("before a run: {ahead:.3} of what happened");
    assert!(
        (0.75..=1.25).contains(&ahead),
        "{ahead} of {happened_ms} ms: {found:#}"
    );

    // And it bites: without what keeps items apart, it would be off.
    let mut loose = simulation;
    for item in &mut loose.runs[0].items {
        (item.spec.seats, item.requirement) = (Vec::new(), None);
    }
    let sooner = simulate(&loose).makespan_ms as f64 / happened_ms;
    assert!(sooner < off, "{sooner} beside {off}");
}
