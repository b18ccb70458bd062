//! Which triangle each sample of the picture shows, by comparing depths.

use glam::Vec3;

use super::camera::{Camera, Seen};
use crate::Mesh;

/// No triangle.
pub(super) const NOTHING: u32 = u32::MAX;

/// For each sample, row by row, the nearest triangle and its depth.
pub(super) struct Visibility {
    pub triangles: Vec<u32>,
    pub depths: Vec<f32>,
}

impl Visibility {
    pub fn of(mesh: &Mesh, camera: &Camera, side: usize) -> Self {
        let mut visibility = Self {
            triangles: vec![NOTHING; side * side],
            depths: vec![f32::INFINITY; side * side],
        };
        for triangle in 0..mesh.triangles.len() {
            let corners = mesh
                .corners(triangle)
                .map(|corner| camera.project(Vec3::from(corner)));
            each_sample(&corners, side, |place, [a, b, c]| {
                // One over the depth runs straight across the picture.
                let inverse = a / corners[0].depth + b / corners[1].depth + c / corners[2].depth;
                let depth = 1.0 / inverse;
                if depth < visibility.depths[place] {
                    visibility.depths[place] = depth;
                    visibility.triangles[place] = triangle as u32;
                }
            });
        }
        visibility
    }
}

/// Visits every sample whose middle lies in the triangle, with its weights between the corners.
pub(super) fn each_sample(corners: &[Seen; 3], side: usize, mut visit: impl FnMut(usize, [f32; 3])) {
    let [a, b, c] = corners;
    let area = (b.x - a.x) * (c.y - a.y) - (c.x - a.x) * (b.y - a.y);
    if area == 0.0 || !area.is_finite() {
        return;
    }
    let range = |values: [f32; 3]| {
        let least = values.iter().copied().fold(f32::INFINITY, f32::min);
        let most = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        // As numbers saturate when they become whole ones, what lies outside of the picture gives an empty range.
        ((least - 0.5).ceil().max(0.0) as usize)
            ..(((most - 0.5).floor() + 1.0).clamp(0.0, side as f32) as usize)
    };
    let columns = range([a.x, b.x, c.x]);
    for row in range([a.y, b.y, c.y]) {
        let y = row as f32 + 0.5;
        for column in columns.clone() {
            let x = column as f32 + 0.5;
            let weight_b = ((x - a.x) * (c.y - a.y) - (c.x - a.x) * (y - a.y)) / area;
            let weight_c = ((b.x - a.x) * (y - a.y) - (x - a.x) * (b.y - a.y)) / area;
            let weight_a = 1.0 - weight_b - weight_c;
            if weight_a >= 0.0 && weight_b >= 0.0 && weight_c >= 0.0 {
                visit(row * side + column, [weight_a, weight_b, weight_c]);
            }
        }
    }
}
