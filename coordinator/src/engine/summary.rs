//! What came of a run, one JSON object: kept in a folder when the run ends, and told to a program of the studio's choice on
//! its standard input. What the program does with it (mail, chat, a light on the roof) is its own affair; nobody waits for it.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Map, Value, json};
use tidemill_proto::state;
use tidemill_proto::v1::ItemState;

use super::board::RunBoard;

/// Items without a result that are named; the rest is only counted.
const MOST_NAMED: usize = 100;
/// A program that takes longer is ended.
const PROGRAM_LIMIT: Duration = Duration::from_secs(120);

/// What came of a run.
pub fn summary(board: &RunBoard) -> Value {
    let row = board.run_row();
    let counts = row.counts.unwrap_or_default();
    let counted: Map<String, Value> = state::ALL
        .into_iter()
        .map(|one| (state::word(one).to_owned(), state::count(&counts, one).into()))
        .collect();
    let lacking = |wanted: ItemState| -> Vec<Value> {
        let indexes = (0..board.plan().len()).filter(|index| board.state(*index) == wanted);
        let named = indexes.take(MOST_NAMED).map(|index| {
            let reason = board.cell(index).and_then(|cell| cell.reason);
            json!({
                "address": board.plan().address(index),
                "reason": reason.as_deref().unwrap_or_default(),
            })
        });
        named.collect()
    };
    json!({
        "kind": "run-ended",
        "run": row.run,
        "manifest": board.plan().manifest,
        "person": row.person,
        "folder": row.folder,
        "draft": row.draft,
        "submitted_ms": row.submitted_ms,
        "ended_ms": row.ended_ms,
        "elapsed_ms": row.ended_ms.saturating_sub(row.submitted_ms).max(0),
        "cpu_ms": row.cpu_ms,
        "attempts": row.attempts,
        "stopped_by_person": row.stopped_by_person,
        "counts": counted,
        "failed": lacking(ItemState::Failed),
        "cut_off": lacking(ItemState::CutOff),
    })
}

/// Keeps the summary as `RUN.json` in the folder and calls the program, on a thread of its own.
pub fn tell(folder: Option<PathBuf>, program: Option<PathBuf>, summary: Value) {
    let started = std::thread::Builder::new()
        .name("summary".to_owned())
        .spawn(move || {
            if let Some(folder) = folder
                && let Err(error) = keep(&folder, &summary)
            {
                tracing::error!(%error, folder = %folder.display(), "what came of a run could not be kept");
            }
            let Some(program) = program else { return };
            match call(&program, &summary, PROGRAM_LIMIT) {
            Ok(()) => tracing::info!(program = %program.display(), run = %summary["run"], "told what came of a run"),
            Err(problem) => {
                tracing::error!(program = %program.display(), run = %summary["run"], problem, "the program that is told what comes of runs failed");
            }
            }
        });
    if let Err(error) = started {
        tracing::error!(%error, "no thread to tell what came of a run");
    }
}

fn keep(folder: &Path, summary: &Value) -> io::Result<()> {
    let run = summary["run"].as_str().unwrap_or_default();
    std::fs::create_dir_all(folder)?;
    let part = folder.join(format!(".{run}.part"));
    std::fs::write(&part, format!("{summary:#}\n"))?;
    // A run that was opened again ends again: the newest end counts.
    std::fs::rename(&part, folder.join(format!("{run}.json")))
}

fn call(program: &Path, summary: &Value, limit: Duration) -> Result<(), String> {
    let mut child = Command::new(program)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .map_err(|error| format!("cannot start it: {error}"))?;
    let until = Instant::now() + limit;
    if let Some(mut stdin) = child.stdin.take() {
        let text = format!("{summary}\n");
        // On a thread of its own: a long text stays in the pipe until the program reads it, and this one minds the time.
        std::thread::spawn(move || {
            // A program that does not read all of it has its reasons.
            let _ = stdin.write_all(text.as_bytes());
        });
    }
    loop {
        match child.try_wait().map_err(|error| error.to_string())? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(format!("it ended with {status}")),
            None if Instant::now() > until => {
                child.kill().map_err(|error| error.to_string())?;
                child.wait().map_err(|error| error.to_string())?;
                return Err(format!("it took longer than {limit:?} and was ended"));
            }
            None => std::thread::sleep(Duration::from_millis(100)),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use tidemill_proto::v1::{Item, Plan, Step};
    use tidemill_proto::{Digest, RunName};

    use super::super::board::RunFacts;
    use super::super::plan::KeptPlan;
    use super::*;

    fn board() -> RunBoard {
        let item = |address: &str| Item {
            address: address.into(),
            ..Item::default()
        };
        let plan = Plan {
            manifest: "harbour-dock".into(),
            items: vec![item("crate-small/worn"), item("crate-large/worn")],
            steps: vec![Step::default()],
            ..Plan::default()
        };
        let facts = RunFacts {
            run: RunName {
                manifest: "harbour-dock".into(),
                number: 3,
            },
            serial: 1,
            submitted_ms: 1_000,
            person: "the night shift".into(),
            folder: String::new(),
            plan: Digest::of(b""),
        };
        RunBoard::new(facts, Arc::new(KeptPlan::new(plan).unwrap()))
    }

    #[test]
    fn a_summary_counts_all_states_and_names_what_failed() {
        let board = board();
        board.change(1, 5, |cell| {
            cell.state = ItemState::Failed;
            cell.reason = Some("exit code 3".into());
        });
        board.move_run(|moves| moves.ended_ms = 4_500);
        let summary = summary(&board);
        assert_eq!(summary["run"], "harbour-dock.3");
        assert_eq!(summary["elapsed_ms"], 3_500);
        assert_eq!(summary["counts"].as_object().unwrap().len(), 8);
        assert_eq!(summary["counts"]["failed"], 1);
        assert_eq!(
            summary["failed"],
            json!([{ "address": "crate-large/worn", "reason": "exit code 3" }])
        );
    }

    #[cfg(unix)]
    #[test]
    fn a_program_gets_the_summary_on_its_standard_input() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let (program, note) = (folder.path().join("tell"), folder.path().join("note"));
        let script = format!("#!/bin/sh\ncat > '{}'\n", note.display());
        std::fs::write(&program, script).unwrap();
        std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o755)).unwrap();
        let told = summary(&board());
        call(&program, &told, PROGRAM_LIMIT).unwrap();
        let text = std::fs::read_to_string(&note).unwrap();
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), told);
        // One that never reads is ended in time, however much there would be to read.
        std::fs::write(&program, "#!/bin/sh\nexec sleep 60\n").unwrap();
        let long = json!({ "reason": "x".repeat(1 << 20) });
        let error = call(&program, &long, Duration::from_millis(300)).unwrap_err();
        assert!(error.contains("took longer"), "{error}");
        std::fs::write(&program, "#!/bin/sh\nexit 3\n").unwrap();
        assert!(call(&program, &told, PROGRAM_LIMIT).unwrap_err().contains('3'));
        assert!(
            call(&folder.path().join("none"), &told, PROGRAM_LIMIT)
                .unwrap_err()
                .contains("cannot start")
        );
    }
}
