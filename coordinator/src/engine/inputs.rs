//! Which blobs items read of the project: files, what lies beside them, and what lies in folders.

use std::collections::HashSet;

use tidemill_proto::Digest;
use tidemill_proto::v1::{File, Item, source};
use tidemill_store::{Store, StoreError};

/// A blob of the plan cannot be named or looked at.
#[derive(Debug, thiserror::Error)]
pub enum InputsError {
    /// The plan names something that is no digest.
    #[error("{path}: {reason}")]
    Digest {
        /// Of the file.
        path: String,
        /// What is wrong.
        reason: String,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Digests of all that these items read of the project, each once. What lies in a folder is named by its tree, which is
/// read here; one that is only staged is committed for that. Of a tree that is not there only itself is named: whoever
/// commits the digests learns that it lacks. Blocks.
///
/// # Errors
/// When the plan is damaged, or the store fails.
pub fn blobs_read<'a>(
    items: impl Iterator<Item = &'a Item>,
    store: &Store,
) -> Result<Vec<Digest>, InputsError> {
    let (mut blobs, mut seen, mut trees) = (Vec::new(), HashSet::new(), Vec::new());
    let sources = items
        .flat_map(|item| &item.inputs)
        .flat_map(|input| &input.sources);
    let files = sources.filter_map(|source| match &source.from {
        Some(source::From::File(file)) => Some(file),
        _ => None,
    });
    for file in files {
        let digest = digest_of(file, &file.digest)?;
        if seen.insert(digest) {
            blobs.push(digest);
            if is_folder(file) {
                trees.push(digest);
            }
        }
        for companion in &file.companions {
            let digest = digest_of(file, &companion.digest)?;
            if seen.insert(digest) {
                blobs.push(digest);
            }
        }
    }
    for tree in trees {
        for part in parts_of(&tree, store)? {
            if seen.insert(part) {
                blobs.push(part);
            }
        }
    }
    Ok(blobs)
}

/// Whether the input is a folder, its digest that of a tree.
pub fn is_folder(file: &File) -> bool {
    file.path.ends_with('/')
}

fn digest_of(file: &File, bytes: &[u8]) -> Result<Digest, InputsError> {
    Digest::from_slice(bytes).map_err(|error| InputsError::Digest {
        path: file.path.clone(),
        reason: error.to_string(),
    })
}

fn parts_of(tree: &Digest, store: &Store) -> Result<Vec<Digest>, StoreError> {
    let read = match store.read_tree(tree) {
        Err(StoreError::Absent { .. }) => {
            store.commit(&[*tree])?;
            store.read_tree(tree)
        }
        read => read,
    };
    match read {
        Ok(read) => Ok(read.entries().iter().map(|entry| entry.digest).collect()),
        // Damaged ones were set aside, and lack from now on.
        Err(StoreError::Absent { .. } | StoreError::Corrupt { .. }) => Ok(Vec::new()),
        Err(error) => Err(error),
    }
}
