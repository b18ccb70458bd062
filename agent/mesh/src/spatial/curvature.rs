//! Signed mean curvature at the vertices of a mesh: 1/r on a sphere, 1/(2r) on a cylinder, positive where convex.
//!
//! Source: Meyer, Desbrun, Schröder & Barr, Discrete Differential-Geometry Operators for Triangulated 2-Manifolds,
//! 2003: cotangent Laplacian over mixed Voronoi areas.

use glam::DVec3;
use rayon::prelude::*;

use super::{Fans, others, point, vertex_normals};
use crate::Mesh;

/// In 1/m. Split vertices count as one; zero on open borders, where no value is defined.
pub fn at_vertices(mesh: &Mesh) -> Vec<f64> {
    let welded = mesh.clone().welded();
    let positions: Vec<DVec3> = welded.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&welded.triangles, positions.len());
    let normals = vertex_normals(&positions, &welded.triangles, &fans);
    let values: Vec<f64> = (0..positions.len())
        .into_par_iter()
        .map(|vertex| at_vertex(vertex, &positions, &welded.triangles, &fans, normals[vertex]))
        .collect();
    let mut of_split = vec![0.0; mesh.positions.len()];
    for (split, whole) in mesh
        .triangles
        .as_flattened()
        .iter()
        .zip(welded.triangles.as_flattened())
    {
        of_split[*split as usize] = values[*whole as usize];
    }
    of_split
}

fn at_vertex(vertex: usize, positions: &[DVec3], triangles: &[[u32; 3]], fans: &Fans, normal: DVec3) -> f64 {
    let here = positions[vertex];
    let mut laplacian = DVec3::ZERO;
    let mut area = 0.0;
    let mut turns = 0_i64;
    for &corner in fans.of(vertex) {
        let [first, second] = others(corner, triangles);
        // Each neighbour of a closed fan comes once as first and once as second.
        turns += i64::from(first) - i64::from(second);
        let (b, c) = (
            positions[first as usize] - here,
            positions[second as usize] - here,
        );
        let twice_area = b.cross(c).length();
        if twice_area <= 0.0 {
            continue;
        }
        let edge = c - b;
        // The cotangent at the one far corner belongs to the edge to the other.
        let (at_b, at_c) = (-b.dot(edge) / twice_area, c.dot(edge) / twice_area);
        laplacian += b * at_c + c * at_b;
        area += if b.dot(c) < 0.0 {
            0.25 * twice_area
        } else if at_b < 0.0 || at_c < 0.0 {
            0.125 * twice_area
        } else {
            0.125 * (b.length_squared() * at_c + c.length_squared() * at_b)
        };
    }
    if area <= 0.0 || turns != 0 {
        return 0.0;
    }
    // The sum is 2 area times twice the mean curvature vector, which points inwards where convex.
    -laplacian.dot(normal) / (4.0 * area)
}
