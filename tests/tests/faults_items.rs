//! Items that harm what runs them: they leave processes behind that will not end, hang, or kill their agent.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(target_os = "linux")] // looks for processes in /proc

use std::time::Duration;

use tidemill_tests::Sandbox;
use tidemill_tests::studio::Studio;

/// One variant that does `script`, and one that only copies; both delivered.
fn project(script: &str) -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "quayside"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.lift]
from = { cargo = "{model}", script = { file = "lift.sh" } }
program = ["sh", "{script}", "{variant}", "{cargo}", "{lifted}"]
makes = { lifted = "{variant}.lifted.txt" }
needs = { memory = "16 MiB", cores = 1 }
time_limit = "2 s"

[deliver]
to = "out"
what = ["lift.lifted"]
"#,
    );
    sandbox.write(
        "lift.sh",
        format!("if [ \"$1\" = bad ]; then\n{script}\nfi\ncp \"$2\" \"$3\"\n"),
    );
    sandbox.write("base/bad.txt", "a bad bale\n");
    sandbox.write("base/good.txt", "a good bale\n");
    sandbox
}

/// Processes that sleep for so many seconds, which nobody else does.
fn sleepers(seconds: u32) -> usize {
    let wanted = format!("sleep\0{seconds}\0");
    let lines = std::fs::read_dir("/proc").unwrap().flatten();
    lines
        .filter_map(|entry| std::fs::read(entry.path().join("cmdline")).ok())
        .filter(|line| line == wanted.as_bytes())
        .count()
}

#[test]
fn grandchildren_that_ignore_requests_to_end_are_ended() {
    // One in the item's own group, one in a session of its own whose parent is gone.
    let seconds = 100_000 + std::process::id() % 100_000;
    let sandbox = project(&format!(
        "trap '' TERM INT HUP\nsleep {seconds} &\n(setsid sh -c 'trap \"\" TERM; sleep {seconds}' &)\nsleep 0.3"
    ));
    let mut studio = Studio::open(&sandbox, &[]);
    studio.start_agent("ash");
    let ran = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(
        (ran.code, ran.count("done")),
        (0, 2),
        "{ran:?}\n{}",
        studio.logs()
    );
    assert_eq!(sandbox.read("out/bad.lifted.txt"), "a bad bale\n");
    studio.wait_for("everything to be ended", || sleepers(seconds) == 0);
}

#[test]
fn an_item_that_hangs_and_ignores_requests_to_end_is_ended_with_all_that_it_started() {
    let seconds = 300_000 + std::process::id() % 100_000;
    let sandbox = project(&format!(
        "trap '' TERM INT HUP\n(setsid sh -c 'trap \"\" TERM; sleep {seconds}' &)\nsleep {seconds}\nsleep {seconds}"
    ));
    let mut studio = Studio::open(&sandbox, &[]);
    studio.start_agent("ash");
    let ran = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(
        (ran.code, ran.count("done"), ran.count("failed")),
        (1, 1, 1),
        "{ran:?}\n{}",
        studio.logs()
    );
    let item = &studio
        .tidemill(&["show", "quayside.1", "bad/lift", "--json"])
        .objects("item")[0];
    assert_eq!(item["attempts_made"][0]["outcome"], "over-time", "{item:#}");
    studio.wait_for("everything to be ended", || sleepers(seconds) == 0);
    // The agent is well.
    assert_eq!(studio.agent_rows()[0]["state"], "here");
}

#[test]
fn an_item_that_kills_its_agents_is_not_tried_on_a_third() {
    // The parent of the item is its launcher, the launcher's parent the agent.
    let sandbox = project("kill -9 \"$(cut -d ' ' -f 4 /proc/$PPID/stat)\"\nsleep 5");
    let mut studio = Studio::open(&sandbox, &["--silence-limit", "2", "--lost-grace", "1"]);
    studio.start_agent("ash");
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let left = studio.tidemill(&["run", "manifest.toml", "--leave", "--json"]);
    assert_eq!(left.code, 0, "{left:?}");
    // What a service manager does: agents that ended are started again.
    let mut ended = Vec::new();
    let limit = std::time::Instant::now() + Duration::from_secs(60);
    loop {
        let row = &studio.tidemill(&["history", "--json"]).objects("run")[0];
        if row["state"] == "ended" {
            break;
        }
        assert!(std::time::Instant::now() < limit, "{row}\n{}", studio.logs());
        for name in ["ash", "elm"] {
            if studio.agents.get_mut(name).unwrap().has_ended() {
                ended.push(name);
                studio.start_agent(name);
            }
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    assert_eq!(ended.len(), 2, "{ended:?}");
    let items = studio
        .tidemill(&["show", "quayside.1", "bad/lift", "good/lift", "--json"])
        .objects("item");
    assert_eq!(items[0]["state"], "failed", "{:#}", items[0]);
    assert_eq!(
        items[0]["attempts_made"].as_array().unwrap().len(),
        2,
        "{:#}",
        items[0]
    );
    let reason = items[0]["reason"].as_str().unwrap();
    assert!(reason.contains("agent"), "{reason}");
    assert_eq!(items[1]["state"], "done", "{:#}", items[1]);
}
