//! Model files in: OBJ, glTF and GLB, PLY. Every reader takes bytes that anybody may have written: it checks each count
//! and index against the file before it allocates or follows, and answers with an error that says where.

mod accessor;
mod buffers;
mod error;
mod gltf;
mod number;
mod obj;
mod placement;
mod ply;
mod ply_header;
mod polygon;
mod survey;

use std::collections::BTreeMap;
use std::path::PathBuf;

pub use error::ReadError;
pub use placement::{Placement, Units, UpAxis};
pub use survey::{ModelFacts, material_library_refers, survey};

use crate::Mesh;
use crate::mesh::UNTAGGED;

/// Extensions, with their dots, that [`read_mesh`] takes.
pub const MESH_EXTENSIONS: [&str; 4] = [".obj", ".glb", ".gltf", ".ply"];

/// A model in memory with what it may refer to.
#[derive(Debug, Clone, Copy)]
pub struct ModelFile<'a> {
    /// The whole file.
    pub bytes: &'a [u8],
    /// Its format, with or without the dot, in any case: `.obj`.
    pub extension: &'a str,
    /// Files beside it, by the name that it uses for them.
    pub companions: &'a BTreeMap<String, PathBuf>,
}

/// Reads a mesh. Units and up axis of `placement` are for OBJ and PLY, which carry none; glTF is always metres and +Y up.
///
/// In OBJ and PLY the file's own sharing of vertices is kept; in glTF bit-equal positions are made one vertex, since that format splits
/// them where normals or UVs differ. Fails on a broken file, and on one without triangles.
pub fn read_mesh(file: &ModelFile<'_>, placement: Placement) -> Result<Mesh, ReadError> {
    let mut mesh = match format_of(file.extension)? {
        Format::Obj => obj::read(file.bytes)?,
        Format::Ply => ply::read(file.bytes)?,
        Format::Gltf => gltf::read(file)?,
    };
    if mesh.triangles.is_empty() {
        return Err(ReadError::NoTriangles);
    }
    if format_of(file.extension)? != Format::Gltf {
        placement.apply(&mut mesh);
    }
    mesh.validate()?;
    Ok(mesh)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Obj,
    Ply,
    Gltf,
}

fn format_of(extension: &str) -> Result<Format, ReadError> {
    match extension.trim_start_matches('.').to_ascii_lowercase().as_str() {
        "obj" => Ok(Format::Obj),
        "ply" => Ok(Format::Ply),
        "glb" | "gltf" => Ok(Format::Gltf),
        _ => Err(ReadError::UnknownExtension {
            extension: extension.to_owned(),
        }),
    }
}

/// Tag names in order of first use.
#[derive(Debug, Default)]
struct TagTable {
    names: Vec<String>,
    index_of: BTreeMap<String, u16>,
}

impl TagTable {
    /// The index of a name, a new one if need be; `None` when there are more tags than a mesh can number.
    fn index(&mut self, name: &str) -> Option<u16> {
        if let Some(&index) = self.index_of.get(name) {
            return Some(index);
        }
        let index = u16::try_from(self.names.len())
            .ok()
            .filter(|index| *index != UNTAGGED)?;
        self.names.push(name.to_owned());
        self.index_of.insert(name.to_owned(), index);
        Some(index)
    }
}
