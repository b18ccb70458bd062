//! glTF 2.0, as `.glb` or `.gltf`: the triangles of the scene in its own place, materials as tags.

use glam::{DMat3, DMat4, DVec3};
use gltf::mesh::Mode;

use super::accessor::Accessors;
use super::buffers::{self, Container};
use super::{ModelFile, ReadError, TagTable};
use crate::Mesh;
use crate::groups::GroupTable;
use crate::mesh::UNTAGGED;

/// Instances of one mesh, and primitives over one accessor, multiply triangles and vertices without growing the file; more than this
/// and one for each byte of the buffers is refused.
const MOST_EXTRA: u64 = 5_000_000;
/// Deeper scenes are refused: each level is a call.
const MOST_LEVELS: usize = 256;
/// Extensions that a reader of shapes and names may ignore although a file requires them, by their beginnings.
const HARMLESS_EXTENSIONS: [&str; 6] = [
    "KHR_materials_",
    "KHR_texture_",
    "KHR_lights_",
    "KHR_mesh_quantization",
    "EXT_texture_",
    "KHR_animation_",
];
/// Faces with a material of this name count as untagged: that is how the writer marks them.
pub(crate) const UNTAGGED_MATERIAL: &str = "untagged";

pub(super) fn read(file: &ModelFile<'_>) -> Result<Mesh, ReadError> {
    let container = buffers::open(file.bytes)?;
    let document = parse(&container)?;
    let buffers = buffers::resolve(&document, &container, file)?;
    check_size(&document, buffers.iter().map(|buffer| buffer.len() as u64).sum())?;
    let mut reader = Reader {
        accessors: Accessors::new(&buffers),
        mesh: Mesh {
            uvs: Some(Vec::new()),
            normals: Some(Vec::new()),
            ..Mesh::default()
        },
        tags: TagTable::default(),
        groups: GroupTable::default(),
        any_uv: false,
    };
    each_placed_mesh(&document, &mut |node, mesh, place| {
        let names = [node.name(), mesh.name()].into_iter().flatten();
        let mut names: Vec<String> = names.filter(|name| !name.is_empty()).map(str::to_owned).collect();
        names.dedup();
        reader.groups.set(names);
        mesh.primitives()
            .try_for_each(|primitive| reader.add(&primitive, place))
    })?;
    reader.finish()
}

/// The document, checked: all its references lead somewhere.
pub(super) fn parse(container: &Container<'_>) -> Result<gltf::Document, ReadError> {
    let unusable = |error: gltf::Error| ReadError::Unusable(format!("this is no sound glTF: {error}"));
    // The crate looks for a GLB header of its own in what it is given; JSON cannot begin with one.
    let parsed = gltf::Gltf::from_slice_without_validation(container.json).map_err(unusable)?;
    let mut root = parsed.document.into_json();
    if !root.asset.version.starts_with("2.") {
        let version = root.asset.version;
        return Err(ReadError::Unusable(format!(
            "glTF version {version}; only version 2 can be read"
        )));
    }
    root.extensions_required
        .retain(|name| !HARMLESS_EXTENSIONS.iter().any(|known| name.starts_with(known)));
    if let Some(name) = root.extensions_required.first() {
        let problem =
            format!("the file needs the glTF extension {name}, which is not understood; export without it");
        return Err(ReadError::Unusable(problem));
    }
    check_attributes(&root)?;
    gltf::Document::from_json(root).map_err(unusable)
}

/// The crate's own check follows the accessor of `POSITION` before it has looked whether there is one.
fn check_attributes(root: &gltf::json::Root) -> Result<(), ReadError> {
    let primitives = root.meshes.iter().flat_map(|mesh| &mesh.primitives);
    let mut accessors = primitives.flat_map(|primitive| primitive.attributes.values());
    match accessors.find(|accessor| accessor.value() >= root.accessors.len()) {
        None => Ok(()),
        Some(accessor) => {
            let (index, count) = (accessor.value(), root.accessors.len());
            let problem = format!("a primitive uses accessor {index}, but there are {count} accessors");
            Err(ReadError::Unusable(problem))
        }
    }
}

/// Every mesh that the scene shows, with its matrix. Without a default scene the first one counts; without any scene, all nodes
/// that are no node's child.
pub(super) fn each_placed_mesh(
    document: &gltf::Document,
    visit: &mut dyn FnMut(&gltf::Node<'_>, gltf::Mesh<'_>, DMat4) -> Result<(), ReadError>,
) -> Result<(), ReadError> {
    let mut seen = vec![false; document.nodes().count()];
    let roots: Vec<gltf::Node<'_>> = match document.default_scene().or_else(|| document.scenes().next()) {
        Some(scene) => scene.nodes().collect(),
        None => {
            let mut is_child = seen.clone();
            document
                .nodes()
                .flat_map(|node| node.children())
                .for_each(|child| is_child[child.index()] = true);
            document.nodes().filter(|node| !is_child[node.index()]).collect()
        }
    };
    roots
        .into_iter()
        .try_for_each(|node| walk(node, DMat4::IDENTITY, 0, &mut seen, visit))
}

fn walk(
    node: gltf::Node<'_>,
    parent: DMat4,
    level: usize,
    seen: &mut [bool],
    visit: &mut dyn FnMut(&gltf::Node<'_>, gltf::Mesh<'_>, DMat4) -> Result<(), ReadError>,
) -> Result<(), ReadError> {
    if level > MOST_LEVELS {
        return Err(ReadError::Unusable(format!(
            "the scene is more than {MOST_LEVELS} levels deep; flatten it"
        )));
    }
    if std::mem::replace(&mut seen[node.index()], true) {
        let problem = format!(
            "node {} hangs in the scene twice; a node has one parent",
            node.index()
        );
        return Err(ReadError::Unusable(problem));
    }
    let own = DMat4::from_cols_array_2d(&node.transform().matrix().map(|column| column.map(f64::from)));
    let place = parent * own;
    if let Some(mesh) = node.mesh() {
        visit(&node, mesh, place)?;
    }
    node.children()
        .try_for_each(|child| walk(child, place, level + 1, seen, visit))
}

/// Before anything is made of them.
fn check_size(document: &gltf::Document, buffer_bytes: u64) -> Result<(), ReadError> {
    let most = MOST_EXTRA.saturating_add(buffer_bytes);
    let mut shown = 0_u64;
    each_placed_mesh(document, &mut |_, mesh, _| {
        for primitive in mesh.primitives() {
            let Some(faces) = faces_of(&primitive) else {
                continue;
            };
            let vertices = primitive.get(&gltf::Semantic::Positions);
            let vertices = vertices.map_or(0, |positions| positions.count() as u64);
            // A count that the buffers cannot hold is told as such when it is read.
            shown = shown.saturating_add(faces.max(vertices).min(buffer_bytes));
        }
        if shown <= most {
            return Ok(());
        }
        Err(ReadError::Unusable(format!(
            "the scene shows more than {most} triangles or vertices, most of them by showing one mesh many times; split it"
        )))
    })
}

/// Triangles that a primitive says it has; `None` if it shows none.
pub(super) fn faces_of(primitive: &gltf::Primitive<'_>) -> Option<u64> {
    let positions = primitive.get(&gltf::Semantic::Positions)?;
    let corners = primitive
        .indices()
        .map_or(positions.count(), |indices| indices.count()) as u64;
    match primitive.mode() {
        Mode::Triangles => Some(corners / 3),
        Mode::TriangleStrip | Mode::TriangleFan => Some(corners.saturating_sub(2)),
        _ => None,
    }
}

struct Reader<'a> {
    accessors: Accessors<'a>,
    /// Its UVs and normals are `Some` while every primitive so far has them; UVs are filled with (0, 0) where absent.
    mesh: Mesh,
    tags: TagTable,
    groups: GroupTable,
    any_uv: bool,
}

impl Reader<'_> {
    fn add(&mut self, primitive: &gltf::Primitive<'_>, place: DMat4) -> Result<(), ReadError> {
        if !matches!(
            primitive.mode(),
            Mode::Triangles | Mode::TriangleStrip | Mode::TriangleFan
        ) {
            return Ok(());
        }
        let Some(positions) = primitive.get(&gltf::Semantic::Positions) else {
            return Ok(());
        };
        let positions = self.accessors.vectors::<3>(&positions)?;
        let mut corners = self.corners(primitive, positions.len())?;
        let linear = DMat3::from_mat4(place);
        if linear.determinant() < 0.0 {
            corners.iter_mut().for_each(|triangle| triangle.swap(1, 2));
        }
        self.add_uvs(primitive, &corners, positions.len())?;
        self.add_normals(primitive, &corners, positions.len(), linear)?;
        let first = u32::try_from(self.mesh.positions.len())
            .ok()
            .filter(|first| first.checked_add(positions.len() as u32).is_some())
            .ok_or_else(|| {
                ReadError::Unusable("more than 4294967295 vertices; split the scene".to_owned())
            })?;
        let placed = positions.iter().map(|&position| {
            place
                .transform_point3(glam::Vec3::from(position).as_dvec3())
                .as_vec3()
                .to_array()
        });
        self.mesh.positions.extend(placed);
        let tag = self.tag(&primitive.material())?;
        self.mesh
            .face_tags
            .extend(std::iter::repeat_n(tag, corners.len()));
        self.groups.add(corners.len());
        self.mesh
            .triangles
            .extend(corners.iter().map(|corners| corners.map(|index| first + index)));
        Ok(())
    }

    /// Triangles as indices into the primitive's vertices, all in range.
    fn corners(&self, primitive: &gltf::Primitive<'_>, vertices: usize) -> Result<Vec<[u32; 3]>, ReadError> {
        let indices = match primitive.indices() {
            Some(accessor) => self.accessors.indices(&accessor)?,
            None => (0..vertices as u32).collect(),
        };
        if let Some(index) = indices.iter().find(|index| **index as usize >= vertices) {
            let problem =
                format!("a triangle uses vertex {index}, but its primitive has {vertices} vertices");
            return Err(ReadError::Unusable(problem));
        }
        Ok(match primitive.mode() {
            Mode::TriangleStrip => indices
                .windows(3)
                .enumerate()
                // Every second triangle of a strip runs the other way round.
                .map(|(at, three)| {
                    if at % 2 == 0 {
                        [three[0], three[1], three[2]]
                    } else {
                        [three[1], three[0], three[2]]
                    }
                })
                .collect(),
            Mode::TriangleFan => indices
                .windows(2)
                .skip(1)
                .map(|pair| [indices[0], pair[0], pair[1]])
                .collect(),
            _ => indices.as_chunks::<3>().0.to_vec(),
        })
    }

    fn add_uvs(
        &mut self,
        primitive: &gltf::Primitive<'_>,
        corners: &[[u32; 3]],
        vertices: usize,
    ) -> Result<(), ReadError> {
        let Some(all) = &mut self.mesh.uvs else {
            return Ok(());
        };
        match primitive.get(&gltf::Semantic::TexCoords(0)) {
            Some(accessor) => {
                let uvs = self.accessors.vectors::<2>(&accessor)?;
                same_count(uvs.len(), vertices, "UVs")?;
                self.any_uv = true;
                all.extend(
                    corners
                        .iter()
                        .map(|triangle| triangle.map(|index| uvs[index as usize])),
                );
            }
            None => all.extend(std::iter::repeat_n([[0.0; 2]; 3], corners.len())),
        }
        Ok(())
    }

    fn add_normals(
        &mut self,
        primitive: &gltf::Primitive<'_>,
        corners: &[[u32; 3]],
        vertices: usize,
        linear: DMat3,
    ) -> Result<(), ReadError> {
        let Some(all) = &mut self.mesh.normals else {
            return Ok(());
        };
        let Some(accessor) = primitive.get(&gltf::Semantic::Normals) else {
            self.mesh.normals = None;
            return Ok(());
        };
        let normals = self.accessors.vectors::<3>(&accessor)?;
        same_count(normals.len(), vertices, "normals")?;
        // The transposed inverse keeps normals upright under uneven scale; times the determinant it is the cofactor matrix,
        // which exists for flat scales too. The sign undoes the determinant's.
        let cofactor = DMat3::from_cols(
            linear.y_axis.cross(linear.z_axis),
            linear.z_axis.cross(linear.x_axis),
            linear.x_axis.cross(linear.y_axis),
        ) * linear.determinant().signum();
        let placed: Vec<DVec3> = normals
            .iter()
            .map(|&normal| (cofactor * glam::Vec3::from(normal).as_dvec3()).normalize_or_zero())
            .collect();
        if corners
            .iter()
            .flatten()
            .any(|&index| placed[index as usize] == DVec3::ZERO)
        {
            self.mesh.normals = None;
            return Ok(());
        }
        all.extend(
            corners
                .iter()
                .map(|triangle| triangle.map(|index| placed[index as usize].as_vec3().to_array())),
        );
        Ok(())
    }

    fn tag(&mut self, material: &gltf::Material<'_>) -> Result<u16, ReadError> {
        match tag_name(material) {
            None => Ok(UNTAGGED),
            Some(name) => self
                .tags
                .index(&name)
                .ok_or_else(|| ReadError::Unusable(format!("more than {UNTAGGED} materials; merge some"))),
        }
    }

    fn finish(mut self) -> Result<Mesh, ReadError> {
        self.mesh.tags = self.tags.names;
        self.mesh.groups = self.groups.finish();
        if !self.any_uv {
            self.mesh.uvs = None;
        }
        // Before welding, which compares bits: an infinite position is an error of its own.
        self.mesh.validate()?;
        Ok(self.mesh.welded())
    }
}

/// The tag that a material stands for. One without a name is told apart by its number.
pub(super) fn tag_name(material: &gltf::Material<'_>) -> Option<String> {
    let index = material.index()?;
    match material.name() {
        Some(UNTAGGED_MATERIAL) => None,
        Some(name) if !name.is_empty() => Some(name.to_owned()),
        _ => Some(format!("material {index}")),
    }
}

fn same_count(found: usize, vertices: usize, what: &str) -> Result<(), ReadError> {
    if found == vertices {
        return Ok(());
    }
    Err(ReadError::Unusable(format!(
        "a primitive has {vertices} vertices but {found} {what}; export it again"
    )))
}
