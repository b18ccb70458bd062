//! Two files at one path, as Linux, macOS or Windows would see it.

use std::collections::HashMap;

use crate::paths::folded;

/// Paths that are taken, and by what.
#[derive(Debug, Default)]
pub(crate) struct Taken<T> {
    by_path: HashMap<String, (T, String)>,
}

/// What stands in the way of a path.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct InTheWay<T> {
    /// Whose path it is.
    pub(crate) owner: T,
    pub(crate) path: String,
}

impl<T: Copy> Taken<T> {
    pub(crate) fn with_capacity(capacity: usize) -> Self {
        Self {
            by_path: HashMap::with_capacity(capacity),
        }
    }

    /// Takes a path, or says what has it.
    pub(crate) fn take(&mut self, owner: T, path: &str) -> Result<(), InTheWay<T>> {
        use std::collections::hash_map::Entry;
        match self.by_path.entry(folded(path)) {
            Entry::Occupied(entry) => {
                let (owner, path) = entry.get();
                Err(InTheWay {
                    owner: *owner,
                    path: path.clone(),
                })
            }
            Entry::Vacant(entry) => {
                entry.insert((owner, path.to_owned()));
                Ok(())
            }
        }
    }

    /// Once all are taken: a path that would have to be a folder for this one.
    pub(crate) fn above(&self, path: &str) -> Option<InTheWay<T>> {
        let path = folded(path);
        let ends = path.match_indices('/').map(|(at, _)| at);
        ends.map(|end| &path[..end])
            .find_map(|folder| self.by_path.get(folder))
            .map(|(owner, path)| InTheWay {
                owner: *owner,
                path: path.clone(),
            })
    }
}

/// The part of a sentence that names the file or files.
pub(crate) fn name_both(one: &str, two: &str) -> String {
    if one == two {
        format!("`{one}`")
    } else if one.to_lowercase() == two.to_lowercase() {
        format!("`{one}` and `{two}`, which differ only in case: on Windows and macOS they are one file")
    } else {
        format!(
            "`{one}` and `{two}`, which differ only in how letters are encoded or written: on some systems they are one file"
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_one_somewhere_is_taken_once() {
        let mut taken = Taken::default();
        assert!(taken.take(1, "maps/Crate.png").is_ok());
        let other = taken.take(2, "MAPS/crate.PNG").unwrap_err();
        assert_eq!((other.owner, other.path.as_str()), (1, "maps/Crate.png"));
        assert!(taken.take(3, "maps/crate.glb").is_ok());
    }

    #[test]
    fn a_file_cannot_be_a_folder_as_well() {
        let mut taken = Taken::default();
        taken.take(1, "tiles").unwrap();
        taken.take(2, "Tiles/a/b.png").unwrap();
        assert_eq!(taken.above("Tiles/a/b.png").unwrap().owner, 1);
        assert!(taken.above("tiles").is_none());
    }
}
