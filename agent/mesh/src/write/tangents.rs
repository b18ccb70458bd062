//! Tangents as glTF stores them, computed with MikkTSpace, as the glTF 2.0 specification asks where none are given.

use bevy_mikktspace::{Geometry, TangentSpace, generate_tangents};

use crate::Mesh;

/// For each corner of each triangle x, y, z and the side of the bitangent.
pub(crate) type CornerTangents = Vec<[[f32; 4]; 3]>;

/// `None` without UVs, or where no sound tangents come out: then the attribute is better left out. A face whose UVs give no direction,
/// and that has no neighbour to take one from, gets any direction along its surface.
///
/// The method counts v upwards and glTF downwards, so its sign is turned: on a triangle facing +z with UV (x, 1 - y) the file holds
/// (1, 0, 0, 1).
pub(crate) fn corner_tangents(mesh: &Mesh, normals: &[[[f32; 3]; 3]]) -> Option<CornerTangents> {
    let uvs = mesh.uvs.as_ref()?;
    let mut surface = Surface {
        mesh,
        normals,
        uvs,
        tangents: vec![[[0.0; 4]; 3]; mesh.triangles.len()],
    };
    generate_tangents(&mut surface).ok()?;
    let sound = surface.tangents.as_flattened().iter().all(|&[x, y, z, side]| {
        let length_squared = x * x + y * y + z * z;
        side.abs() == 1.0 && (length_squared - 1.0).abs() < 1e-3
    });
    sound.then_some(surface.tangents)
}

struct Surface<'a> {
    mesh: &'a Mesh,
    normals: &'a [[[f32; 3]; 3]],
    uvs: &'a [[[f32; 2]; 3]],
    tangents: CornerTangents,
}

impl Geometry for Surface<'_> {
    fn num_faces(&self) -> usize {
        self.mesh.triangles.len()
    }

    fn num_vertices_of_face(&self, _face: usize) -> usize {
        3
    }

    fn position(&self, face: usize, vert: usize) -> [f32; 3] {
        self.mesh.positions[self.mesh.triangles[face][vert] as usize]
    }

    fn normal(&self, face: usize, vert: usize) -> [f32; 3] {
        self.normals[face][vert]
    }

    fn tex_coord(&self, face: usize, vert: usize) -> [f32; 2] {
        self.uvs[face][vert]
    }

    fn set_tangent(&mut self, tangent_space: Option<TangentSpace>, face: usize, vert: usize) {
        let Some(tangent_space) = tangent_space else {
            return;
        };
        let [x, y, z, side] = tangent_space.tangent_encoded();
        let unit = glam::Vec3::new(x, y, z).normalize_or_zero();
        self.tangents[face][vert] = [unit.x, unit.y, unit.z, -side];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::UNTAGGED;

    /// One triangle facing +z with the given UV for a position (x, y).
    fn tangent(uv: fn(f32, f32) -> [f32; 2], normal: [f32; 3]) -> [f32; 4] {
        let positions = vec![[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]];
        let uvs = vec![[uv(0.0, 0.0), uv(1.0, 0.0), uv(0.0, 1.0)]];
        let mesh = Mesh {
            positions,
            triangles: vec![[0, 1, 2]],
            face_tags: vec![UNTAGGED],
            uvs: Some(uvs),
            ..Mesh::default()
        };
        corner_tangents(&mesh, &[[normal; 3]]).expect("sound UVs")[0][0]
    }

    fn assert_near(found: [f32; 4], expected: [f32; 4]) {
        assert!(
            found
                .iter()
                .zip(expected)
                .all(|(found, expected)| (found - expected).abs() < 1e-6),
            "{found:?}"
        );
    }

    /// Expected values: the crate `mikktspace` 0.3.0 and npm `mikktspace` 1.1.1, with the sign turned as its README asks for glTF.
    #[test]
    fn known_triangles_have_known_tangents() {
        let up = [0.0, 0.0, 1.0];
        assert_near(tangent(|x, y| [x, 1.0 - y], up), [1.0, 0.0, 0.0, 1.0]);
        assert_near(tangent(|x, y| [1.0 - x, 1.0 - y], up), [-1.0, 0.0, 0.0, -1.0]);
        let half = 0.5f32.sqrt();
        let tilted = tangent(|x, y| [x, 1.0 - y], [half, 0.0, half]);
        assert_near(tilted, [half, 0.0, -half, 1.0]);
    }
}
