//! Removes what an earlier delivery of the same manifest put into the folder and this one no longer has.

use std::collections::BTreeSet;
use std::path::Path;

use tokio::task::block_in_place;

use super::beside::below;
use super::decide::is_safe;
use super::place::Place;
use crate::failure::io_words;

/// What became of files that are no longer delivered.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(super) struct Pruned {
    /// Gone.
    pub(super) removed: Vec<String>,
    /// Left, with the reason.
    pub(super) kept: Vec<(String, String)>,
}

/// What the delivery has: exact paths, and folders of which everything counts because they could not be looked into.
#[derive(Debug, Default)]
pub(super) struct Wanted {
    pub(super) files: BTreeSet<String>,
    pub(super) folders: Vec<String>,
}

impl Wanted {
    fn has(&self, path: &str) -> bool {
        self.files.contains(path)
            || self.folders.iter().any(|folder| {
                let folder = folder.trim_end_matches('/');
                path.strip_prefix(folder)
                    .is_some_and(|rest| rest.starts_with('/'))
            })
    }
}

/// Removes files that are in the record of deliveries, are not wanted, and are as they were delivered.
pub(super) async fn prune(place: &Place<'_>, wanted: &Wanted) -> Pruned {
    let mut pruned = Pruned::default();
    for (path, _) in place.ledger.files() {
        if wanted.has(&path) {
            continue;
        }
        match remove(place, &path).await {
            Ok(true) => pruned.removed.push(path),
            Ok(false) => {}
            Err(reason) => pruned.kept.push((path, reason)),
        }
    }
    pruned
}

/// Removes one file; false if there was none.
async fn remove(place: &Place<'_>, path: &str) -> Result<bool, String> {
    let target = below(place.folder, path);
    if !is_safe(path) || leads_out(place.folder, &target) {
        return Err("it is outside of the folder".to_owned());
    }
    let note = || place.ledger.removed(place.run, path);
    if place.ledger.is_of_others(path) {
        note()?;
        return Ok(false);
    }
    let words = |error: &std::io::Error| io_words(error);
    let Some((present, _)) = block_in_place(|| place.digests.of(path)).map_err(|error| words(&error))? else {
        note()?;
        return Ok(false);
    };
    if !place.ledger.is_ours(path, &present) {
        return Err("it was changed since it was delivered".to_owned());
    }
    place.make_writable(std::slice::from_ref(&target)).await?;
    std::fs::remove_file(&target).map_err(|error| words(&error))?;
    note()?;
    let above = target.ancestors().skip(1);
    for folder in above.take_while(|folder| *folder != place.folder) {
        // One that is not empty stays, and so does all above it.
        if std::fs::remove_dir(folder).is_err() {
            break;
        }
    }
    Ok(true)
}

fn leads_out(folder: &Path, target: &Path) -> bool {
    let (Ok(root), Some(above)) = (folder.canonicalize(), target.parent()) else {
        return true;
    };
    // A folder that is gone leads nowhere.
    above.canonicalize().is_ok_and(|above| !above.starts_with(root))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_of_a_folder_that_was_held_back_are_wanted() {
        let wanted = Wanted {
            files: BTreeSet::from(["out/a.glb".to_owned()]),
            folders: vec!["out/frames/".to_owned()],
        };
        assert!(wanted.has("out/a.glb") && wanted.has("out/frames/0001.png"));
        assert!(!wanted.has("out/b.glb") && !wanted.has("out/frames-old/1.png") && !wanted.has("out/frames"));
    }
}
