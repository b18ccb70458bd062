//! Small files that items are done with, kept to be filled anew.
//!
//! An item's copies of its inputs are made and thrown away again within milliseconds. Some file systems make
//! that dear: ext4 avoids inodes that were freed within the last minute and looks at every one of them when a
//! file is made, so a slot that removes its files slows down its own next items. A file that is moved aside,
//! and emptied, filled and moved back when the next input comes, frees no inode and asks for none.
//!
//! The pool stands beside the slot's folder, where no item looks, and nothing of an item is left in a file
//! that is taken out of it: it is emptied first, unless the next input has just its length and is written over all of
//! it; and only files with no other name are taken in.

use std::fs::{self, File, Metadata};
use std::io;
use std::path::{Path, PathBuf};

use crate::os;

/// Larger files are removed: for them the bytes cost more than the inode.
const MOST_BYTES: u64 = 64 * 1024;
/// So many files wait at most; with the bound above, 64 MiB.
const MOST_FILES: usize = 1024;

/// The files of one slot. They outlive the process, since removing them is what is to be avoided.
#[derive(Debug)]
pub(crate) struct Spares {
    folder: PathBuf,
    /// Names of the files that are there.
    free: Vec<u64>,
    /// Above all names.
    next: u64,
}

impl Spares {
    /// Makes the folder, or takes it over from an earlier process with the files that are in it.
    pub(crate) fn open(folder: PathBuf) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        let mut free = Vec::new();
        for entry in fs::read_dir(&folder)? {
            let name = entry?.file_name();
            free.extend(name.to_str().and_then(|name| name.parse::<u64>().ok()));
        }
        free.sort_unstable();
        let next = free.last().map_or(0, |last| last + 1);
        Ok(Self { folder, free, next })
    }

    /// Takes a file in; false if it is none for the pool, and then it is still where it was.
    pub(crate) fn keep(&mut self, path: &Path, metadata: &Metadata) -> bool {
        let fits = fits(metadata) && self.free.len() < MOST_FILES;
        let kept = fits && fs::rename(path, self.place(self.next)).is_ok();
        if kept {
            self.free.push(self.next);
            self.next += 1;
        }
        kept
    }

    /// Gives a file at `target` to be filled, as [`emptied`] does; `None` if there is none to give, or for so many bytes a
    /// copy by the file system serves better.
    pub(crate) fn take(&mut self, target: &Path, size_bytes: u64) -> Option<File> {
        if size_bytes > MOST_BYTES {
            return None;
        }
        let name = self.free.pop()?;
        let spare = self.place(name);
        let given = emptied(&spare, size_bytes).filter(|_| fs::rename(&spare, target).is_ok());
        if given.is_none() {
            // What a program has done to it is not worth finding out.
            let _ = fs::remove_file(&spare);
        }
        given
    }

    fn place(&self, number: u64) -> PathBuf {
        self.folder.join(number.to_string())
    }
}

/// A file that may be used again: small, and known under no other name.
pub(crate) fn fits(metadata: &Metadata) -> bool {
    metadata.is_file() && metadata.len() <= MOST_BYTES && !os::has_other_names(metadata)
}

/// Opens a file to be filled with so many new bytes: writable, with the permissions of a new one, and empty unless
/// it has just that length. `None` if that is not to be had, or if for so many bytes a copy by the file system
/// serves better.
///
/// A file of the same length is not emptied, since all of it is written over, and giving its block back only to
/// ask for another costs as much as the rest of the way.
pub(crate) fn emptied(path: &Path, size_bytes: u64) -> Option<File> {
    if size_bytes > MOST_BYTES {
        return None;
    }
    let length_bytes = os::make_plain(path).ok()?;
    let same = length_bytes == size_bytes;
    File::options().write(true).truncate(!same).open(path).ok()
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;

    use super::*;

    fn keep(spares: &mut Spares, path: &Path) -> bool {
        spares.keep(path, &fs::symlink_metadata(path).unwrap())
    }

    #[test]
    fn a_file_comes_back_empty_and_with_no_trace_of_its_item() {
        let temporary = tempfile::tempdir().unwrap();
        let mut spares = Spares::open(temporary.path().join("spare")).unwrap();
        let (old, new) = (temporary.path().join("old"), temporary.path().join("new"));
        assert!(spares.take(&new, 2).is_none());
        fs::write(&old, "a secret of the last item").unwrap();
        let mut permissions = fs::metadata(&old).unwrap().permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&old, permissions).unwrap();
        assert!(keep(&mut spares, &old));
        assert!(!old.exists());
        assert!(spares.take(&new, MOST_BYTES + 1).is_none());
        let mut file = spares.take(&new, 2).unwrap();
        assert_eq!(fs::read(&new).unwrap(), b"");
        file.write_all(b"ok").unwrap();
        assert_eq!(fs::read(&new).unwrap(), b"ok");
        assert!(spares.take(&old, 2).is_none());
    }

    #[test]
    fn the_next_process_goes_on_with_what_is_there() {
        let temporary = tempfile::tempdir().unwrap();
        let pool = temporary.path().join("spare");
        let path = |name: &str| temporary.path().join(name);
        let mut spares = Spares::open(pool.clone()).unwrap();
        for name in ["one", "two"] {
            fs::write(path(name), name).unwrap();
            assert!(keep(&mut spares, &path(name)));
        }
        drop(spares);
        let mut spares = Spares::open(pool).unwrap();
        fs::write(path("three"), "three").unwrap();
        assert!(keep(&mut spares, &path("three")));
        for name in ["a", "b", "c"] {
            assert!(spares.take(&path(name), 1).is_some(), "{name}");
            assert_eq!(fs::read(path(name)).unwrap(), b"");
        }
        assert!(spares.take(&path("d"), 1).is_none());
    }

    #[test]
    fn large_files_links_and_folders_are_not_taken() {
        let temporary = tempfile::tempdir().unwrap();
        let mut spares = Spares::open(temporary.path().join("spare")).unwrap();
        let path = |name: &str| temporary.path().join(name);
        fs::write(path("large"), vec![0; MOST_BYTES as usize + 1]).unwrap();
        fs::write(path("two"), "x").unwrap();
        fs::hard_link(path("two"), path("names")).unwrap();
        fs::create_dir(path("folder")).unwrap();
        for name in ["large", "two", "folder"] {
            assert!(!keep(&mut spares, &path(name)), "{name}");
            assert!(path(name).exists(), "{name}");
        }
    }
}
