//! The folder of a slot: made once, used by one item after the other. Making and removing folders for every
//! item would take longer than a small item itself, so only what was put there is removed again, and the
//! folders of inputs stay as long as the next item has inputs of the same names.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::paths::{IN, OUT, TMP};
use super::spare::{self, Spares};
use crate::os;

/// One slot's folder with `in`, `out` and `tmp`.
#[derive(Debug)]
pub(crate) struct SlotFolder {
    root: PathBuf,
    /// Folders below `in` that are there, relative to `root`, with `/`.
    made: BTreeSet<String>,
    /// Small files of the last item's inputs that still stand where they were, to be filled anew.
    left: BTreeSet<String>,
    /// Whether the last look at `root` since the last item found nothing there but what is ours.
    no_strangers: Cell<bool>,
    spares: Spares,
}

impl SlotFolder {
    /// Makes the folder, or takes it over from an earlier process, emptied.
    pub(crate) fn open(root: &Path) -> io::Result<Self> {
        fs::create_dir_all(root)?;
        // Programs are told absolute paths (HOME), and run elsewhere than this process.
        let root = std::path::absolute(root)?;
        let spares = Spares::open(root.with_extension("spare"))?;
        let mut folder = Self {
            root,
            made: BTreeSet::new(),
            left: BTreeSet::new(),
            no_strangers: Cell::new(false),
            spares,
        };
        folder.clean()?;
        Ok(folder)
    }

    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    /// Absolute path of a path with `/`.
    pub(crate) fn path(&self, relative: &str) -> PathBuf {
        self.root.join(relative)
    }

    /// A file at a path with `/` to be filled with so many bytes, if there is one to be used again ([`spare::emptied`]).
    pub(crate) fn used_file(&mut self, relative: &str, size_bytes: u64) -> Option<fs::File> {
        let target = self.path(relative);
        if self.left.remove(relative) {
            if let Some(file) = spare::emptied(&target, size_bytes) {
                return Some(file);
            }
            let _ = fs::remove_file(&target);
        }
        self.spares.take(&target, size_bytes)
    }

    /// Puts away what is left of the last item: from now on only what this one was given is in the folder.
    pub(crate) fn put_away_the_rest(&mut self) -> io::Result<()> {
        for relative in std::mem::take(&mut self.left) {
            let path = self.path(&relative);
            match fs::symlink_metadata(&path) {
                Ok(metadata) if self.spares.keep(&path, &metadata) => {}
                _ => remove_all(&path)?,
            }
        }
        Ok(())
    }

    /// Makes sure that of the input folders just these are there, all empty.
    pub(crate) fn prepare(&mut self, wanted: &BTreeSet<String>) -> io::Result<()> {
        if self.made == *wanted {
            return Ok(());
        }
        // An inner folder stands behind its outer one, so from the back they are empty when their turn comes.
        let obsolete: Vec<String> = self
            .made
            .iter()
            .rev()
            .filter(|made| !is_needed(made, wanted))
            .cloned()
            .collect();
        for folder in obsolete {
            remove_all(&self.path(&folder))?;
            self.made.remove(&folder);
        }
        for folder in wanted {
            fs::create_dir_all(self.path(folder))?;
            self.note_made(folder);
        }
        Ok(())
    }

    /// Removes whatever is there but the folders themselves, and small files in them that the next item's inputs
    /// may fill anew ([`Self::used_file`], [`Self::put_away_the_rest`]).
    pub(crate) fn clean(&mut self) -> io::Result<()> {
        self.left.clear();
        if !self.no_strangers.replace(false) {
            for entry in fs::read_dir(&self.root)? {
                let name = entry?.file_name();
                if !is_own(&name) {
                    remove_all(&self.root.join(name))?;
                }
            }
        }
        let mut emptied = BTreeSet::new();
        for own in [IN, OUT, TMP] {
            let path = self.root.join(own);
            match fs::symlink_metadata(&path) {
                Ok(metadata) if metadata.is_dir() => {
                    os::make_readable(&path, &metadata)?;
                    let mut sweep = Sweep {
                        keep: &self.made,
                        emptied: &mut emptied,
                        left: &mut self.left,
                        spares: &mut self.spares,
                    };
                    sweep.empty(&path, own)?;
                }
                // A program has put something else in its place.
                Ok(_) => {
                    fs::remove_file(&path)?;
                    fs::create_dir(&path)?;
                }
                Err(error) if error.kind() == io::ErrorKind::NotFound => fs::create_dir(&path)?,
                Err(error) => return Err(error),
            }
        }
        self.made = emptied;
        Ok(())
    }

    /// Names in the slot's folder itself that are not ours, sorted. To be asked when everything of the item
    /// has ended.
    pub(crate) fn strangers(&self) -> io::Result<Vec<String>> {
        let mut names = names_in(&self.root)?;
        names.retain(|name| !is_own(name.trim_end_matches('/').as_ref()));
        self.no_strangers.set(names.is_empty());
        Ok(names)
    }

    fn note_made(&mut self, folder: &str) {
        let mut folder = folder;
        while folder != IN {
            self.made.insert(folder.to_owned());
            folder = folder.rsplit_once('/').map_or(IN, |(parent, _)| parent);
        }
    }
}

/// Names in a folder, sorted; folders with a trailing `/`.
pub(crate) fn names_in(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let slash = if entry.file_type()?.is_dir() { "/" } else { "" };
        names.push(format!("{}{slash}", entry.file_name().to_string_lossy()));
    }
    names.sort_unstable();
    Ok(names)
}

fn is_own(name: &std::ffi::OsStr) -> bool {
    [IN, OUT, TMP].iter().any(|own| name == *own)
}

fn is_needed(made: &str, wanted: &BTreeSet<String>) -> bool {
    wanted.iter().any(|wanted| {
        wanted == made
            || wanted
                .strip_prefix(made)
                .is_some_and(|rest| rest.starts_with('/'))
    })
}

/// What happens to the things in a slot's folder after an item.
struct Sweep<'a> {
    /// Folders that stay, emptied.
    keep: &'a BTreeSet<String>,
    /// Those of them that were there.
    emptied: &'a mut BTreeSet<String>,
    /// Files that stay for now.
    left: &'a mut BTreeSet<String>,
    spares: &'a mut Spares,
}

impl Sweep<'_> {
    fn empty(&mut self, path: &Path, relative: &str) -> io::Result<()> {
        for entry in fs::read_dir(path)? {
            let entry = entry?;
            let inner = entry.path();
            let metadata = entry.metadata()?;
            let name = format!("{relative}/{}", entry.file_name().to_string_lossy());
            if self.keep.contains(&name) && metadata.is_dir() {
                os::make_readable(&inner, &metadata)?;
                self.empty(&inner, &name)?;
                self.emptied.insert(name);
            } else if self.keep.contains(relative) && spare::fits(&metadata) {
                self.left.insert(name);
            } else if !self.spares.keep(&inner, &metadata) {
                remove_all(&inner)?;
            }
        }
        Ok(())
    }
}

/// Removes a file or a folder with all that is in it, even if its owner forbade that to itself. Never follows
/// a symbolic link.
fn remove_all(path: &Path) -> io::Result<()> {
    let metadata = match fs::symlink_metadata(path) {
        Ok(metadata) => metadata,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error),
    };
    if !metadata.is_dir() {
        return fs::remove_file(path);
    }
    if fs::remove_dir_all(path).is_ok() {
        return Ok(());
    }
    os::make_readable(path, &metadata)?;
    for entry in fs::read_dir(path)? {
        remove_all(&entry?.path())?;
    }
    fs::remove_dir(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wanted(folders: &[&str]) -> BTreeSet<String> {
        folders.iter().map(|folder| (*folder).to_owned()).collect()
    }

    fn all_below(root: &Path) -> Vec<String> {
        let mut found = Vec::new();
        let mut open = vec![String::new()];
        while let Some(folder) = open.pop() {
            for entry in fs::read_dir(root.join(&folder)).unwrap() {
                let entry = entry.unwrap();
                let name = format!("{folder}{}", entry.file_name().to_str().unwrap());
                if entry.file_type().unwrap().is_dir() {
                    open.push(format!("{name}/"));
                }
                found.push(name);
            }
        }
        found.sort();
        found
    }

    #[test]
    fn files_go_and_the_folders_of_like_inputs_stay() {
        let temporary = tempfile::tempdir().unwrap();
        let root = temporary.path().join("slots/0");
        let mut folder = SlotFolder::open(&root).unwrap();
        folder
            .prepare(&wanted(&["in/model", "in/maps/0000", "in/maps/0001"]))
            .unwrap();
        for file in [
            "in/model/model.obj",
            "in/maps/0001/maps.png",
            "out/mesh.glb",
            "tmp/.cache",
            "core",
        ] {
            fs::write(root.join(file), "x").unwrap();
        }
        fs::create_dir_all(root.join("tmp/deep/er")).unwrap();
        assert_eq!(folder.strangers().unwrap(), ["core"]);
        folder.clean().unwrap();
        assert!(root.join("in/model/model.obj").exists(), "it may be filled anew");
        folder.put_away_the_rest().unwrap();
        let left = [
            "in",
            "in/maps",
            "in/maps/0000",
            "in/maps/0001",
            "in/model",
            "out",
            "tmp",
        ];
        assert_eq!(all_below(&root), left);
        folder.prepare(&wanted(&["in/maps/0000"])).unwrap();
        assert_eq!(all_below(&root), ["in", "in/maps", "in/maps/0000", "out", "tmp"]);
        folder.prepare(&wanted(&[])).unwrap();
        assert_eq!(all_below(&root), ["in", "out", "tmp"]);
    }

    #[test]
    fn what_an_earlier_process_left_is_removed() {
        let temporary = tempfile::tempdir().unwrap();
        let root = temporary.path().join("slot");
        fs::create_dir_all(root.join("out/old")).unwrap();
        fs::write(root.join("in"), "a file in its place").unwrap();
        SlotFolder::open(&root).unwrap();
        assert_eq!(all_below(&root), ["in", "out", "tmp"]);
    }

    #[cfg(unix)]
    #[test]
    fn links_are_removed_and_never_followed() {
        let temporary = tempfile::tempdir().unwrap();
        let outside = temporary.path().join("outside");
        fs::create_dir(&outside).unwrap();
        fs::write(outside.join("precious"), "x").unwrap();
        let root = temporary.path().join("slot");
        let mut folder = SlotFolder::open(&root).unwrap();
        fs::remove_dir(root.join("out")).unwrap();
        std::os::unix::fs::symlink(&outside, root.join("out")).unwrap();
        std::os::unix::fs::symlink(&outside, root.join("tmp/link")).unwrap();
        folder.clean().unwrap();
        assert_eq!(all_below(&root), ["in", "out", "tmp"]);
        assert!(outside.join("precious").exists());
        assert!(!root.join("out").is_symlink());
    }
}
