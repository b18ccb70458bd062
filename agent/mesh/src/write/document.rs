//! The glTF document and its buffer, as a GLB file holds them.

use std::borrow::Cow;

use gltf_json as json;
use json::accessor::{ComponentType, GenericComponentType, Type};
use json::buffer::Target;
use json::validation::Checked::Valid;
use json::validation::USize64;
use json::{Index, Root};

use super::glb::WriteError;
use super::vertices::{IndexedVertices, Vertex};

/// A glTF document that grows, with the one buffer of a GLB.
#[derive(Default)]
pub(super) struct Document {
    pub(super) root: Root,
    binary: Vec<u8>,
    primitives: Vec<json::mesh::Primitive>,
    nodes: Vec<Index<json::Node>>,
}

impl Document {
    /// Adds triangles to the node that [`Document::end_node`] ends.
    pub(super) fn add_primitive(
        &mut self,
        material: Index<json::Material>,
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
        let view = self.add_view(Some(Target::ArrayBuffer), |binary| {
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
        let view = self.add_view(Some(Target::ElementArrayBuffer), |binary| {
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
    fn add_view(
        &mut self,
        target: Option<Target>,
        fill: impl FnOnce(&mut Vec<u8>),
    ) -> Index<json::buffer::View> {
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
            target: target.map(Valid),
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

    /// Adds a PNG file and a texture that shows it.
    pub(super) fn add_texture(&mut self, name: &str, png: &[u8]) -> Index<json::Texture> {
        let view = self.add_view(None, |binary| binary.extend(png));
        let source = self.root.push(json::Image {
            buffer_view: Some(view),
            mime_type: Some(json::image::MimeType("image/png".to_owned())),
            name: Some(name.to_owned()),
            uri: None,
            extensions: None,
            extras: None,
        });
        self.root.push(json::Texture {
            name: None,
            sampler: None,
            source,
            extensions: None,
            extras: None,
        })
    }

    /// Makes a node out of the primitives since the last one; none if there are none.
    pub(super) fn end_node(&mut self, name: Option<&str>, at: [f32; 3]) {
        let primitives = std::mem::take(&mut self.primitives);
        if primitives.is_empty() {
            return;
        }
        let mesh = self.root.push(json::Mesh {
            extensions: None,
            extras: None,
            name: name.map(str::to_owned),
            primitives,
            weights: None,
        });
        let node = self.root.push(json::Node {
            mesh: Some(mesh),
            name: name.map(str::to_owned),
            translation: (at != [0.0; 3]).then_some(at),
            ..json::Node::default()
        });
        self.nodes.push(node);
    }

    /// The file.
    pub(super) fn finish(mut self) -> Result<Vec<u8>, WriteError> {
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
        let scene = self.root.push(json::Scene {
            extensions: None,
            extras: None,
            name: None,
            nodes: self.nodes,
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
