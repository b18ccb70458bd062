//! A folder as one blob: a listing of its files by name and digest.
//!
//! Two folders with the same files give the same tree, byte for byte, whatever system they lie on and in
//! whatever order it lists them. Kept of a file: its path, its bytes, and whether its owner may execute it.
//! Not kept: times, other permissions, empty folders. Refused: symbolic links, special files, and names that
//! some system could not give back.

mod folder;
mod format;
mod names;

pub use folder::{StagedTree, Take};
pub use format::{Tree, TreeEntry};
