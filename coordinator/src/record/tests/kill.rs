//! A process that is killed at any instant (kill -9) loses no commit that it acknowledged, and no commit is
//! there in part. The test starts its own program again as the process to be killed.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::super::{Record, Scan};
use super::{open, put};

const CHILD: &str = "TIDEMILL_TEST_RECORD_OF_CHILD";
const ROUNDS: u32 = 12;
/// Rows of one commit.
const ROWS: u8 = 7;

#[test]
fn acknowledged_commits_survive_kill_9_whole() {
    if let Some(folder) = std::env::var_os(CHILD) {
        commit_until_killed(Path::new(&folder));
    }
    let folder = tempfile::tempdir().unwrap();
    let mut acknowledged = 0;
    for round in 0..ROUNDS {
        let (least_ms, most_ms) = if round.is_multiple_of(3) {
            (0, 10)
        } else {
            (50, 150)
        };
        let pause_ms = least_ms + std::process::id().wrapping_mul(round + 5) % (most_ms - least_ms);
        acknowledged =
            start_and_kill(folder.path(), Duration::from_millis(pause_ms.into())).max(acknowledged);
        check(folder.path(), acknowledged);
    }
    assert!(acknowledged > 20, "only {acknowledged} commits were acknowledged");
}

/// Gives the number of the last commit that the child acknowledged; 0: none.
fn start_and_kill(folder: &Path, pause: Duration) -> u32 {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([
            "acknowledged_commits_survive_kill_9_whole",
            "--nocapture",
            "--test-threads=1",
        ])
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
        "the child did not open the record"
    );
    std::thread::sleep(pause);
    child.kill().unwrap();
    child.wait().unwrap();
    // A line that was cut off lacks its full stop.
    let done = lines.filter_map(|line| line.strip_prefix("done ")?.strip_suffix('.')?.parse().ok());
    done.last().unwrap_or(0)
}

fn check(folder: &Path, acknowledged: u32) {
    let record = open(folder);
    let rows = record.scan_prefix(b"").unwrap();
    let commits = rows.len() / usize::from(ROWS);
    assert!(
        commits >= acknowledged as usize,
        "{acknowledged} acknowledged, {commits} there"
    );
    let mut expected = Vec::new();
    for number in 1..=commits as u32 {
        for row in 0..ROWS {
            expected.push((key(number, row), value(number, row)));
        }
    }
    assert_eq!(rows, expected, "a commit is there in part");
}

fn key(number: u32, row: u8) -> Vec<u8> {
    [&number.to_be_bytes()[..], &[row]].concat()
}

fn value(number: u32, row: u8) -> Vec<u8> {
    vec![row; (number as usize * 37 + usize::from(row)) % 1500]
}

fn commit_until_killed(folder: &Path) -> ! {
    let record = open(folder);
    let last = record.scan(&Scan::of([]).reverse().limit(1)).unwrap();
    let last = last
        .first()
        .map_or(0, |(key, _)| u32::from_be_bytes(key[..4].try_into().unwrap()));
    let mut out = std::io::stdout().lock();
    out.write_all(b"\nopen\n").unwrap();
    out.flush().unwrap();
    for number in last + 1.. {
        let ops: Vec<_> = (0..ROWS)
            .map(|row| put(&key(number, row), &value(number, row)))
            .collect();
        record.commit(&ops).unwrap();
        out.write_all(format!("done {number}.\n").as_bytes()).unwrap();
        out.flush().unwrap();
    }
    std::process::exit(0)
}
