//! The program `tidemill`.

use std::process::ExitCode;

fn main() -> ExitCode {
    // As a launcher or a worker this program must not read, open or start anything else.
    if let Some(code) = tidemill_agent::special_main() {
        return code;
    }
    tidemill::run(std::env::args_os())
}
