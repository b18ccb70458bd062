//! Normals for meshes that bring none: smooth over gentle edges, split at sharp ones.

use glam::{DVec3, Vec3};
use rayon::prelude::*;

use crate::Mesh;

/// Faces that meet at a vertex share a normal if they turn by no more than this.
const SMOOTHING_DEGREES: f64 = 40.0;

/// Unit normals of each corner of each triangle: the mesh's own, or else the sum of the area-weighted normals of those faces at the
/// vertex that turn by at most 40 degrees from the corner's face. A face without area takes what its neighbours have.
pub fn corner_normals(mesh: &Mesh) -> Vec<[[f32; 3]; 3]> {
    if let Some(normals) = &mesh.normals {
        return normals.clone();
    }
    smoothed_normals(mesh, SMOOTHING_DEGREES, Seams::Smooth)
}

/// What becomes of normals where charts of UVs meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Seams {
    /// Nothing: only the angle counts.
    Smooth,
    /// Faces of different charts share none.
    Split,
}

/// As [`corner_normals`] without the mesh's own, for any angle up to 180 degrees.
pub(crate) fn smoothed_normals(mesh: &Mesh, smoothing_degrees: f64, seams: Seams) -> Vec<[[f32; 3]; 3]> {
    let uvs = mesh.uvs.as_ref().filter(|_| seams == Seams::Split);
    // Two faces at a vertex lie in one chart there if they have one place for it in the map.
    let place = |face: usize, vertex: u32| {
        let corner = mesh.triangles[face].iter().position(|&corner| corner == vertex);
        uvs.zip(corner).map(|(uvs, corner)| uvs[face][corner])
    };
    // The cross product's length is twice the area, so plain sums are weighted by area.
    let faces: Vec<(DVec3, DVec3)> = (0..mesh.triangles.len())
        .into_par_iter()
        .map(|triangle| {
            let [a, b, c] = mesh.corners(triangle).map(|corner| Vec3::from(corner).as_dvec3());
            let cross = (b - a).cross(c - a);
            (cross, cross.normalize_or_zero())
        })
        .collect();
    let around = FacesAround::of(mesh);
    let least_cosine = libm::cos(smoothing_degrees.to_radians());
    mesh.triangles
        .par_iter()
        .zip(&faces)
        .enumerate()
        .map(|(face, (indices, &(own, own_direction)))| {
            indices.map(|index| {
                let own_place = place(face, index);
                let neighbours = around
                    .vertex(index)
                    .iter()
                    .filter(|&&other| own_place == place(other as usize, index))
                    .map(|&other| &faces[other as usize]);
                let sum: DVec3 = neighbours
                    .filter(|(_, direction)| {
                        own_direction == DVec3::ZERO || own_direction.dot(*direction) >= least_cosine
                    })
                    .map(|(cross, _)| *cross)
                    .sum();
                let unit = sum
                    .try_normalize()
                    .or_else(|| own.try_normalize())
                    .unwrap_or(DVec3::Y);
                // Normalised once more after rounding, so that its length is 1 within single precision.
                unit.as_vec3().normalize().to_array()
            })
        })
        .collect()
}

/// For each vertex the faces that use it, in order.
struct FacesAround {
    first: Vec<u32>,
    faces: Vec<u32>,
}

impl FacesAround {
    fn of(mesh: &Mesh) -> Self {
        let mut first = vec![0u32; mesh.positions.len() + 1];
        mesh.triangles
            .iter()
            .flatten()
            .for_each(|&index| first[index as usize + 1] += 1);
        for vertex in 0..mesh.positions.len() {
            first[vertex + 1] += first[vertex];
        }
        let mut next = first.clone();
        let mut faces = vec![0u32; mesh.triangles.len() * 3];
        for (face, indices) in mesh.triangles.iter().enumerate() {
            for &index in indices {
                let slot = &mut next[index as usize];
                faces[*slot as usize] = face as u32;
                *slot += 1;
            }
        }
        Self { first, faces }
    }

    fn vertex(&self, index: u32) -> &[u32] {
        let [begin, end] = [index as usize, index as usize + 1].map(|at| self.first[at] as usize);
        &self.faces[begin..end]
    }
}
