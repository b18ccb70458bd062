//! One unit into its folder. Every file is first written beside its target and checked; only when all are there
//! are they renamed. If a rename fails, the ones before it are taken back.

use std::fs::File as StdFile;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use futures::StreamExt as _;
use tidemill_proto::Digest;
use tidemill_store::Tree;
use tokio::task::block_in_place;

use super::decide::{File, Unit};
use crate::failure::io_words;
use crate::rpc::Rpc;
use crate::survey::digests::Digests;

/// A file that is in its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Placed {
    pub(super) path: String,
    pub(super) written: bool,
}

/// A file that is written and checked, but not yet under its name.
struct Staged {
    path: String,
    target: PathBuf,
    part: PathBuf,
    digest: Digest,
}

/// Places all files of a unit, or none. The error says why, in one line.
pub(super) async fn unit(
    unit: &Unit,
    folder: &Path,
    digests: &Digests<'_>,
    rpc: &Rpc,
) -> Result<Vec<Placed>, String> {
    let mut placed = Vec::new();
    let mut staged = Vec::new();
    let outcome = stage_all(unit, folder, digests, rpc, &mut placed, &mut staged)
        .await
        .and_then(|()| block_in_place(|| publish(&staged)));
    if let Err(reason) = outcome {
        for file in &staged {
            let _ = std::fs::remove_file(&file.part);
        }
        return Err(reason);
    }
    for file in staged {
        digests.wrote(&file.path, file.digest);
        placed.push(Placed {
            path: file.path,
            written: true,
        });
    }
    placed.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(placed)
}

async fn stage_all(
    unit: &Unit,
    folder: &Path,
    digests: &Digests<'_>,
    rpc: &Rpc,
    placed: &mut Vec<Placed>,
    staged: &mut Vec<Staged>,
) -> Result<(), String> {
    for file in &unit.files {
        for (path, digest, executable) in expanded(file, rpc).await? {
            let target = path
                .split('/')
                .fold(folder.to_owned(), |folder, part| folder.join(part));
            if matches!(block_in_place(|| digests.of(&path)), Ok(Some((present, _))) if present == digest) {
                placed.push(Placed { path, written: false });
                continue;
            }
            let problem = |action: &str, error: &io::Error| {
                format!("cannot {action} {}: {}", target.display(), io_words(error))
            };
            let above = prepare_folder(folder, &target).map_err(|reason| format!("{path}: {reason}"))?;
            if target.is_dir() {
                return Err(format!("{} is a folder", target.display()));
            }
            let name = target.file_name().unwrap_or_default().to_string_lossy();
            let part = above.join(format!(".{name}.tidemill-part"));
            staged.push(Staged {
                path,
                target: target.clone(),
                part: part.clone(),
                digest,
            });
            let output = open_part(&part).map_err(|error| problem("write", &error))?;
            write(output, digest, executable, rpc)
                .await
                .map_err(|reason| format!("cannot write {}: {reason}", target.display()))?;
        }
    }
    Ok(())
}

/// The files that an output consists of: itself, or those of its tree.
async fn expanded(file: &File, rpc: &Rpc) -> Result<Vec<(String, Digest, bool)>, String> {
    if !file.folder {
        return Ok(vec![(file.path.clone(), file.digest, false)]);
    }
    let mut stream = Box::pin(rpc.get(file.digest).await.map_err(|failure| failure.message)?);
    let mut bytes = Vec::new();
    while let Some(chunk) = stream.next().await {
        bytes.extend_from_slice(&chunk.map_err(|failure| failure.message)?);
    }
    let tree = Tree::decode(&bytes)?;
    let base = file.path.trim_end_matches('/');
    Ok(tree
        .entries()
        .iter()
        .map(|entry| (format!("{base}/{}", entry.path), entry.digest, entry.executable))
        .collect())
}

/// Makes the target's folder, and refuses one that a link leads out of the delivery's folder.
fn prepare_folder(folder: &Path, target: &Path) -> Result<PathBuf, String> {
    let above = target.parent().unwrap_or(folder);
    let make = |path: &Path| {
        std::fs::create_dir_all(path)
            .map_err(|error| format!("cannot make the folder {}: {}", path.display(), io_words(&error)))
    };
    make(folder)?;
    let resolve = |path: &Path| {
        path.canonicalize()
            .map_err(|error| format!("cannot follow {}: {}", path.display(), io_words(&error)))
    };
    let root = resolve(folder)?;
    // Looked at before anything is made: the nearest folder above that exists decides where the new ones land.
    let existing = above.ancestors().find(|path| path.exists()).unwrap_or(folder);
    let found = resolve(existing)?;
    if !found.starts_with(&root) {
        return Err(format!(
            "{} is a link out of {}; deliver with `--to DIR` instead",
            existing.display(),
            folder.display()
        ));
    }
    make(above)?;
    Ok(above.to_owned())
}

/// Opens the temporary file beside a target. A left-over of an interrupted delivery is written anew; one that
/// another process is writing is refused.
fn open_part(part: &Path) -> io::Result<StdFile> {
    let file = StdFile::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(part)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => {
            return Err(io::Error::other("another process delivers the same file"));
        }
        // Some network shares have no locks.
        Err(std::fs::TryLockError::Error(_)) => {}
    }
    file.set_len(0)?;
    Ok(file)
}

async fn write(mut file: StdFile, digest: Digest, executable: bool, rpc: &Rpc) -> Result<(), String> {
    let mut chunks = Box::pin(rpc.get(digest).await.map_err(|failure| failure.message)?);
    let mut hasher = blake3::Hasher::new();
    while let Some(chunk) = chunks.next().await {
        let chunk: Bytes = chunk.map_err(|failure| failure.message)?;
        hasher.update(&chunk);
        block_in_place(|| file.write_all(&chunk)).map_err(|error| io_words(&error))?;
    }
    if Digest::from(hasher.finalize()) != digest {
        return Err("what came from the store is damaged".to_owned());
    }
    if executable {
        crate::os::make_executable(&file).map_err(|error| io_words(&error))?;
    }
    // Closed here: on some systems an open file cannot be renamed.
    Ok(())
}

/// Renames all, or takes back what was renamed.
fn publish(staged: &[Staged]) -> Result<(), String> {
    let mut done: Vec<(&Staged, Option<PathBuf>)> = Vec::new();
    for file in staged {
        let result = keep_old(&file.target).and_then(|old| match std::fs::rename(&file.part, &file.target) {
            Ok(()) => Ok(old),
            Err(error) => {
                if let Some(old) = &old {
                    let _ = std::fs::rename(old, &file.target);
                }
                Err(error)
            }
        });
        match result {
            Ok(old) => done.push((file, old)),
            Err(error) => {
                for (file, old) in done.into_iter().rev() {
                    // Each step of the way back is tried, whatever became of the one before.
                    let _ = match old {
                        Some(old) => std::fs::rename(old, &file.target),
                        None => std::fs::remove_file(&file.target),
                    };
                }
                return Err(format!(
                    "cannot replace {}: {}",
                    file.target.display(),
                    io_words(&error)
                ));
            }
        }
    }
    for old in done.into_iter().filter_map(|(_, old)| old) {
        let _ = std::fs::remove_file(old);
    }
    Ok(())
}

/// Keeps the file that is about to be replaced under a second name; `None` if there is none.
fn keep_old(target: &Path) -> io::Result<Option<PathBuf>> {
    if !target.exists() {
        return Ok(None);
    }
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    let old = target.with_file_name(format!(".{name}.tidemill-before"));
    match std::fs::remove_file(&old) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    // A second link leaves no moment without the file; where there are no links, a rename does.
    std::fs::hard_link(target, &old).or_else(|_| std::fs::rename(target, &old))?;
    Ok(Some(old))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn staged(folder: &Path, name: &str, new: Option<&str>) -> Staged {
        let part = folder.join(format!(".{name}.tidemill-part"));
        if let Some(text) = new {
            std::fs::write(&part, text).unwrap();
        }
        Staged {
            path: name.into(),
            target: folder.join(name),
            part,
            digest: Digest::of(b""),
        }
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

    #[test]
    fn all_files_take_their_places() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a"), "old a").unwrap();
        publish(&[
            staged(folder.path(), "a", Some("new a")),
            staged(folder.path(), "b", Some("new b")),
        ])
        .unwrap();
        assert_eq!(listing(folder.path()), pairs(&[("a", "new a"), ("b", "new b")]));
    }

    #[test]
    fn a_failed_rename_takes_the_others_back() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a"), "old a").unwrap();
        // The third has no part to rename.
        let files = [
            staged(folder.path(), "a", Some("new a")),
            staged(folder.path(), "b", Some("new b")),
            staged(folder.path(), "c", None),
        ];
        let reason = publish(&files).unwrap_err();
        assert!(reason.contains('c'), "{reason}");
        assert_eq!(listing(folder.path()), pairs(&[("a", "old a")]));
    }

    #[test]
    #[cfg(unix)]
    fn a_link_out_of_the_folder_is_refused() {
        let (folder, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join("out")).unwrap();
        let reason = prepare_folder(folder.path(), &folder.path().join("out/crate/a.glb")).unwrap_err();
        assert!(reason.contains("link out of"), "{reason}");
        assert!(std::fs::read_dir(elsewhere.path()).unwrap().next().is_none());
        prepare_folder(folder.path(), &folder.path().join("fine/crate/a.glb")).unwrap();
    }

    #[test]
    fn a_part_in_use_is_refused_and_a_left_over_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let part = folder.path().join(".a.tidemill-part");
        std::fs::write(&part, "half").unwrap();
        let file = open_part(&part).unwrap();
        assert_eq!(std::fs::metadata(&part).unwrap().len(), 0);
        assert!(
            open_part(&part)
                .unwrap_err()
                .to_string()
                .contains("another process")
        );
        drop(file);
        open_part(&part).unwrap();
    }
}
