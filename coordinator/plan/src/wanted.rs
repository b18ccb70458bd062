//! What the client must look for before a plan can be made.

use std::collections::BTreeSet;

use crate::read::{Manifest, SourceDecl};
use crate::variants::files::ModelFilter;

/// Everything that a manifest reads from its folder. Paths are relative to the manifest, with `/`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// `[manifest].name`.
    pub manifest: String,
    /// The pattern of base models (`*` and `?` stay within a folder, `**` does not); absent where a CSV
    /// file names them, or where variants have none.
    pub models: Option<String>,
    /// Patterns of models to leave out; one without `/` is about file names in any folder.
    pub excludes: Vec<String>,
    /// Fixed files that steps read.
    pub files: BTreeSet<String>,
    /// Fixed folders that steps read, without `/` at the end: each one is surveyed as a tree.
    pub folders: BTreeSet<String>,
    /// CSV files, to be put in [`crate::Survey::texts`]. Each may name models: see [`crate::models_of_csv`].
    pub csv_files: BTreeSet<String>,
    /// The manifest names tags, so that every base model must be read as a model.
    pub tags: bool,
    /// Those tags and their colours, 0xRRGGBB, in the order of the manifest.
    pub tag_colors: Vec<(String, u32)>,
    /// Length unit of models that carry none: `mm`, `cm`, `m`, `in` or `ft`.
    pub units: String,
    /// Up axis of models that carry none: `y` or `z`.
    pub up: String,
}

impl Wanted {
    /// Tells base models from other files; `None` if no pattern names them.
    pub fn filter(&self) -> Option<ModelFilter> {
        ModelFilter::new(self.models.as_ref()?, self.excludes.iter().map(String::as_str))
    }

    pub(crate) fn of(manifest: &Manifest) -> Self {
        let variants = &manifest.variants;
        let mut wanted = Self {
            manifest: manifest.name.clone(),
            models: variants.models.as_ref().map(|models| models.value.clone()),
            excludes: variants
                .excludes
                .iter()
                .map(|exclude| exclude.value.clone())
                .collect(),
            csv_files: variants.csv.iter().map(|csv| csv.value.clone()).collect(),
            tags: !variants.tags.is_empty(),
            tag_colors: variants
                .tags
                .iter()
                .map(|tag| (tag.name.value.clone(), tag.color))
                .collect(),
            units: variants.units.clone(),
            up: variants.up.clone(),
            ..Self::default()
        };
        for input in manifest.steps.iter().flat_map(|step| &step.from) {
            if let SourceDecl::File { path, folder } = &input.source {
                let paths = if *folder {
                    &mut wanted.folders
                } else {
                    &mut wanted.files
                };
                paths.insert(path.clone());
            }
        }
        wanted
    }
}
