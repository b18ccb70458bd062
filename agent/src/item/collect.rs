//! Outputs of an item: all that were declared must be there; what was not declared is named and dropped.

use std::collections::BTreeSet;
use std::fs::{self, Metadata};
use std::path::Path;

use tidemill_proto::Digest;
use tidemill_proto::v1::{Item, Made, Output};

use super::folder::{SlotFolder, names_in};
use super::judge::Verdict;
use super::paths::{self, OUT};
use super::stage::verdict;
use crate::blobs::Blobs;
use crate::os;

/// Longest list of names in a message.
const MOST_NAMES: usize = 20;

/// What was found before anything was taken.
pub(crate) struct Found {
    /// Names of undeclared files, for the log; folders with a trailing `/`.
    pub undeclared: Vec<String>,
}

/// Makes the folders of folder outputs, into which the program writes.
pub(crate) fn make_output_folders(item: &Item, folder: &SlotFolder) -> Result<(), Verdict> {
    for output in item.outputs.iter().filter(|output| output.folder) {
        let path = folder.path(&paths::output_file(output).map_err(Verdict::failed)?);
        fs::create_dir_all(&path)
            .map_err(|error| Verdict::machine(format!("cannot make {}: {error}", path.display())))?;
    }
    Ok(())
}

/// Checks that every declared output is there and is what it should be; all that are not are told at once.
pub(crate) fn check(item: &Item, folder: &SlotFolder) -> Result<Found, Verdict> {
    let out = folder.path(OUT);
    let unreadable = |error| Verdict::machine(format!("cannot read {}: {error}", out.display()));
    if !fs::symlink_metadata(&out).is_ok_and(|metadata| metadata.is_dir()) {
        return Err(Verdict::failed("the folder out/ was removed or replaced"));
    }
    let there = names_in(&out).map_err(unreadable)?;
    let mut problems = Vec::new();
    let mut declared = BTreeSet::new();
    for output in &item.outputs {
        let name = paths::output_name(output).map_err(Verdict::failed)?;
        problems.extend(problem(output, &out.join(&name)).map(|problem| format!("{OUT}/{name} {problem}")));
        declared.insert(if output.folder { format!("{name}/") } else { name });
    }
    if !problems.is_empty() {
        let there = if there.is_empty() {
            "nothing".to_owned()
        } else {
            listed(&there)
        };
        return Err(Verdict::failed(format!(
            "{}; {OUT}/ holds {there}",
            problems.join(", ")
        )));
    }
    let mut undeclared: Vec<String> = there
        .into_iter()
        .filter(|name| !declared.contains(name))
        .map(|name| format!("{OUT}/{name}"))
        .collect();
    undeclared.extend(folder.strangers().map_err(unreadable)?);
    Ok(Found { undeclared })
}

/// Takes all declared outputs into the store; gives them, and all blobs to hand over.
pub(crate) fn take(
    item: &Item,
    folder: &SlotFolder,
    blobs: &Blobs,
) -> Result<(Vec<Made>, Vec<Digest>), Verdict> {
    let (mut made, mut digests) = (Vec::new(), Vec::new());
    for output in &item.outputs {
        let path = folder.path(&paths::output_file(output).map_err(Verdict::failed)?);
        if output.folder {
            let tree = blobs
                .take_folder(&path)
                .map_err(|error| of_the_program(error, &output.name))?;
            digests.extend(tree.digests());
            made.push(Made {
                name: output.name.clone(),
                digest: tree.tree.digest.to_vec(),
                size: tree.bytes(),
                parts: tree.parts.iter().map(|part| part.digest.to_vec()).collect(),
            });
        } else {
            let staged = take_file(&path, blobs)?;
            digests.push(staged.digest);
            let digest = staged.digest.to_vec();
            made.push(Made {
                name: output.name.clone(),
                digest,
                size: staged.size,
                parts: Vec::new(),
            });
        }
    }
    digests.sort_unstable();
    digests.dedup();
    Ok((made, digests))
}

fn take_file(path: &Path, blobs: &Blobs) -> Result<tidemill_store::Staged, Verdict> {
    let metadata = fs::symlink_metadata(path)
        .and_then(|metadata| os::make_readable(path, &metadata).map(|()| metadata))
        .map_err(|error| Verdict::machine(format!("cannot read {}: {error}", path.display())))?;
    // A file with a second name elsewhere could be changed there later: the store gets its own copy.
    blobs
        .take_file(path, metadata.len(), os::has_other_names(&metadata))
        .map_err(verdict)
}

/// A name or a kind of file that no tree can keep is the program's doing.
fn of_the_program(error: crate::blobs::BlobError, output: &str) -> Verdict {
    match error {
        crate::blobs::BlobError::Store(error @ tidemill_store::StoreError::Unkeepable { .. }) => {
            Verdict::failed(format!("output {output}: {error}"))
        }
        other => verdict(other),
    }
}

fn problem(output: &Output, path: &Path) -> Option<&'static str> {
    let Ok(metadata) = fs::symlink_metadata(path) else {
        return Some("was not made");
    };
    match (output.folder, kind(&metadata)) {
        (false, Kind::File) => None,
        (true, Kind::Folder) => {
            let is_empty = fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none());
            is_empty.then_some("is an empty folder")
        }
        (_, Kind::Link) => Some("is a symbolic link, not a file of its own"),
        (false, Kind::Folder) => Some("is a folder, not a file"),
        (true, Kind::File) => Some("is a file, not a folder"),
        (_, Kind::Other) => Some("is neither a file nor a folder"),
    }
}

enum Kind {
    File,
    Folder,
    Link,
    Other,
}

fn kind(metadata: &Metadata) -> Kind {
    if metadata.is_symlink() {
        Kind::Link
    } else if metadata.is_dir() {
        Kind::Folder
    } else if metadata.is_file() {
        Kind::File
    } else {
        Kind::Other
    }
}

/// Names for a message, not too many.
pub(crate) fn listed(names: &[String]) -> String {
    let shown = names
        .iter()
        .take(MOST_NAMES)
        .cloned()
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > MOST_NAMES {
        format!("{shown} and {} more", names.len() - MOST_NAMES)
    } else {
        shown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(outputs: &[(&str, &str)]) -> Item {
        let output = |(name, extension): &(&str, &str)| Output {
            name: (*name).into(),
            extension: (*extension).into(),
            folder: extension.is_empty(),
            ..Output::default()
        };
        Item {
            outputs: outputs.iter().map(output).collect(),
            ..Item::default()
        }
    }

    fn slot() -> (tempfile::TempDir, SlotFolder) {
        let temporary = tempfile::tempdir().unwrap();
        let folder = SlotFolder::open(&temporary.path().join("0")).unwrap();
        (temporary, folder)
    }

    fn reason(item: &Item, folder: &SlotFolder) -> String {
        let Err(verdict) = check(item, folder) else {
            panic!("it should not pass")
        };
        assert_eq!(verdict.outcome.word(), "failed");
        verdict.reason
    }

    #[test]
    fn a_missing_output_is_told_with_what_is_there() {
        let (_temporary, folder) = slot();
        let item = item(&[("mesh", ".glb"), ("sheet", ".png")]);
        assert_eq!(
            reason(&item, &folder),
            "out/mesh.glb was not made, out/sheet.png was not made; out/ holds nothing"
        );
        fs::write(folder.path("out/Mesh.glb"), "x").unwrap();
        fs::write(folder.path("out/sheet.png"), "").unwrap();
        assert_eq!(
            reason(&item, &folder),
            "out/mesh.glb was not made; out/ holds Mesh.glb, sheet.png"
        );
    }

    #[test]
    fn undeclared_files_are_named_and_empty_outputs_allowed() {
        let (_temporary, folder) = slot();
        for file in ["out/mesh.glb", "out/mesh.bak", "note.txt", "tmp/cache"] {
            fs::write(folder.path(file), "").unwrap();
        }
        fs::create_dir(folder.path("out/parts")).unwrap();
        let found =
            check(&item(&[("mesh", ".glb")]), &folder).unwrap_or_else(|verdict| panic!("{verdict:?}"));
        assert_eq!(found.undeclared, ["out/mesh.bak", "out/parts/", "note.txt"]);
    }

    #[test]
    fn a_folder_output_must_be_a_folder_with_something_in_it() {
        let (_temporary, folder) = slot();
        let item = item(&[("tiles", "")]);
        assert!(make_output_folders(&item, &folder).is_ok());
        assert_eq!(
            reason(&item, &folder),
            "out/tiles is an empty folder; out/ holds tiles/"
        );
        fs::write(folder.path("out/tiles/0.png"), "x").unwrap();
        assert!(check(&item, &folder).is_ok());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_no_output() {
        let (_temporary, folder) = slot();
        std::os::unix::fs::symlink("/etc/hostname", folder.path("out/mesh.glb")).unwrap();
        let reason = reason(&item(&[("mesh", ".glb")]), &folder);
        assert!(reason.starts_with("out/mesh.glb is a symbolic link"), "{reason}");
    }
}
