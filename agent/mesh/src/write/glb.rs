//! GLB: one node, one mesh, one primitive and one material for each tag.

use std::borrow::Cow;

use gltf_json as json;
use json::accessor::{ComponentType, GenericComponentType, Type};
use json::buffer::Target;
use json::validation::Checked::Valid;
use json::validation::USize64;
use json::{Index, Root};
use tidemill_ops::TagColor;

use super::normals::corner_normals;
use super::tangents::{CornerTangents, corner_tangents};
use super::vertices::{IndexedVertices, Vertex};
use crate::Mesh;
use crate::mesh::{MeshError, UNTAGGED};
use crate::palette::{UNTAGGED_RGB, linear_from_srgb, tag_colors};

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
    /// The JSON part cannot be made.
    #[error("cannot encode the glTF document: {0}")]
    Encode(String),
}

/// The bytes of a GLB file. Normals are computed where absent; tangents are written where the mesh has UVs that give them. Each tag's
/// material has the tag's colour of `colors`, or one of a fixed palette that goes by the order of the tags' names.
pub fn glb(mesh: &Mesh, colors: &[TagColor]) -> Result<Vec<u8>, WriteError> {
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
    let mut document = Document::default();
    // Tags in their order, then what has none.
    let tag_numbers = (0..mesh.tags.len() as u16).chain([UNTAGGED]);
    let rgb_of_tags = tag_colors(&mesh.tags, colors);
    for tag in tag_numbers {
        let part = surface.part(tag);
        if !part.indices.is_empty() {
            let name = mesh
                .tags
                .get(usize::from(tag))
                .map_or(UNTAGGED_MATERIAL, String::as_str);
            let rgb = rgb_of_tags.get(usize::from(tag)).copied().unwrap_or(UNTAGGED_RGB);
            document.add_primitive(
                material(name, rgb),
                &part,
                mesh.uvs.is_some(),
                surface.tangents.is_some(),
            );
        }
    }
    document.finish()
}

struct Surface<'a> {
    mesh: &'a Mesh,
    normals: Vec<[[f32; 3]; 3]>,
    tangents: Option<CornerTangents>,
}

impl Surface<'_> {
    /// The faces of one tag.
    fn part(&self, tag: u16) -> IndexedVertices {
        let mut part = IndexedVertices::default();
        let faces = (0..self.mesh.triangles.len()).filter(|face| self.mesh.face_tags[*face] == tag);
        for face in faces {
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

#[derive(Default)]
struct Document {
    root: Root,
    binary: Vec<u8>,
    primitives: Vec<json::mesh::Primitive>,
}

impl Document {
    fn add_primitive(
        &mut self,
        material: json::Material,
        part: &IndexedVertices,
        with_uvs: bool,
        with_tangents: bool,
    ) {
        let count = part.vertices.len();
        let positions = self.add_vertices(part, |vertex| vertex.position, Type::Vec3);
        let bounds = crate::mesh::Bounds::of(part.vertices.iter().map(|vertex| vertex.position));
        let accessor = &mut self.root.accessors[positions.value()];
        accessor.min = bounds.map(|bounds| serde_json::json!(bounds.least));
        accessor.max = bounds.map(|bounds| serde_json::json!(bounds.most));
        let mut attributes = vec![(json::mesh::Semantic::Positions, positions)];
        attributes.push((
            json::mesh::Semantic::Normals,
            self.add_vertices(part, |vertex| vertex.normal, Type::Vec3),
        ));
        if with_uvs {
            let uvs = self.add_vertices(part, |vertex| vertex.uv, Type::Vec2);
            attributes.push((json::mesh::Semantic::TexCoords(0), uvs));
        }
        if with_tangents {
            let tangents = self.add_vertices(part, |vertex| vertex.tangent, Type::Vec4);
            attributes.push((json::mesh::Semantic::Tangents, tangents));
        }
        let indices = self.add_indices(&part.indices, count);
        let material = self.root.push(material);
        self.primitives.push(json::mesh::Primitive {
            attributes: attributes
                .into_iter()
                .map(|(semantic, index)| (Valid(semantic), index))
                .collect(),
            extensions: None,
            extras: None,
            indices: Some(indices),
            material: Some(material),
            mode: Valid(json::mesh::Mode::Triangles),
            targets: None,
        });
    }

    fn add_vertices<const N: usize>(
        &mut self,
        part: &IndexedVertices,
        pick: fn(&Vertex) -> [f32; N],
        type_: Type,
    ) -> Index<json::Accessor> {
        let view = self.add_view(Target::ArrayBuffer, |binary| {
            part.vertices
                .iter()
                .flat_map(pick)
                .for_each(|number| binary.extend(number.to_le_bytes()));
        });
        self.add_accessor(view, part.vertices.len(), ComponentType::F32, type_)
    }

    /// In 16 bits where they suffice: the largest number of either width is never an index, since it may mean a restart.
    fn add_indices(&mut self, indices: &[u32], vertices: usize) -> Index<json::Accessor> {
        let short = vertices <= usize::from(u16::MAX);
        let view = self.add_view(Target::ElementArrayBuffer, |binary| {
            for &index in indices {
                if short {
                    binary.extend((index as u16).to_le_bytes());
                } else {
                    binary.extend(index.to_le_bytes());
                }
            }
        });
        let component = if short {
            ComponentType::U16
        } else {
            ComponentType::U32
        };
        self.add_accessor(view, indices.len(), component, Type::Scalar)
    }

    /// Views begin at multiples of 4 bytes, as attributes must.
    fn add_view(&mut self, target: Target, fill: impl FnOnce(&mut Vec<u8>)) -> Index<json::buffer::View> {
        let begin = self.binary.len();
        fill(&mut self.binary);
        let length = self.binary.len() - begin;
        self.binary.resize(self.binary.len().next_multiple_of(4), 0);
        self.root.push(json::buffer::View {
            buffer: Index::new(0),
            byte_length: USize64::from(length),
            byte_offset: Some(USize64::from(begin)),
            byte_stride: None,
            extensions: None,
            extras: None,
            name: None,
            target: Some(Valid(target)),
        })
    }

    fn add_accessor(
        &mut self,
        view: Index<json::buffer::View>,
        count: usize,
        component: ComponentType,
        type_: Type,
    ) -> Index<json::Accessor> {
        self.root.push(json::Accessor {
            buffer_view: Some(view),
            byte_offset: None,
            count: USize64::from(count),
            component_type: Valid(GenericComponentType(component)),
            extensions: None,
            extras: None,
            type_: Valid(type_),
            min: None,
            max: None,
            name: None,
            normalized: false,
            sparse: None,
        })
    }

    fn finish(mut self) -> Result<Vec<u8>, WriteError> {
        // JSON, three headers and paddings take little; the exact check is the container's.
        let bytes = self.binary.len() as u64;
        if bytes > u64::from(u32::MAX) - (1 << 20) {
            return Err(WriteError::TooLarge { bytes });
        }
        self.root.asset.generator = Some("Tidemill".to_owned());
        self.root.push(json::Buffer {
            byte_length: USize64::from(self.binary.len()),
            extensions: None,
            extras: None,
            name: None,
            uri: None,
        });
        let mesh = self.root.push(json::Mesh {
            extensions: None,
            extras: None,
            name: None,
            primitives: self.primitives,
            weights: None,
        });
        let node = self.root.push(json::Node {
            mesh: Some(mesh),
            ..json::Node::default()
        });
        let scene = self.root.push(json::Scene {
            extensions: None,
            extras: None,
            name: None,
            nodes: vec![node],
        });
        self.root.scene = Some(scene);
        let text = self
            .root
            .to_vec()
            .map_err(|error| WriteError::Encode(error.to_string()))?;
        let container = gltf::Glb {
            header: gltf::binary::Header {
                magic: *b"glTF",
                version: 2,
                length: 0,
            },
            json: Cow::Owned(text),
            bin: Some(Cow::Owned(self.binary)),
        };
        container
            .to_vec()
            .map_err(|error| WriteError::Encode(error.to_string()))
    }
}

fn material(name: &str, rgb: [u8; 3]) -> json::Material {
    let [red, green, blue] = rgb.map(linear_from_srgb);
    json::Material {
        name: Some(name.to_owned()),
        pbr_metallic_roughness: json::material::PbrMetallicRoughness {
            base_color_factor: json::material::PbrBaseColorFactor([red, green, blue, 1.0]),
            metallic_factor: json::material::StrengthFactor(0.0),
            roughness_factor: json::material::StrengthFactor(0.8),
            ..json::material::PbrMetallicRoughness::default()
        },
        ..json::Material::default()
    }
}
