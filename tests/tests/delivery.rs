//! Delivery into a folder that people work in as well: what it replaces, what it leaves, what it removes, and what
//! `kill -9` leaves behind.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::PathBuf;
use std::time::{Duration, Instant};

use tidemill_tests::Sandbox;
use tidemill_tests::sandbox::{kills, start};

const LEDGER: &str = ".berth.tidemill-delivered";

/// Three files for each variant; the text of `mark.txt` is in all of them.
fn project(variants: usize) -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "berth"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.load]
from = { cargo = "{model}", mark = { file = "mark.txt" }, script = { file = "load.sh" } }
program = ["sh", "{script}", "{cargo}", "{mark}", "{one}", "{two}", "{three}"]
makes = { one = "{variant}.one.txt", two = "{variant}.two.txt", three = "{variant}.three.txt" }
needs = { memory = "8 MiB", cores = 1 }

[deliver]
to = "out/{variant}"
what = ["load.one", "load.two", "load.three"]
"#,
    );
    sandbox.write(
        "load.sh",
        "for target in \"$3\" \"$4\" \"$5\"; do cat \"$1\" \"$2\" > \"$target\"; head -c 40000 /dev/zero >> \"$target\"; done\n",
    );
    sandbox.write("mark.txt", "first\n");
    for number in 0..variants {
        sandbox.write(&format!("base/bale-{number:02}.txt"), format!("bale {number}\n"));
    }
    sandbox
}

fn holds(sandbox: &Sandbox, path: &str, mark: &str) -> bool {
    sandbox.read(path).contains(&format!("\n{mark}\n"))
}

#[test]
fn what_a_person_wrote_stays_until_told_otherwise() {
    let sandbox = project(3);
    sandbox.write("out/bale-01/bale-01.two.txt", "mine");
    let first = sandbox.run(&[]);
    assert_eq!(first.code, 1, "{first:?}");
    let held = first.objects("held");
    assert_eq!(held.len(), 1, "{first:?}");
    let reason = held[0]["reason"].as_str().unwrap();
    assert!(
        reason.contains("out/bale-01/bale-01.two.txt was not written by Tidemill")
            && reason.contains("--replace"),
        "{reason}"
    );
    assert_eq!(
        sandbox.files("out/bale-01"),
        ["bale-01.two.txt"],
        "all or nothing"
    );
    assert_eq!(sandbox.read("out/bale-01/bale-01.two.txt"), "mine");

    let second = sandbox.run(&["--replace"]);
    assert_eq!(second.code, 0, "{second:?}");
    assert!(holds(&sandbox, "out/bale-01/bale-01.two.txt", "first"));

    // Changed by hand after the delivery: kept, and it is said which run it was from.
    sandbox.write("out/bale-02/bale-02.one.txt", "touched up");
    sandbox.write("mark.txt", "second\n");
    let third = sandbox.run(&[]);
    assert_eq!(third.code, 1, "{third:?}");
    let reason = third.objects("held")[0]["reason"].as_str().unwrap().to_owned();
    assert!(
        reason.contains(&format!("changed since it was delivered from {}", first.run())),
        "{reason}"
    );
    assert!(holds(&sandbox, "out/bale-00/bale-00.one.txt", "second"));
    assert!(
        holds(&sandbox, "out/bale-02/bale-02.two.txt", "first"),
        "all or nothing"
    );
    assert_eq!(sandbox.read("out/bale-02/bale-02.one.txt"), "touched up");

    // An older content of Tidemill's own, brought back by version control, is replaced without asking.
    let older = sandbox.read("out/bale-02/bale-02.two.txt");
    sandbox.write("out/bale-02/bale-02.one.txt", &older);
    sandbox.write("out/bale-00/bale-00.one.txt", older.replace("bale 2", "bale 0"));
    let fourth = sandbox.run(&[]);
    assert_eq!(fourth.code, 0, "{fourth:?}");
    assert!(holds(&sandbox, "out/bale-00/bale-00.one.txt", "second"));

    // The record: what was delivered where, when, from which run.
    let record = sandbox.read(LEDGER);
    let lines: Vec<serde_json::Value> = record
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let delivered = lines.iter().rfind(|line| line["kind"] == "delivered").unwrap();
    assert_eq!(delivered["run"], fourth.run().as_str());
    assert!(delivered["at_ms"].as_i64().unwrap() > 1_600_000_000_000);
    assert_eq!(delivered["files"][0]["digest"].as_str().unwrap().len(), 64);
}

#[test]
fn another_machine_knows_what_this_one_delivered() {
    let sandbox = project(2);
    assert_eq!(sandbox.run(&[]).code, 0);
    sandbox.write("mark.txt", "second\n");
    // Another data folder stands for another machine: no cache, no runs.
    let data = sandbox.root().join("other-data");
    let elsewhere = sandbox.tidemill(&["run", "manifest.toml", "--json", "--data", data.to_str().unwrap()]);
    assert_eq!(elsewhere.code, 0, "{elsewhere:?}");
    assert!(holds(&sandbox, "out/bale-01/bale-01.three.txt", "second"));
}

#[test]
fn prune_removes_what_was_delivered_and_nothing_else() {
    let sandbox = project(4);
    assert_eq!(sandbox.run(&[]).code, 0);
    sandbox.write("out/bale-03/notes.txt", "mine");
    sandbox.write("out/bale-02/bale-02.one.txt", "touched up");
    for gone in ["bale-01", "bale-02", "bale-03"] {
        std::fs::remove_file(sandbox.project().join(format!("base/{gone}.txt"))).unwrap();
    }
    let plain = sandbox.run(&[]);
    assert_eq!(plain.code, 0, "{plain:?}");
    assert_eq!(
        sandbox.files("out").len(),
        4 * 3 + 1,
        "nothing is removed unasked"
    );

    let part = sandbox.run(&["--only", "bale-00", "--prune"]);
    assert_eq!(sandbox.files("out").len(), 4 * 3 + 1, "{part:?}");

    let pruned = sandbox.run(&["--prune"]);
    assert_eq!(pruned.code, 0, "{pruned:?}");
    assert_eq!(pruned.summary()["removed"], 8);
    assert_eq!(
        sandbox.files("out"),
        [
            "bale-00/bale-00.one.txt",
            "bale-00/bale-00.three.txt",
            "bale-00/bale-00.two.txt",
            "bale-02/bale-02.one.txt",
            "bale-03/notes.txt"
        ]
    );
    assert!(
        !sandbox.project().join("out/bale-01").exists(),
        "empty folders go"
    );
    let kept = pruned.objects("kept");
    assert_eq!(kept[0]["path"], "out/bale-02/bale-02.one.txt");
}

#[test]
#[cfg(unix)]
fn a_read_only_target_is_said_and_the_studios_command_makes_it_writable() {
    use std::os::unix::fs::PermissionsExt as _;
    let sandbox = project(2);
    assert_eq!(sandbox.run(&[]).code, 0);
    sandbox.write("mark.txt", "second\n");
    let locked = sandbox.project().join("out/bale-00/bale-00.two.txt");
    std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o444)).unwrap();
    let refused = sandbox.run(&[]);
    assert_eq!(refused.code, 1, "{refused:?}");
    let reason = refused.objects("held")[0]["reason"].as_str().unwrap().to_owned();
    assert!(
        reason.contains("bale-00.two.txt is read-only") && reason.contains("--before"),
        "{reason}"
    );
    assert!(
        holds(&sandbox, "out/bale-00/bale-00.one.txt", "first"),
        "all or nothing"
    );
    assert!(holds(&sandbox, "out/bale-01/bale-01.one.txt", "second"));

    let failing = sandbox.run(&["--before", "false"]);
    let reason = failing.objects("held")[0]["reason"].as_str().unwrap().to_owned();
    assert!(reason.contains("`false` (--before) refused"), "{reason}");

    // Our own: notes the files, then makes them writable.
    sandbox.write(
        "checkout.sh",
        "echo \"$@\" >> asked\nshift\nfor file in \"$@\"; do if [ -e \"$file\" ]; then chmod u+w \"$file\"; fi; done\n",
    );
    let script = sandbox.project().join("checkout.sh");
    let arguments = ["sh", script.to_str().unwrap(), "edit"];
    let flags: Vec<&str> = arguments.iter().flat_map(|word| ["--before", word]).collect();
    let delivered = sandbox.run(&flags);
    assert_eq!(delivered.code, 0, "{delivered:?}");
    assert!(holds(&sandbox, "out/bale-00/bale-00.two.txt", "second"));
    let asked = sandbox.read("asked");
    assert_eq!(asked.lines().count(), 1, "{asked}");
    assert!(
        asked.starts_with("edit /") && asked.matches("bale-00.").count() == 3,
        "{asked}"
    );
    assert!(
        !asked.contains("bale-01"),
        "unchanged files are left alone: {asked}"
    );
}

/// Hidden files below `out`: parts and old files of a delivery that was cut off.
fn debris(sandbox: &Sandbox) -> Vec<String> {
    let files = sandbox.files("out");
    files
        .into_iter()
        .filter(|file| file.contains("tidemill-"))
        .collect()
}

#[test]
fn kill_9_leaves_whole_files_and_nothing_to_repair() {
    const VARIANTS: usize = 24;
    let sandbox = project(VARIANTS);
    let first = sandbox.run(&[]);
    assert_eq!(first.code, 0, "{first:?}");
    sandbox.write("mark.txt", "second\n");
    let second = sandbox.run(&["--no-deliver"]);
    assert_eq!(second.code, 0, "{second:?}");
    let runs = [(first.run(), "first"), (second.run(), "second")];
    let texts = |mark: &str, number: usize| {
        let mut text = format!("bale {number}\n{mark}\n").into_bytes();
        text.resize(text.len() + 40_000, 0);
        text
    };

    let begun = Instant::now();
    assert_eq!(sandbox.tidemill(&["deliver", &runs[1].0]).code, 0);
    let whole = begun.elapsed();
    let mut cut_in_between = 0;
    for round in 0..kills(16) {
        let (run, _) = &runs[round % 2];
        let mut child = start(sandbox.command(&["deliver", run]));
        // Spread over the delivery, later moments more often: at first the program only starts.
        let share = 0.3 + 0.7 * (round as f64 * 0.618).fract();
        std::thread::sleep(whole.mul_f64(share));
        child.kill().unwrap();
        child.wait().unwrap();
        let mut marks = [0, 0];
        for number in 0..VARIANTS {
            for name in ["one", "two", "three"] {
                let path: PathBuf = sandbox
                    .project()
                    .join(format!("out/bale-{number:02}/bale-{number:02}.{name}.txt"));
                let bytes = std::fs::read(&path).unwrap();
                let which = runs.iter().position(|(_, mark)| bytes == texts(mark, number));
                marks[which.unwrap_or_else(|| panic!("{} is torn", path.display()))] += 1;
            }
        }
        cut_in_between += usize::from(marks[0] > 0 && marks[1] > 0);
        if round % 4 == 3 {
            let (run, mark) = &runs[(round / 4) % 2];
            let deadline = Instant::now() + Duration::from_secs(60);
            let repaired = sandbox.tidemill(&["deliver", run, "--json"]);
            assert!(Instant::now() < deadline);
            assert_eq!(repaired.code, 0, "{repaired:?}");
            for number in 0..VARIANTS {
                let path = format!("out/bale-{number:02}/bale-{number:02}.one.txt");
                assert!(holds(&sandbox, &path, mark), "{path}");
            }
            assert_eq!(debris(&sandbox), Vec::<String>::new());
        }
    }
    assert!(cut_in_between > 0, "no delivery was cut in the middle: {whole:?}");
}

/// Every blob of the store with what it holds.
fn blobs(sandbox: &Sandbox) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for shard in std::fs::read_dir(sandbox.data().join("store/blobs")).unwrap() {
        for blob in std::fs::read_dir(shard.unwrap().path()).unwrap() {
            let path = blob.unwrap().path();
            let bytes = std::fs::read(&path).unwrap();
            found.push((path, bytes));
        }
    }
    found
}

#[test]
fn what_the_store_lost_is_made_again_before_it_is_delivered() {
    let sandbox = project(3);
    let first = sandbox.run(&[]);
    assert_eq!(first.code, 0, "{first:?}");
    std::fs::remove_dir_all(sandbox.project().join("out")).unwrap();
    // One output is damaged: reuse is decided by its name alone, and reading shows that it is not what it was.
    let is_output = |bytes: &[u8]| bytes.starts_with(b"bale 1\nfirst\n");
    let (path, mut bytes) = blobs(&sandbox)
        .into_iter()
        .find(|(_, bytes)| is_output(bytes))
        .unwrap();
    bytes[100] ^= 4;
    std::fs::remove_file(&path).unwrap();
    std::fs::write(&path, &bytes).unwrap();
    let second = sandbox.run(&[]);
    assert_eq!(second.code, 0, "{second:?}");
    assert_eq!(
        (second.count("reused"), second.count("done")),
        (2, 1),
        "{second:?}"
    );
    assert!(second.stderr.contains("has lost what 1 item made"), "{second:?}");
    for number in 0..3 {
        let text = sandbox.read(&format!("out/bale-0{number}/bale-0{number}.three.txt"));
        assert!(text.starts_with(&format!("bale {number}\nfirst\n\0")) && text.len() == 40_013);
        assert!(
            text.bytes().skip(13).all(|byte| byte == 0),
            "a damaged byte was delivered"
        );
    }
    let verified = sandbox.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
}

#[test]
fn kill_9_in_a_sweep_leaves_nothing_to_repair() {
    const AT_ONCE: usize = 8;
    let all = kills(AT_ONCE);
    for first in (0..all).step_by(AT_ONCE) {
        sweep_killed_at(first..all.min(first + AT_ONCE));
    }
}

fn sweep_killed_at(rounds: std::ops::Range<usize>) {
    let sandbox = project(60);
    assert_eq!(sandbox.run(&[]).code, 0);
    sandbox.write("mark.txt", "second\n");
    assert_eq!(sandbox.run(&[]).code, 0);
    let sweep = ["store", "sweep", "--keep-runs", "1", "--json"];
    let dry = sandbox.tidemill(&sweep);
    let swept = |outcome: &tidemill_tests::sandbox::Outcome| outcome.objects("swept").pop().unwrap();
    let expected = swept(&dry)["freed_blobs"].as_u64().unwrap();
    // An output for each item (its three are equal), the plan and the changed file.
    assert_eq!(expected, 62, "{dry:?}");
    let before = blobs(&sandbox).len() as u64;
    let remove: Vec<&str> = sweep
        .iter()
        .copied()
        .chain(["--remove", "--grace", "20 ms"])
        .collect();
    for round in rounds {
        let mut child = start(sandbox.command(&remove));
        // Early and late instants in turn, never the same one twice.
        let share = (round as f64 * 0.618).fract();
        std::thread::sleep(Duration::from_millis(20).mul_f64(1.0 + 7.0 * share));
        let _ = child.kill();
        child.wait().unwrap();
    }
    let last = sandbox.tidemill(&remove);
    assert_eq!(last.code, 0, "{last:?}");
    assert_eq!(before - blobs(&sandbox).len() as u64, expected, "{last:?}");
    assert!(!sandbox.data().join("store/doomed").exists());
    let verified = sandbox.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
    let again = sandbox.run(&[]);
    assert_eq!(again.count("reused"), 60, "what is kept is reused: {again:?}");
    let usage = sandbox.tidemill(&["store", "usage", "--json"]);
    let rows = usage.objects("usage");
    assert_eq!(rows[0]["of"], "all");
    assert_eq!(rows[0]["blobs"].as_u64().unwrap(), blobs(&sandbox).len() as u64);
}
