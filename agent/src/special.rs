//! The words that turn this program into something else: a launcher of items, the worker that runs built-in
//! operations, or the painter that draws one picture. A crash or a leak in either never takes the agent down.

use std::ffi::OsStr;
use std::process::ExitCode;

/// First argument that makes the program a launcher: see [`crate::launcher`].
pub const LAUNCHER_WORD: &str = "--be-launcher";

/// First argument that makes the program a worker: reads a chain of operations as JSON on standard input.
pub const WORKER_WORD: &str = "--be-worker";

/// First argument that makes the program a painter: see [`crate::paint`].
pub const PAINTER_WORD: &str = "--be-painter";

/// To be called first in `main`, before anything is read, opened or started: runs the launcher, the worker or the painter
/// if the first argument says so, and gives the exit code to end with.
pub fn special_main() -> Option<ExitCode> {
    let word = std::env::args_os().nth(1)?;
    if word == OsStr::new(LAUNCHER_WORD) {
        return Some(crate::launcher::serve());
    }
    if word == OsStr::new(WORKER_WORD) {
        return Some(tidemill_mesh::chain::worker_main());
    }
    if word == OsStr::new(PAINTER_WORD) {
        return Some(crate::paint::child::painter_main());
    }
    None
}
