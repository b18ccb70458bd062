//! The memory guard, tried with real processes in a group whose memory the kernel limits, as in a container: what happens when
//! other programs take what was lent. Linux and root; elsewhere the tests say that they did nothing.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(target_os = "linux")]

use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use tidemill_tests::Sandbox;
use tidemill_tests::load::TOUCHED_PER_BYTE;
use tidemill_tests::memory_limit::MemoryLimit;
use tidemill_tests::sandbox::binary;
use tidemill_tests::studio::{Process, Studio};

const MIB: u64 = 1 << 20;

/// Input for a process that holds so much.
fn load_of(bytes: u64, salt: usize) -> Vec<u8> {
    let mut text = format!("{salt:06}").into_bytes();
    text.resize(usize::try_from(bytes / TOUCHED_PER_BYTE).unwrap(), b'x');
    text
}

/// A project with items that hold memory until the file `sign` appears; each beside its MiB.
fn project(mebibytes: &[u64]) -> Sandbox {
    let sandbox = Sandbox::new();
    let sign = sandbox.root().join("sign");
    sandbox.write(
        "manifest.toml",
        format!(
            r#"[manifest]
name = "warehouse"

[variants]
models = "base/*.txt"
name = "{{stem}}"

[step.load]
from = {{ file = "{{model}}" }}
program = ["load", "{{file}}", "3000", "{{copy}}", '{}']
makes = {{ copy = "{{variant}}.copy.txt" }}
needs = {{ memory = "100 MiB", cores = 1 }}
"#,
            sign.display()
        ),
    );
    for (number, size) in mebibytes.iter().enumerate() {
        sandbox.write(&format!("base/load-{number}.txt"), load_of(size * MIB, number));
    }
    sandbox
}

fn with_agent<'a>(sandbox: &'a Sandbox, limit: &'a MemoryLimit) -> Studio<'a> {
    let mut studio = Studio::open(sandbox, &[]);
    studio.limits.insert("ash".into(), limit);
    let config = format!(
        "cores = 2\n[tool.load]\npath = '{}'\nversion = '1'\n",
        binary("load").display()
    );
    let address = studio.address.clone();
    let command = studio.configured_agent("ash", &["--at", &address], &config);
    studio.start_agent_by("ash", command);
    studio.wait_for("the agent", || studio.agent_rows().len() == 1);
    studio
}

fn items(studio: &Studio<'_>) -> Vec<Value> {
    let addresses = ["load-0/load", "load-1/load"];
    studio
        .tidemill(&["show", "warehouse.1", addresses[0], addresses[1], "--json"])
        .objects("item")
}

fn attempts(item: &Value) -> &Vec<Value> {
    item["attempts_made"].as_array().unwrap()
}

#[test]
fn under_pressure_the_youngest_item_is_handed_back_and_runs_again_when_there_is_room() {
    let size = 640 * MIB;
    let Some(limit) = MemoryLimit::make("pressure", size) else {
        return;
    };
    let sandbox = project(&[40, 44]);
    let studio = with_agent(&sandbox, &limit);
    let left = studio.tidemill(&["run", "manifest.toml", "--leave", "--json"]);
    assert_eq!(left.code, 0, "{left:?}");
    // The agent's own use is small beside that of its two items.
    studio.wait_for("both to hold their memory", || {
        let before = limit.held_bytes();
        std::thread::sleep(Duration::from_millis(700));
        before > 84 * MIB && limit.held_bytes().abs_diff(before) < MIB
    });

    // Somebody else's program takes all but 24 MiB of what is left.
    let file = sandbox.root().join("other.txt");
    std::fs::write(&file, load_of(size - limit.held_bytes() - 24 * MIB, 9)).unwrap();
    let mut other = Command::new(binary("load"));
    other
        .arg(&file)
        .arg("3000")
        .arg(sandbox.root().join("other.copy"));
    let other = Process::start(limit.inside(&other), sandbox.root().join("other.log"));
    studio.wait_for("one to be handed back", || {
        items(&studio).iter().any(|item| {
            attempts(item)
                .iter()
                .any(|attempt| attempt["outcome"] == "handed-back")
        })
    });
    // It does not come back while there is no room, and the other one is left alone.
    std::thread::sleep(Duration::from_secs(4));
    let now = items(&studio);
    let (back, stays): (Vec<&Value>, Vec<&Value>) = now.iter().partition(|item| {
        attempts(item)
            .iter()
            .any(|attempt| attempt["outcome"] == "handed-back")
    });
    assert_eq!((back.len(), stays.len()), (1, 1), "{now:#?}\n{}", studio.logs());
    assert_eq!(stays[0]["state"], "running", "{now:#?}");
    assert_eq!(attempts(back[0]).len(), 1, "{now:#?}");
    assert!(matches!(back[0]["state"].as_str(), Some("ready")), "{now:#?}");
    let attempt = &attempts(back[0])[0];
    assert_eq!(attempt["charged"], false, "{attempt}");
    let reason = attempt["reason"].as_str().unwrap();
    assert!(reason.contains("short of memory"), "{attempt}");
    let address = back[0]["address"].as_str().unwrap().to_owned();

    other.kill();
    studio.wait_for("it to run again", || {
        let now = items(&studio);
        let item = now
            .iter()
            .find(|item| item["address"] == address.as_str())
            .unwrap();
        item["state"] == "running"
    });
    std::fs::write(sandbox.root().join("sign"), "").unwrap();
    let ended = studio.tidemill(&["watch", "warehouse.1", "--json"]);
    assert_eq!((ended.code, ended.count("done")), (0, 2), "{ended:?}");
    let now = items(&studio);
    let begun = |item: &Value| attempts(item)[0]["started_ms"].as_i64().unwrap();
    for item in &now {
        let made = attempts(item);
        let is_back = item["address"] == address.as_str();
        assert_eq!(made.len(), if is_back { 2 } else { 1 }, "{item:#}");
        assert_eq!(made[made.len() - 1]["outcome"], "done", "{item:#}");
        if !is_back {
            let back = now
                .iter()
                .find(|item| item["address"] == address.as_str())
                .unwrap();
            assert!(
                begun(item) <= begun(back),
                "the youngest was handed back: {now:#?}"
            );
        }
    }
    assert_eq!(limit.ended_by_kernel(), 0, "it never came to that");
}

#[test]
fn an_item_that_grows_in_its_grandchildren_is_ended_before_the_kernel_ends_anything() {
    let size = 640 * MIB;
    let Some(limit) = MemoryLimit::make("grandchildren", size) else {
        return;
    };
    let sandbox = Sandbox::new();
    sandbox.write("base/cargo.txt", "a cargo\n");
    // Eight grandchildren with 50 MiB each, one after the other, in a session of their own.
    let load = sandbox.root().join("load.txt");
    std::fs::write(&load, load_of(50 * MIB, 7)).unwrap();
    sandbox.write(
        "grow.sh",
        format!(
            "for one in 1 2 3 4 5 6 7 8; do\n  (setsid {} '{}' 3000 /dev/null &)\n  sleep 0.3\ndone\nsleep 300\n",
            binary("load").display(),
            load.display()
        ),
    );
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "growing"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.grow]
from = { cargo = "{model}", script = { file = "grow.sh" } }
program = ["sh", "{script}", "{out}"]
makes = { out = "{variant}.out.txt" }
needs = { memory = "120 MiB", cores = 1 }
retries = 0
"#,
    );
    let mut studio = Studio::open(&sandbox, &[]);
    studio.limits.insert("ash".into(), &limit);
    let address = studio.address.clone();
    let config = "cores = 1\n[tool.sh]\npath = '/bin/sh'\nversion = '1'\n";
    let command = studio.configured_agent("ash", &["--at", &address], config);
    studio.start_agent_by("ash", command);
    studio.wait_for("the agent", || studio.agent_rows().len() == 1);
    let left = studio.tidemill(&["run", "manifest.toml", "--leave", "--json"]);
    assert_eq!(left.code, 0, "{left:?}");
    // Each time it gets more, until it needs more than anybody lends; then it waits, and says for what.
    let item = || {
        let shown = studio.tidemill(&["show", "growing.1", "cargo/grow", "--json"]);
        shown.objects("item").remove(0)
    };
    studio.wait_for("it to need more than there is", || {
        let item = item();
        item["state"] == "ready" && attempts(&item).len() >= 2
    });
    let item = item();
    for attempt in attempts(&item) {
        assert_eq!(attempt["outcome"], "over-memory", "{item:#}");
    }
    let shown = studio.tidemill(&["show", "growing.1", "cargo/grow"]).stdout;
    assert!(shown.contains("no agent lends that much now"), "{shown}");
    studio.wait_for("everything to be ended", || limit.held_bytes() < 40 * MIB);
    assert_eq!(limit.ended_by_kernel(), 0, "the agent was quicker");
    assert_eq!(studio.agent_rows()[0]["state"], "here");
}
