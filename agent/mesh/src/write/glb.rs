//! GLB: a node for each named part or one without a name, in it one primitive and one material for each tag, or one material with
//! its maps for all.

use std::collections::BTreeMap;

use gltf_json::Index;
use tidemill_ops::TagColor;

use super::document::Document;
use super::material;
use super::normals::corner_normals;
use super::tangents::{CornerTangents, corner_tangents};
use super::vertices::{IndexedVertices, Vertex};
use crate::map::MapError;
use crate::mesh::{MeshError, UNTAGGED};
use crate::palette::{UNTAGGED_RGB, tag_colors};
use crate::{Mesh, Model};

/// Name of the material of faces that carry no tag; the reader knows it.
const UNTAGGED_MATERIAL: &str = "untagged";

/// Why a mesh cannot be a GLB.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The mesh breaks its own rules.
    #[error("the mesh is not sound: {0}")]
    Mesh(#[from] MeshError),
    /// glTF has no mesh without triangles.
    #[error("there is no triangle left to write; soften the settings of the operations before")]
    Empty,
    /// The container counts its bytes in 32 bits.
    #[error("the file would have {bytes} bytes, and GLB ends at 4 GiB; simplify the mesh before writing it")]
    TooLarge {
        /// What it would have.
        bytes: u64,
    },
    /// A map of the material cannot be written.
    #[error("the {what} map of the material: {source}")]
    Map {
        /// Which.
        what: &'static str,
        /// What is wrong.
        source: MapError,
    },
    /// Maps need UVs to lie on.
    #[error("the mesh has maps but no UVs; put `unwrap` before `dress`")]
    NoUvs,
    /// The JSON part cannot be made.
    #[error("cannot encode the glTF document: {0}")]
    Encode(String),
}

/// The bytes of a GLB file. Normals are computed where absent; tangents are written where the mesh has UVs that give them. Each tag's
/// material has the tag's colour of `colors`, or one of a fixed palette that goes by the order of the tags' names.
pub fn glb(mesh: &Mesh, colors: &[TagColor]) -> Result<Vec<u8>, WriteError> {
    let mut writer = Writer::new(&mesh.tags, colors);
    writer.add_node(mesh, None, [0.0; 3], None)?;
    writer.finish()
}

/// As [`glb`], with a node for each named part. Where the model is dressed, all parts share its one material, whose maps are embedded as
/// PNG files, and tags are no longer seen.
pub fn glb_of_model(model: &Model, colors: &[TagColor]) -> Result<Vec<u8>, WriteError> {
    let mut writer = Writer::new(&model.whole.tags, colors);
    let material = match &model.dress {
        None => None,
        Some(_) if model.whole.uvs.is_none() => return Err(WriteError::NoUvs),
        Some(dress) => Some(material::dressed(&mut writer.document, dress)?),
    };
    if model.parts.is_empty() {
        writer.add_node(&model.whole, None, [0.0; 3], material)?;
    }
    for part in &model.parts {
        writer.add_node(&part.mesh, Some(&part.name), part.at, material)?;
    }
    writer.finish()
}

struct Writer {
    document: Document,
    rgb_of_tags: BTreeMap<String, [u8; 3]>,
    /// By name, when the first part uses it.
    materials: BTreeMap<String, Index<gltf_json::Material>>,
}

impl Writer {
    fn new(tags: &[String], colors: &[TagColor]) -> Self {
        Self {
            document: Document::default(),
            rgb_of_tags: tags.iter().cloned().zip(tag_colors(tags, colors)).collect(),
            materials: BTreeMap::new(),
        }
    }

    fn add_node(
        &mut self,
        mesh: &Mesh,
        name: Option<&str>,
        at: [f32; 3],
        material: Option<Index<gltf_json::Material>>,
    ) -> Result<(), WriteError> {
        mesh.validate()?;
        if mesh.triangles.is_empty() {
            return Err(WriteError::Empty);
        }
        let normals = corner_normals(mesh);
        let surface = Surface {
            mesh,
            tangents: corner_tangents(mesh, &normals),
            normals,
        };
        let (with_uvs, with_tangents) = (mesh.uvs.is_some(), surface.tangents.is_some());
        if let Some(material) = material {
            let part = surface.part(|_| true);
            self.document
                .add_primitive(material, &part, with_uvs, with_tangents);
        } else {
            // Tags in their order, then what has none.
            for tag in (0..mesh.tags.len() as u16).chain([UNTAGGED]) {
                let part = surface.part(|face| mesh.face_tags[face] == tag);
                if !part.indices.is_empty() {
                    let name = mesh.tags.get(usize::from(tag)).map(String::as_str);
                    let material = self.material_of(name);
                    self.document
                        .add_primitive(material, &part, with_uvs, with_tangents);
                }
            }
        }
        self.document.end_node(name, at);
        Ok(())
    }

    fn material_of(&mut self, tag: Option<&str>) -> Index<gltf_json::Material> {
        let name = tag.unwrap_or(UNTAGGED_MATERIAL);
        if let Some(index) = self.materials.get(name) {
            return *index;
        }
        let rgb = tag.and_then(|tag| self.rgb_of_tags.get(tag)).copied();
        let index = self
            .document
            .root
            .push(material::of_tag(name, rgb.unwrap_or(UNTAGGED_RGB)));
        self.materials.insert(name.to_owned(), index);
        index
    }

    fn finish(self) -> Result<Vec<u8>, WriteError> {
        self.document.finish()
    }
}

struct Surface<'a> {
    mesh: &'a Mesh,
    normals: Vec<[[f32; 3]; 3]>,
    tangents: Option<CornerTangents>,
}

impl Surface<'_> {
    /// Those faces.
    fn part(&self, holds: impl Fn(usize) -> bool) -> IndexedVertices {
        let mut part = IndexedVertices::default();
        for face in (0..self.mesh.triangles.len()).filter(|face| holds(*face)) {
            let positions = self.mesh.corners(face);
            for corner in 0..3 {
                part.push(Vertex {
                    position: positions[corner],
                    normal: self.normals[face][corner],
                    uv: self.mesh.uvs.as_ref().map_or([0.0; 2], |uvs| uvs[face][corner]),
                    tangent: self
                        .tangents
                        .as_ref()
                        .map_or([0.0; 4], |tangents| tangents[face][corner]),
                });
            }
        }
        part
    }
}
