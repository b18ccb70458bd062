//! What becomes of each face: it gets a chart with its tag's factor of texel density, or it keeps the UVs that it has.

use super::Unwrapping;
use crate::Mesh;
use crate::mesh::UNTAGGED;
use crate::operations::OperationError;
use crate::operations::displace::tag_number;
use crate::spatial::point;

/// Faces whose texels are equally dense.
pub(super) struct Group {
    /// Texels along a metre beside those of a tag that is not named.
    pub factor: f64,
    /// In order.
    pub faces: Vec<u32>,
}

/// All faces by what becomes of them.
pub(super) struct Shares {
    /// Those that get charts, in order of their first face.
    pub groups: Vec<Group>,
    /// Of each face; none where the old UVs stay.
    factors: Vec<Option<f64>>,
}

impl Shares {
    /// An error names the tag that no face carries, that has no UVs to keep, or of which both is asked.
    pub fn of(mesh: &Mesh, unwrapping: &Unwrapping<'_>) -> Result<Self, OperationError> {
        // The last place is that of faces without a tag.
        let mut of_tags: Vec<Option<f64>> = vec![Some(1.0); mesh.tags.len() + 1];
        for &(name, factor) in unwrapping.density {
            if unwrapping.keep.contains(&name) {
                return Err(OperationError::Unsuitable(format!(
                    "`{name}` stands in `density` and in `keep`; UVs that are kept have the texel density that they have, so take it out of one of them"
                )));
            }
            if let Some(tag) = tag_number(mesh, Some(name))? {
                of_tags[usize::from(tag)] = Some(factor);
            }
        }
        for &name in unwrapping.keep {
            if let Some(tag) = tag_number(mesh, Some(name))? {
                check_uvs(mesh, tag, name)?;
                of_tags[usize::from(tag)] = None;
            }
        }
        let of_tag = |tag: u16| match tag {
            UNTAGGED => Some(1.0),
            tag => of_tags.get(usize::from(tag)).copied().flatten(),
        };
        let factors: Vec<Option<f64>> = mesh.face_tags.iter().map(|&tag| of_tag(tag)).collect();
        let mut groups: Vec<Group> = Vec::new();
        for (face, factor) in factors.iter().enumerate() {
            let Some(factor) = *factor else { continue };
            let face = face as u32;
            match groups.iter_mut().find(|group| group.factor == factor) {
                Some(group) => group.faces.push(face),
                None => groups.push(Group {
                    factor,
                    faces: vec![face],
                }),
            }
        }
        Ok(Self { groups, factors })
    }

    /// Of a face; none where its old UVs stay.
    pub fn factor(&self, face: usize) -> Option<f64> {
        self.factors[face]
    }

    /// For each tag with new UVs the root of its area in the map over its area in space, times the map's side.
    pub fn texels_per_m(&self, mesh: &Mesh, size_px: u32) -> Vec<(String, f64)> {
        let mut areas = vec![(0.0_f64, 0.0_f64); mesh.tags.len()];
        for (face, uvs) in mesh.uvs.iter().flatten().enumerate() {
            let tag = usize::from(mesh.face_tags[face]);
            if self.factors[face].is_none() || tag >= areas.len() {
                continue;
            }
            let [a, b, c] = mesh.corners(face).map(point);
            areas[tag].0 += 0.5 * (b - a).cross(c - a).length();
            let [s, t, r] = uvs.map(|uv| uv.map(f64::from));
            areas[tag].1 += 0.5 * ((t[0] - s[0]) * (r[1] - s[1]) - (t[1] - s[1]) * (r[0] - s[0])).abs();
        }
        mesh.tags
            .iter()
            .zip(areas)
            .filter(|(_, (space, _))| *space > 0.0)
            .map(|(tag, (space, map))| (tag.clone(), (map / space).sqrt() * f64::from(size_px)))
            .collect()
    }
}

fn check_uvs(mesh: &Mesh, tag: u16, name: &str) -> Result<(), OperationError> {
    if mesh.uvs.is_none() {
        return Err(OperationError::Unsuitable(format!(
            "`keep` names `{name}`, but the mesh has no UVs: its file brings none, or an operation before, such as `remesh`, made new faces; \
             keep UVs on a branch that goes from the model to `unwrap` without a remesh"
        )));
    }
    let of_tag = || (0..mesh.triangles.len()).filter(|&face| mesh.face_tags[face] == tag);
    let lacking = of_tag().filter(|&face| !mesh.has_uv(face)).count();
    if lacking > 0 {
        return Err(OperationError::Unsuitable(format!(
            "`keep` names `{name}`, but {lacking} of its {} faces have no UVs; lay them out in the model, give them another tag, or take `{name}` out of `keep`",
            of_tag().count()
        )));
    }
    Ok(())
}
