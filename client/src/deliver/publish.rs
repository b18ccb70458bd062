//! A unit's files take their places together, or are taken back: at once when one of them fails, at the next
//! delivery when the process was ended in between.

use std::io;
use std::path::{Path, PathBuf};

use super::beside::{before_of, below, part_of};
use super::ledger::Entry;
use crate::failure::io_words;
use crate::survey::digests::Digests;

/// Renames every target's part, or takes back what was renamed. Gives the old files, which the caller removes once
/// it has noted that the unit is delivered.
pub(super) fn publish(targets: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let mut done: Vec<(&Path, Option<PathBuf>)> = Vec::new();
    for target in targets {
        let result = keep_old(target).and_then(|old| match std::fs::rename(part_of(target), target) {
            Ok(()) => Ok(old),
            Err(error) => {
                if let Some(old) = &old {
                    restore(old, target);
                }
                Err(error)
            }
        });
        match result {
            Ok(old) => done.push((target, old)),
            Err(error) => {
                for (target, old) in done.into_iter().rev() {
                    // Each step of the way back is tried, whatever became of the one before.
                    match old {
                        Some(old) => restore(&old, target),
                        None => drop(std::fs::remove_file(target)),
                    }
                }
                return Err(format!(
                    "cannot replace {}: {}",
                    target.display(),
                    io_words(&error)
                ));
            }
        }
    }
    Ok(done.into_iter().filter_map(|(_, old)| old).collect())
}

/// Takes back a unit that a delivery before this one began and did not end: old files are where they were, and
/// what was never whole is gone. What a person changed since stays.
pub(super) fn take_back(folder: &Path, files: &[Entry], digests: &Digests<'_>) {
    for file in files {
        let target = below(folder, &file.path);
        let (part, before) = (part_of(&target), before_of(&target));
        let _ = std::fs::remove_file(part);
        let present = match digests.of(&file.path) {
            Ok(present) => present.map(|(digest, _)| digest),
            Err(_) => continue,
        };
        let is_new = present == file.digest();
        if before.exists() {
            if present.is_none() || is_new {
                restore(&before, &target);
            } else {
                let _ = std::fs::remove_file(&before);
            }
        } else if is_new && !file.replaces {
            let _ = std::fs::remove_file(&target);
        }
    }
}

/// Keeps the file that is about to be replaced under a second name; `None` if there is none.
fn keep_old(target: &Path) -> io::Result<Option<PathBuf>> {
    if !target.exists() {
        return Ok(None);
    }
    let old = before_of(target);
    match std::fs::remove_file(&old) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    // A second link leaves no moment without the file; where there are no links, a rename does.
    std::fs::hard_link(target, &old).or_else(|_| std::fs::rename(target, &old))?;
    Ok(Some(old))
}

fn restore(old: &Path, target: &Path) {
    let _ = std::fs::rename(old, target);
    // A rename between two links of one file does nothing at all.
    let _ = std::fs::remove_file(old);
}

#[cfg(test)]
mod tests {
    use tidemill_proto::Digest;

    use super::*;
    use crate::survey::remember::Memory;

    fn staged(folder: &Path, name: &str, new: Option<&str>) -> PathBuf {
        let target = folder.join(name);
        if let Some(text) = new {
            std::fs::write(part_of(&target), text).unwrap();
        }
        target
    }

    fn listing(folder: &Path) -> Vec<(String, String)> {
        let mut files: Vec<(String, String)> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap())
            .map(|entry| {
                (
                    entry.file_name().to_string_lossy().into_owned(),
                    std::fs::read_to_string(entry.path()).unwrap(),
                )
            })
            .collect();
        files.sort();
        files
    }

    fn pairs(list: &[(&str, &str)]) -> Vec<(String, String)> {
        list.iter()
            .map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
            .collect()
    }

    fn entry(path: &str, content: &str, replaces: bool) -> Entry {
        Entry {
            path: path.into(),
            digest: Digest::of(content.as_bytes()).to_string(),
            replaces,
        }
    }

    #[test]
    fn all_files_take_their_places() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a"), "old a").unwrap();
        let old = publish(&[
            staged(folder.path(), "a", Some("new a")),
            staged(folder.path(), "b", Some("new b")),
        ])
        .unwrap();
        assert_eq!(std::fs::read_to_string(&old[0]).unwrap(), "old a");
        std::fs::remove_file(&old[0]).unwrap();
        assert_eq!(listing(folder.path()), pairs(&[("a", "new a"), ("b", "new b")]));
    }

    #[test]
    fn a_failed_rename_takes_the_others_back() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a"), "old a").unwrap();
        std::fs::write(folder.path().join("c"), "old c").unwrap();
        // The third has no part to rename.
        let files = [
            staged(folder.path(), "a", Some("new a")),
            staged(folder.path(), "b", Some("new b")),
            staged(folder.path(), "c", None),
        ];
        let reason = publish(&files).unwrap_err();
        assert!(reason.contains('c'), "{reason}");
        assert_eq!(listing(folder.path()), pairs(&[("a", "old a"), ("c", "old c")]));
    }

    #[test]
    fn a_delivery_that_was_cut_off_is_taken_back_wherever_it_stood() {
        let unit = [
            entry("a", "new a", true),
            entry("b", "new b", false),
            entry("c", "new c", true),
        ];
        // After every rename, and once between keeping the old file and replacing it.
        for renames in 0..=3 {
            for kept in [false, true] {
                let folder = tempfile::tempdir().unwrap();
                std::fs::write(folder.path().join("a"), "old a").unwrap();
                std::fs::write(folder.path().join("c"), "old c").unwrap();
                let targets: Vec<PathBuf> = ["a", "b", "c"]
                    .iter()
                    .map(|name| staged(folder.path(), name, Some(&format!("new {name}"))))
                    .collect();
                for target in &targets[..renames] {
                    keep_old(target).unwrap();
                    std::fs::rename(part_of(target), target).unwrap();
                }
                if kept && renames < 3 {
                    keep_old(&targets[renames]).unwrap();
                }
                let memory = Memory::default();
                take_back(folder.path(), &unit, &Digests::new(folder.path(), &memory));
                assert_eq!(
                    listing(folder.path()),
                    pairs(&[("a", "old a"), ("c", "old c")]),
                    "{renames} {kept}"
                );
            }
        }
    }

    #[test]
    fn what_a_person_changed_after_the_cut_stays() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a"), "old a").unwrap();
        let targets = [
            staged(folder.path(), "a", Some("new a")),
            staged(folder.path(), "b", Some("new b")),
        ];
        publish(&targets).unwrap();
        std::fs::write(folder.path().join("a"), "by hand").unwrap();
        std::fs::write(folder.path().join("b"), "by hand too").unwrap();
        let memory = Memory::default();
        let unit = [entry("a", "new a", true), entry("b", "new b", false)];
        take_back(folder.path(), &unit, &Digests::new(folder.path(), &memory));
        assert_eq!(
            listing(folder.path()),
            pairs(&[("a", "by hand"), ("b", "by hand too")])
        );
    }
}
