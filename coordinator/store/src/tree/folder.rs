//! Folders into trees and back.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use tidemill_proto::Digest;

use super::{Tree, TreeEntry};
use crate::error::{At, Result, StoreError};
use crate::folder::{ExportMode, PartFile, Staged, Store, parent_of};
use crate::os;

/// What becomes of the files of a folder that is staged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Take {
    /// They stay; the store gets copies.
    Copy,
    /// They are moved into the store; the folder is left without files.
    Move,
}

/// A staged folder. To commit: the tree and all parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StagedTree {
    /// The blob that lists the others; `size` is that of the listing.
    pub tree: Staged,
    /// The files, in the order of the listing; one digest may come more than once.
    pub parts: Vec<Staged>,
}

impl StagedTree {
    /// All that a commit has to name: the parts, then the tree.
    pub fn digests(&self) -> Vec<Digest> {
        self.parts
            .iter()
            .map(|part| part.digest)
            .chain([self.tree.digest])
            .collect()
    }

    /// Bytes of all files.
    pub fn bytes(&self) -> u64 {
        self.parts.iter().map(|part| part.size).sum()
    }
}

impl Store {
    /// Stages all files below `folder`, and the tree that lists them. See [`crate::tree`] for what is kept.
    ///
    /// Names are checked before any file is taken.
    pub fn stage_tree(&self, folder: &Path, take: Take) -> Result<StagedTree> {
        let mut files = Vec::new();
        collect(folder, "", &mut files)?;
        // Checked with neutral digests first: with `Move` a refusal must not leave half of the files.
        let unkeepable = |reason| StoreError::Unkeepable {
            path: folder.to_owned(),
            reason,
        };
        let neutral = Digest::from_bytes([0; 32]);
        let entries = files.iter().map(|file| file.entry(neutral, 0)).collect();
        Tree::new(entries).map_err(unkeepable)?;

        let mut entries = Vec::with_capacity(files.len());
        for file in &files {
            let staged = match take {
                Take::Copy => self.stage_file(&file.path)?,
                Take::Move => self.stage_by_rename(&file.path)?,
            };
            entries.push(file.entry(staged.digest, staged.size));
        }
        let tree = Tree::new(entries).map_err(unkeepable)?;
        let parts = tree
            .entries()
            .iter()
            .map(|entry| Staged {
                digest: entry.digest,
                size: entry.size,
            })
            .collect();
        Ok(StagedTree {
            tree: self.stage_bytes(&tree.encode())?,
            parts,
        })
    }

    /// Reads and checks a tree.
    pub fn read_tree(&self, digest: &Digest) -> Result<Tree> {
        let bytes = self.read_blob(digest)?;
        Tree::decode(&bytes).map_err(|reason| StoreError::NotATree {
            digest: *digest,
            reason,
        })
    }

    /// Writes a tree's files as the folder `target`; missing parent folders are made. Gives the tree.
    ///
    /// The folder is built beside the target and then gets the name, so it is never there in part. A folder
    /// that bears the name already is replaced as a whole; a file is not.
    pub fn export_tree(&self, digest: &Digest, target: &Path, mode: ExportMode) -> Result<Tree> {
        let tree = self.read_tree(digest)?;
        let parent = parent_of(target);
        fs::create_dir_all(&parent).at("create", &parent)?;
        let part = PartFile::new(self.part_beside(&parent));
        fs::create_dir(part.path()).at("create", part.path())?;
        for entry in tree.entries() {
            let path = entry
                .path
                .split('/')
                .fold(part.path().to_owned(), |path, name| path.join(name));
            self.export_as(&entry.digest, &path, mode, entry.executable)?;
        }
        match fs::symlink_metadata(target) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => part.rename_to(target)?,
            Err(error) => return Err(error).at("look at", target),
            Ok(metadata) if metadata.is_dir() => {
                // Removed on drop, once the new folder stands.
                let old = PartFile::new(self.part_beside(&parent));
                fs::rename(target, old.path()).at("replace", target)?;
                if let Err(error) = part.rename_to(target) {
                    let _ = fs::rename(old.path(), target);
                    return Err(error);
                }
            }
            Ok(_) => {
                let reason = "a file is in the way of a folder; move it".to_owned();
                return Err(StoreError::Unkeepable {
                    path: target.to_owned(),
                    reason,
                });
            }
        }
        if mode == ExportMode::Synced {
            os::sync_folder(&parent).at("sync", &parent)?;
        }
        Ok(tree)
    }
}

/// A file that was found.
struct Found {
    path: PathBuf,
    /// Path in the tree.
    name: String,
    executable: bool,
}

impl Found {
    fn entry(&self, digest: Digest, size: u64) -> TreeEntry {
        TreeEntry {
            path: self.name.clone(),
            digest,
            size,
            executable: self.executable,
        }
    }
}

fn collect(folder: &Path, prefix: &str, files: &mut Vec<Found>) -> Result<()> {
    for entry in fs::read_dir(folder).at("list", folder)? {
        let path = entry.at("list", folder)?.path();
        let unkeepable = |reason: &str| StoreError::Unkeepable {
            path: path.clone(),
            reason: reason.to_owned(),
        };
        let name = path.file_name().and_then(|name| name.to_str());
        let name = name.ok_or_else(|| unkeepable("its name is not Unicode; rename it"))?;
        let name = if prefix.is_empty() {
            name.to_owned()
        } else {
            format!("{prefix}/{name}")
        };
        let metadata = fs::symlink_metadata(&path).at("look at", &path)?;
        if metadata.is_dir() {
            collect(&path, &name, files)?;
        } else if metadata.is_file() {
            files.push(Found {
                executable: os::is_executable(&metadata),
                path,
                name,
            });
        } else if metadata.is_symlink() {
            return Err(unkeepable("it is a symbolic link; put the file itself there"));
        } else {
            return Err(unkeepable("it is neither a file nor a folder"));
        }
    }
    Ok(())
}
