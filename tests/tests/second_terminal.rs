//! A second terminal beside an embedded run: watch, log, stop; and Ctrl-C in the first.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::{Duration, Instant};

use tidemill_tests::Sandbox;
use tidemill_tests::sandbox::{start, wait};

fn long_project() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "long"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.wait]
from = { cargo = "{model}", script = { file = "wait.sh" } }
program = ["sh", "{script}", "{cargo}", "{loaded}"]
makes = { loaded = "{variant}.loaded.txt" }
needs = { memory = "8 MiB", cores = 1 }
"#,
    );
    sandbox.write(
        "wait.sh",
        "echo 'the tide is out'\nif grep -q slow \"$1\"; then sleep 120; fi\ncp \"$1\" \"$2\"\n",
    );
    sandbox.write("base/quick.txt", "quick\n");
    sandbox.write("base/slow.txt", "slow\n");
    sandbox
}

/// Waits until the slow item runs and the quick one is done, as a second terminal sees it.
fn wait_until_running(sandbox: &Sandbox) {
    let deadline = Instant::now() + Duration::from_secs(30);
    loop {
        let shown = sandbox.tidemill(&["show", "long", "--json"]);
        let state = |address: &str| {
            let rows = if shown.code == 0 {
                shown.objects("item")
            } else {
                Vec::new()
            };
            rows.iter()
                .find(|row| row["address"] == address)
                .map(|row| row["state"].clone())
        };
        if state("slow/wait").is_some_and(|state| state == "running")
            && state("quick/wait").is_some_and(|state| state == "done")
        {
            return;
        }
        assert!(Instant::now() < deadline, "{shown:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn it_can_watch_read_the_log_and_stop() {
    let sandbox = long_project();
    let first = start(sandbox.command(&["run", "manifest.toml", "--json"]));
    wait_until_running(&sandbox);
    let watch = start(sandbox.command(&["watch", "long", "--json"]));

    let deadline = Instant::now() + Duration::from_secs(10);
    loop {
        let log = sandbox.tidemill(&["log", "long", "slow/wait"]);
        if log.stdout == "the tide is out\n" {
            break;
        }
        assert!(Instant::now() < deadline, "{log:?}");
        std::thread::sleep(Duration::from_millis(50));
    }

    let stop = sandbox.tidemill(&["stop", "long"]);
    assert_eq!(stop.code, 0, "{stop:?}");
    let first = wait(first);
    assert_eq!(first.code, 4, "{first:?}");
    assert_eq!((first.count("done"), first.count("stopped")), (1, 1), "{first:?}");
    let watched = wait(watch);
    assert!(watched.stdout.contains("slow/wait"), "{watched:?}");
    assert!(sandbox.processes().is_empty(), "{:?}", sandbox.processes());
}

#[cfg(unix)]
#[test]
fn ctrl_c_stops_cleanly_and_says_how_to_go_on() {
    let sandbox = long_project();
    let first = start(sandbox.command(&["run", "manifest.toml"]));
    wait_until_running(&sandbox);
    // SAFETY: kill(2) with the id of a child that was not waited for yet.
    unsafe { libc::kill(first.id() as i32, libc::SIGINT) };
    let first = wait(first);
    assert_eq!(first.code, 4, "{first:?}");
    assert!(
        first.stderr.contains("again") || first.stdout.contains("again"),
        "says how to go on: {first:?}"
    );
    assert!(sandbox.processes().is_empty(), "{:?}", sandbox.processes());

    sandbox.write("base/slow.txt", "fast\n");
    let second = sandbox.run(&[]);
    assert_eq!(
        (second.code, second.count("reused"), second.count("done")),
        (0, 1, 1),
        "{second:?}"
    );
}
