//! The worker program's main: a chain as JSON on standard input, what happens as lines on standard error, the report as JSON in the
//! last line of standard output; also that of a chain which failed by what it measured.

use std::io::{Read, Write};
use std::process::ExitCode;

use tidemill_ops::{Chain, ChainReport};

use super::{ChainError, run_chain_with_log};

/// Runs the one chain that standard input holds. Ends with 0, or with 1 after the reason on standard error.
pub fn worker_main() -> ExitCode {
    let mut text = String::new();
    if let Err(error) = std::io::stdin().lock().read_to_string(&mut text) {
        return fail(&format!("cannot read the chain from standard input: {error}"));
    }
    match run_text(&text) {
        Ok(()) => ExitCode::SUCCESS,
        Err(reason) => fail(&reason),
    }
}

fn run_text(text: &str) -> Result<(), String> {
    let chain: Chain = serde_json::from_str(text)
        .map_err(|error| format!("the chain on standard input is not sound: {error}"))?;
    let report = run_chain_with_log(&chain, &log).map_err(|error| {
        if let ChainError::Broken { report, .. } = &error
            && let Err(reason) = print(report)
        {
            log(&reason);
        }
        error.to_string()
    })?;
    print(&report)
}

fn print(report: &ChainReport) -> Result<(), String> {
    let line = serde_json::to_string(report).map_err(|error| format!("cannot encode the report: {error}"))?;
    let mut stdout = std::io::stdout().lock();
    writeln!(stdout, "{line}")
        .and_then(|()| stdout.flush())
        .map_err(|error| format!("cannot write the report: {error}"))
}

/// A log that nobody reads any more is no reason to stop.
fn log(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

fn fail(reason: &str) -> ExitCode {
    log(&format!("error: {reason}"));
    ExitCode::FAILURE
}
