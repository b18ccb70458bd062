//! A process that is killed at any instant (kill -9) loses nothing that it acknowledged, and leaves nothing
//! under a wrong name. The test starts its own program again as the process to be killed.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use tidemill_store::{Digest, ExportMode, Store};

const CHILD: &str = "TIDEMILL_TEST_STORE_OF_CHILD";

#[test]
fn what_was_acknowledged_survives_kill_9_and_nothing_bears_a_wrong_name() {
    if let Some(folder) = std::env::var_os(CHILD) {
        work_until_killed(Path::new(&folder));
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("out")).unwrap();
    let mut acknowledged = BTreeSet::new();
    // A soak asks for more instants: TIDEMILL_KILLS=200.
    let rounds = std::env::var("TIDEMILL_KILLS").map_or(15, |text| text.parse().unwrap());
    for round in 0..rounds {
        let before = acknowledged.len();
        acknowledged.extend(start_and_kill(folder.path(), round));
        assert!(
            round % 3 == 0 || acknowledged.len() > before,
            "the child did nothing before it was killed"
        );
        check(folder.path(), &acknowledged);
    }
    assert!(
        acknowledged.len() > 100,
        "only {} acknowledged",
        acknowledged.len()
    );
}

/// Runs the child for a while that differs from round to round; gives what it acknowledged.
fn start_and_kill(folder: &Path, round: u64) -> Vec<Digest> {
    let test = "what_was_acknowledged_survives_kill_9_and_nothing_bears_a_wrong_name";
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([test, "--exact", "--nocapture", "--test-threads=1"])
        .env(CHILD, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap())
        .lines()
        .map_while(Result::ok);
    assert!(
        lines.any(|line| line == "open"),
        "the child did not open the store"
    );
    // Every third child is killed while it has hardly begun, the others when they have acknowledged something.
    let hardly = round.is_multiple_of(3);
    let random = u64::from(std::process::id()).wrapping_mul(round + 7);
    let wanted = if hardly { 0 } else { 8 + random % 30 };
    let first: Vec<String> = lines
        .by_ref()
        .filter(|line| line.starts_with("done "))
        .take(usize::try_from(wanted).unwrap())
        .collect();
    let pause_ms = random % if hardly { 5 } else { 20 };
    std::thread::sleep(Duration::from_millis(pause_ms));
    child.kill().unwrap();
    child.wait().unwrap();
    // Lines that were cut off by the kill are too short to be digests.
    first
        .into_iter()
        .chain(lines)
        .filter_map(|line| line.strip_prefix("done ")?.parse().ok())
        .collect()
}

fn check(folder: &Path, acknowledged: &BTreeSet<Digest>) {
    let store = Store::open_owner(&folder.join("store")).unwrap();
    for entry in store.iter().unwrap() {
        store.verify(&entry.unwrap().digest).unwrap();
    }
    for digest in acknowledged {
        assert!(
            store.contains(digest).unwrap(),
            "{digest} was acknowledged and is lost"
        );
    }
    assert_eq!(store.aside().unwrap(), []);
    for name in common::names_in(&folder.join("out")) {
        if let Ok(digest) = name.parse::<Digest>() {
            let bytes = std::fs::read(folder.join("out").join(name)).unwrap();
            assert_eq!(Digest::of(&bytes), digest, "an export is there in part");
        }
    }
    for name in common::names_in(&store.root().join("incoming")) {
        // Those of `.w-` are written under their name, and checked by whoever finds them after a crash.
        if let Some((digest, rest)) = name.split_once('.')
            && !rest.starts_with("w-")
            && let Ok(digest) = digest.parse::<Digest>()
        {
            let bytes = std::fs::read(store.root().join("incoming").join(&name)).unwrap();
            assert_eq!(Digest::of(&bytes), digest, "a staged file is there in part");
        }
    }
}

/// Stages in every way, commits in groups of every size, exports, and says what is committed. Never returns.
fn work_until_killed(folder: &Path) -> ! {
    let store = Store::open_owner(&folder.join("store")).unwrap();
    let mut out = std::io::stdout().lock();
    out.write_all(b"\nopen\n").unwrap();
    out.flush().unwrap();
    let start = u64::from(std::process::id()) << 32;
    let mut group: Vec<Digest> = Vec::new();
    for number in start.. {
        let bytes = common::noise(number, (number % 97 * 500) as usize);
        let staged = match number % 3 {
            0 => store.stage_bytes(&bytes).unwrap(),
            1 => store
                .stage_reader(&mut bytes.as_slice(), Path::new("noise"))
                .unwrap(),
            _ => {
                let path = folder.join(format!("made-{number}"));
                std::fs::write(&path, &bytes).unwrap();
                store.stage_by_rename(&path).unwrap()
            }
        };
        group.push(staged.digest);
        if group.len() as u64 > number % 12 {
            assert_eq!(store.commit(&group).unwrap().missing, []);
            let text: String = group.iter().map(|digest| format!("done {digest}\n")).collect();
            out.write_all(text.as_bytes()).unwrap();
            out.flush().unwrap();
            let target = folder.join("out").join(group[0].to_string());
            store.export(&group[0], &target, ExportMode::Fast).unwrap();
            group.clear();
        }
    }
    std::process::exit(0)
}
