//! What the client must look for before a plan can be made.

use std::collections::BTreeSet;

/// Everything that a manifest reads from its folder. Paths are relative to the manifest, with `/`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// `[manifest].name`.
    pub manifest: String,
    /// The pattern of base models (`*` and `?` stay within a folder, `**` does not); absent where a CSV
    /// file names them, or where variants have none.
    pub models: Option<String>,
    /// Patterns of models to leave out.
    pub excludes: Vec<String>,
    /// Fixed files that steps read.
    pub files: BTreeSet<String>,
    /// Fixed folders that steps read, without `/` at the end: each one is surveyed as a tree.
    pub folders: BTreeSet<String>,
    /// CSV files, to be put in [`crate::Survey::texts`]. Each may name models in a column `model`.
    pub csv_files: BTreeSet<String>,
    /// The manifest names tags, so that every base model must be read as a model.
    pub tags: bool,
    /// Length unit of models that carry none: `mm`, `cm`, `m`, `in` or `ft`.
    pub units: String,
    /// Up axis of models that carry none: `y` or `z`.
    pub up: String,
}
