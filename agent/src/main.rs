//! The agent as a program of its own, for a studio's workstations.

use std::process::ExitCode;

fn main() -> ExitCode {
    if let Some(code) = tidemill_agent::special_main() {
        return code;
    }
    ExitCode::SUCCESS
}
