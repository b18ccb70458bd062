//! A mesh on its way into a file: with named parts, and with maps to wear.

use std::sync::Arc;

use crate::mesh::UNTAGGED;
use crate::{Map, Mesh};

/// What only a file can hold beside the triangles. An operation that reads it as a mesh sees [`Model::whole`].
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// All parts where they stand, as one mesh.
    pub whole: Arc<Mesh>,
    /// Each becomes a node of its own; empty: one node without a name.
    pub parts: Vec<Part>,
    /// The one material of all parts; absent: one for each tag.
    pub dress: Option<Arc<Dress>>,
}

/// One named part.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Name of its node.
    pub name: String,
    /// About its own origin.
    pub mesh: Arc<Mesh>,
    /// Where its origin stands, metres.
    pub at: [f32; 3],
}

/// A material with its maps. Channels lie as glTF 2.0 asks (section 3.9, "Materials").
#[derive(Debug, Clone, PartialEq)]
pub struct Dress {
    /// Name of the material.
    pub name: String,
    /// sRGB.
    pub color: Option<Arc<Map>>,
    /// Tangent space, green up.
    pub normal: Option<Arc<Map>>,
    /// In red.
    pub occlusion: Option<Arc<Map>>,
    /// Roughness in green, metal in blue; may be the same map as `occlusion`.
    pub roughness_metal: Option<Arc<Map>>,
    /// 0 to 1; multiplies green of `roughness_metal`.
    pub roughness: f32,
    /// 0 to 1; multiplies blue of `roughness_metal`.
    pub metal: f32,
}

impl Model {
    /// A mesh without named parts and maps.
    pub fn plain(mesh: Arc<Mesh>) -> Self {
        Self {
            whole: mesh,
            parts: Vec::new(),
            dress: None,
        }
    }

    /// Parts beside each other; `None` when their tags are more than a mesh can number, or their vertices.
    pub fn of_parts(parts: Vec<Part>) -> Option<Self> {
        Some(Self {
            whole: Arc::new(whole(&parts)?),
            parts,
            dress: None,
        })
    }
}

/// The parts as one mesh. UVs and normals are there if all parts have them.
fn whole(parts: &[Part]) -> Option<Mesh> {
    let mut whole = Mesh {
        uvs: parts.iter().all(|part| part.mesh.uvs.is_some()).then(Vec::new),
        normals: parts
            .iter()
            .all(|part| part.mesh.normals.is_some())
            .then(Vec::new),
        ..Mesh::default()
    };
    for Part { mesh, at, .. } in parts {
        let first = u32::try_from(whole.positions.len()).ok()?;
        first.checked_add(u32::try_from(mesh.positions.len()).ok()?)?;
        let moved = mesh
            .positions
            .iter()
            .map(|position| [0, 1, 2].map(|axis| position[axis] + at[axis]));
        whole.positions.extend(moved);
        let triangles = mesh.triangles.iter();
        whole
            .triangles
            .extend(triangles.map(|triangle| triangle.map(|corner| corner + first)));
        let mut new_index = Vec::with_capacity(mesh.tags.len());
        for tag in &mesh.tags {
            let index = match whole.tag_index(tag) {
                Some(index) => index,
                None => {
                    whole.tags.push(tag.clone());
                    u16::try_from(whole.tags.len() - 1)
                        .ok()
                        .filter(|index| *index != UNTAGGED)?
                }
            };
            new_index.push(index);
        }
        let tags = mesh.face_tags.iter();
        whole
            .face_tags
            .extend(tags.map(|tag| new_index.get(usize::from(*tag)).copied().unwrap_or(UNTAGGED)));
        if let (Some(all), Some(own)) = (&mut whole.uvs, &mesh.uvs) {
            all.extend(own);
        }
        if let (Some(all), Some(own)) = (&mut whole.normals, &mesh.normals) {
            all.extend(own);
        }
    }
    Some(whole)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_shapes::cuboid;

    #[test]
    fn parts_stand_beside_each_other_and_share_tags_by_name() {
        let part = |name: &str, tag: &str, x: f32| Part {
            name: name.to_owned(),
            mesh: Arc::new(cuboid([0.0; 3], [1.0; 3], tag)),
            at: [x, 0.0, 0.0],
        };
        let model = Model::of_parts(vec![
            part("a", "timber", 0.0),
            part("b", "iron", 2.0),
            part("c", "timber", 4.0),
        ])
        .unwrap();
        model.whole.validate().unwrap();
        assert_eq!(model.whole.tags, ["timber", "iron"]);
        assert_eq!(model.whole.bounds().unwrap().most, [5.0, 1.0, 1.0]);
        assert!((model.whole.volume() - 3.0).abs() < 1e-9);
        assert!(model.whole.is_closed());
        assert_eq!(
            (model.whole.tag_of(0), model.whole.tag_of(12)),
            (Some("timber"), Some("iron"))
        );
    }
}
