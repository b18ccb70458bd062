//! Figures about a mesh or a map, for people, for the `inspect` operation and for the command of that name.

mod map;
mod mesh;

pub use map::{ColorCount, MapFigures, inspect_map};
pub use mesh::{BoundsFigures, MeshFigures, TagFigures, inspect_mesh};

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::Serialize;

use crate::Map;
use crate::map::MapError;
use crate::read::{ModelFile, Placement, ReadError, read_mesh};

/// Of either kind of file; as JSON it is the object of its kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Figures {
    /// Of a model.
    Mesh(Box<MeshFigures>),
    /// Of a picture.
    Map(Box<MapFigures>),
}

/// Why a file has no figures.
#[derive(Debug, thiserror::Error)]
pub enum InspectError {
    /// Of a model.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// Of a picture.
    #[error(transparent)]
    Map(#[from] MapError),
}

/// Figures of a file: `.png` is a map, everything else a model. `companions` are the files that the model refers to.
pub fn inspect_file(
    bytes: &[u8],
    extension: &str,
    companions: &BTreeMap<String, PathBuf>,
    placement: Placement,
) -> Result<Figures, InspectError> {
    if extension.trim_start_matches('.').eq_ignore_ascii_case("png") {
        return Ok(Figures::Map(Box::new(inspect_map(&Map::from_png(bytes)?))));
    }
    let mesh = read_mesh(
        &ModelFile {
            bytes,
            extension,
            companions,
        },
        placement,
    )?;
    Ok(Figures::Mesh(Box::new(inspect_mesh(&mesh))))
}
