//! A fresh record in the place of an old one. sled does not shrink by deleting, so whoever wants room back writes the rows that
//! stay into `record.fresh`, and swaps the folders:
//!
//! 1. `record.fresh` is written, synced and closed.
//! 2. `record` becomes `record.old`.
//! 3. `record.fresh` becomes `record`.
//! 4. `record.old` is removed.
//!
//! A process that dies at any point leaves one of these states, and [`repair`] brings each to an end: as long as `record` is there
//! it counts, whatever lies beside it; if it is not, `record.fresh` is whole.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::{RecordError, Result};

/// How long threads of a database that was closed may take to let go of its files.
const LET_GO: Duration = Duration::from_secs(10);

/// Where the fresh record is written.
pub fn fresh_folder(folder: &Path) -> PathBuf {
    beside(folder, "fresh")
}

fn old_folder(folder: &Path) -> PathBuf {
    beside(folder, "old")
}

fn beside(folder: &Path, word: &str) -> PathBuf {
    let mut name = folder.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(word);
    folder.with_file_name(name)
}

/// Puts the fresh record, which is whole and closed, into the place of the old one, which is closed.
///
/// # Errors
/// When a folder cannot be moved; the next opening brings it to an end.
pub fn swap(folder: &Path) -> Result<()> {
    let (fresh, old) = (fresh_folder(folder), old_folder(folder));
    moved(folder, &old)?;
    moved(&fresh, folder)?;
    removed(&old)
}

/// Brings a swap to an end that was cut short. The caller holds the lock of the data folder.
///
/// # Errors
/// When a folder cannot be moved or removed.
pub fn repair(folder: &Path) -> Result<()> {
    let (fresh, old) = (fresh_folder(folder), old_folder(folder));
    if !folder.exists() && old.exists() {
        // The old one was moved away only after the fresh one was whole.
        if fresh.exists() {
            tracing::info!(folder = %folder.display(), "ending a swap of the record that was cut short");
            moved(&fresh, folder)?;
        } else {
            moved(&old, folder)?;
        }
    }
    removed(&fresh)?;
    removed(&old)
}

fn moved(from: &Path, to: &Path) -> Result<()> {
    let begun = Instant::now();
    loop {
        match fs::rename(from, to) {
            Ok(()) => break,
            // Some systems move no folder of which a file is open.
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied && begun.elapsed() < LET_GO => {
                std::thread::sleep(Duration::from_millis(20));
            }
            Err(error) => return Err(failed("move", from, error)),
        }
    }
    let parent = to.parent().unwrap_or(Path::new("."));
    tidemill_store::sync_folder(parent).map_err(|error| failed("sync", parent, error))
}

fn removed(folder: &Path) -> Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(failed("remove", folder, error)),
        _ => Ok(()),
    }
}

fn failed(action: &'static str, path: &Path, source: io::Error) -> RecordError {
    RecordError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holds(folder: &Path) -> Option<String> {
        fs::read_to_string(folder.join("which")).ok()
    }

    /// Of a record that was being swapped, with these folders there; gives what the record holds after the repair.
    fn repaired(there: &[&str]) -> Option<String> {
        let data = tempfile::tempdir().unwrap();
        let folder = data.path().join("record");
        for name in there {
            fs::create_dir(data.path().join(name)).unwrap();
            fs::write(data.path().join(name).join("which"), name).unwrap();
        }
        repair(&folder).unwrap();
        assert!(!fresh_folder(&folder).exists() && !old_folder(&folder).exists());
        holds(&folder)
    }

    #[test]
    fn wherever_it_was_cut_short_one_whole_record_is_left() {
        for (there, left) in [
            (&["record"][..], Some("record")),
            (&["record", "record.fresh"], Some("record")), // perhaps half-written
            (&["record.old", "record.fresh"], Some("record.fresh")),
            (&["record.old", "record"], Some("record")), // the one that was fresh
            (&["record.old"], Some("record.old")),
            (&[], None),
        ] {
            assert_eq!(repaired(there).as_deref(), left, "{there:?}");
        }
    }

    #[test]
    fn a_swap_leaves_the_fresh_one_alone() {
        let data = tempfile::tempdir().unwrap();
        let folder = data.path().join("record");
        for path in [&folder, &fresh_folder(&folder)] {
            fs::create_dir(path).unwrap();
            fs::write(path.join("which"), path.file_name().unwrap().as_encoded_bytes()).unwrap();
        }
        swap(&folder).unwrap();
        assert_eq!(holds(&folder).as_deref(), Some("record.fresh"));
        assert_eq!(fs::read_dir(data.path()).unwrap().count(), 1);
    }
}
