//! An item that really holds the memory it is told, and mostly sleeps: what placement by memory is tried on.

use std::path::Path;
use std::time::{Duration, Instant};

/// Its input has one byte for so many that it touches: what is learned grows with the size of inputs.
pub const TOUCHED_PER_BYTE: u64 = 4096;
/// Between two looks for a sign.
const LOOK: Duration = Duration::from_millis(20);

/// Touches the memory that `file` asks for, sleeps, until `sign` is there if that is sooner, and makes its output.
///
/// # Errors
/// Files that cannot be read or written.
pub fn hold(file: &Path, tenths: u64, copy: &Path, sign: Option<&Path>) -> std::io::Result<()> {
    let bytes = std::fs::metadata(file)?.len() * TOUCHED_PER_BYTE;
    let held = vec![1_u8; usize::try_from(bytes).map_err(std::io::Error::other)?];
    let until = Instant::now() + Duration::from_millis(tenths * 100);
    while let Some(left) = until.checked_duration_since(Instant::now())
        && !sign.is_some_and(Path::exists)
    {
        std::thread::sleep(left.min(if sign.is_some() { LOOK } else { left }));
    }
    // Read again at the end: none of it can have been given back before.
    let sum: u64 = held.iter().step_by(4096).map(|byte| u64::from(*byte)).sum();
    std::fs::write(copy, format!("{sum}\n"))
}
