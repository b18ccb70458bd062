//! `run --stay` beside an editor: saved, half-saved, broken, mended and deleted files, each taken up once it is whole.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::io::BufRead as _;
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::Value;
use tidemill_tests::project::{box_model, quay};
use tidemill_tests::{Sandbox, published};

/// A program that stays, and the lines that it prints.
struct Staying {
    child: Child,
    lines: Receiver<Value>,
}

impl Staying {
    fn start(sandbox: &Sandbox) -> Self {
        let mut child = sandbox
            .command(&["run", "manifest.toml", "--json", "--stay"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = std::io::BufReader::new(child.stdout.take().unwrap());
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            let objects = out.lines().map_while(Result::ok);
            for line in objects {
                let object = serde_json::from_str(&line).unwrap();
                published::check(&object);
                let _ = sender.send(object);
            }
        });
        Self { child, lines }
    }

    /// All lines up to the one that says it waits in `state`.
    fn until(&self, state: &str) -> Vec<Value> {
        let deadline = Instant::now() + Duration::from_secs(60);
        let mut seen = Vec::new();
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let line = self.lines.recv_timeout(left);
            let line: Value = line.unwrap_or_else(|_| panic!("never {state}: {seen:#?}"));
            let is_it = line["kind"] == "stay" && line["state"] == state;
            seen.push(line);
            if is_it {
                return seen;
            }
        }
    }

    /// Waits until a save is noticed, and gives the time that took.
    fn notices(&self) -> Duration {
        let saved = Instant::now();
        self.until("saved");
        saved.elapsed()
    }
}

impl Drop for Staying {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn count(lines: &[Value], state: &str) -> u64 {
    let summary = lines.iter().rfind(|line| line["kind"] == "summary");
    summary.unwrap_or_else(|| panic!("no run ended: {lines:#?}"))[state]
        .as_u64()
        .unwrap()
}

#[test]
fn each_save_brings_up_to_date_what_it_affects_and_a_broken_one_keeps_the_old_state() {
    let sandbox = quay();
    let model = "base/crate-small.obj";
    let mut staying = Staying::start(&sandbox);
    let first = staying.until("waiting");
    assert_eq!((count(&first, "done"), count(&first, "failed")), (18, 0));
    let delivered = || std::fs::read(sandbox.project().join("out/crate/crate-small.game.glb")).unwrap();
    let of_the_first = delivered();

    // A saved model: its four steps and its family's sheet.
    sandbox.write(model, box_model(0.55));
    let noticed = staying.notices();
    assert!(
        noticed < Duration::from_secs(3),
        "{noticed:?}, about half a second on an idle machine"
    );
    let second = staying.until("waiting");
    assert_eq!((count(&second, "done"), count(&second, "reused")), (5, 13));
    let of_the_second = delivered();
    assert_ne!(of_the_first, of_the_second);

    // Saved in two steps: looked at once it is whole, and only then.
    let whole = box_model(0.5);
    sandbox.write(model, &whole[..whole.len() / 2]);
    std::thread::sleep(Duration::from_millis(200));
    sandbox.write(model, &whole);
    staying.notices();
    let third = staying.until("waiting");
    assert!(
        third.iter().all(|line| line["kind"] != "diagnostic"),
        "{third:#?}"
    );
    assert_eq!(count(&third, "reused"), 18, "as it was at first");
    assert_eq!(delivered(), of_the_first);

    // A broken manifest: said, with its place, and nothing is lost or started.
    let text = sandbox.read("manifest.toml");
    sandbox.write("manifest.toml", text.replace("voxel = 0.05", "voxel = 0.05,,"));
    let broken = staying.until("broken");
    let said = broken.iter().find(|line| line["kind"] == "diagnostic").unwrap();
    assert_eq!(
        (&said["code"], &said["severity"]),
        (&"syntax".into(), &"error".into())
    );
    assert!(said["line"].as_u64().is_some());
    assert_eq!(delivered(), of_the_first);
    sandbox.write(
        "manifest.toml",
        text.replace("triangles = 300", "triangles = 200"),
    );
    let mended = staying.until("waiting");
    assert_eq!(count(&mended, "failed"), 0);
    assert!(
        (4..18).contains(&count(&mended, "reused")),
        "the expensive step at least: {mended:#?}"
    );

    // A model that cannot be used, mended where it stands.
    sandbox.write(model, whole.replace("usemtl iron", "usemtl gold"));
    let bad = staying.until("broken");
    assert!(
        bad.iter()
            .any(|line| line["kind"] == "diagnostic" && line.to_string().contains("crate-small"))
    );
    sandbox.write(model, &whole);
    let mended = staying.until("waiting");
    assert!(
        mended.iter().all(|line| line["kind"] != "diagnostic"),
        "{mended:#?}"
    );

    // A deleted model: only its family's sheet is made again.
    std::fs::remove_file(sandbox.project().join(model)).unwrap();
    staying.notices();
    let without = staying.until("waiting");
    assert_eq!((count(&without, "done"), count(&without, "reused")), (1, 13));

    // SAFETY: kill(2) with the id of a child that was not waited for yet.
    unsafe { libc::kill(staying.child.id() as i32, libc::SIGINT) };
    assert_eq!(staying.child.wait().unwrap().code(), Some(0));
}
