//! The triangles around each vertex, and normals from them.

use glam::DVec3;
use rayon::prelude::*;

/// For each vertex the corners (`3 * triangle + place`) that use it.
#[derive(Debug, Clone)]
pub struct Fans {
    first: Vec<u32>,
    corners: Vec<u32>,
}

impl Fans {
    /// Of triangles over `vertices` vertices.
    pub fn new(triangles: &[[u32; 3]], vertices: usize) -> Self {
        let mut first = vec![0_u32; vertices + 1];
        for &vertex in triangles.as_flattened() {
            first[vertex as usize + 1] += 1;
        }
        for vertex in 0..vertices {
            first[vertex + 1] += first[vertex];
        }
        let mut next = first.clone();
        let mut corners = vec![0; triangles.len() * 3];
        for (corner, &vertex) in triangles.as_flattened().iter().enumerate() {
            corners[next[vertex as usize] as usize] = corner as u32;
            next[vertex as usize] += 1;
        }
        Self { first, corners }
    }

    /// Corners at one vertex, in order of triangles.
    pub fn of(&self, vertex: usize) -> &[u32] {
        &self.corners[self.first[vertex] as usize..self.first[vertex + 1] as usize]
    }

    /// Number of vertices.
    pub fn vertices(&self) -> usize {
        self.first.len() - 1
    }
}

/// The two vertices opposite a corner, in the triangle's order.
pub fn others(corner: u32, triangles: &[[u32; 3]]) -> [u32; 2] {
    let (triangle, place) = (&triangles[corner as usize / 3], corner as usize % 3);
    [triangle[(place + 1) % 3], triangle[(place + 2) % 3]]
}

/// Unit normals of vertices, each face weighted by its angle there, so that they do not depend on how a plane is cut
/// into triangles (Thürmer & Wüthrich 1998; Baerentzen & Aanaes 2005, both from memory). Zero where no face has area.
pub fn vertex_normals(positions: &[DVec3], triangles: &[[u32; 3]], fans: &Fans) -> Vec<DVec3> {
    (0..fans.vertices())
        .into_par_iter()
        .map(|vertex| {
            let here = positions[vertex];
            let mut sum = DVec3::ZERO;
            for &corner in fans.of(vertex) {
                let [b, c] = others(corner, triangles)
                    .map(|other| (positions[other as usize] - here).normalize_or_zero());
                let cross = b.cross(c);
                sum += cross.normalize_or_zero() * libm::atan2(cross.length(), b.dot(c));
            }
            sum.normalize_or_zero()
        })
        .collect()
}
