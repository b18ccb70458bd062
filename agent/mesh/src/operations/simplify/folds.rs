//! How much of a coarse surface is folded: told by how often the surface surrounds the places just before and just behind a face.

use rayon::prelude::*;

use crate::Mesh;
use crate::spatial::{point, winding_number};

/// From the middle of a face, as a share of the bounds' diagonal: far beyond the digits of a file, far below what is thin.
const LIFT: f64 = 1.0e-5;

/// More faces than this are not asked: folds come of coarse budgets, and the answer would take minutes.
pub(super) const MOST_FACES: usize = 5000;

/// The share of the area whose faces do not have the inside behind and the outside before them.
///
/// Of a closed surface, whose winding numbers are whole. Every face asks all others, so the cost grows with the square of their number.
pub(super) fn share(mesh: &Mesh) -> f64 {
    let area = mesh.area();
    let Some(bounds) = mesh.bounds().filter(|_| area > 0.0) else {
        return 0.0;
    };
    let lift = LIFT * f64::from(bounds.diagonal());
    let faces: Vec<_> = (0..mesh.triangles.len())
        .map(|face| mesh.corners(face).map(point))
        .collect();
    let folded: Vec<f64> = faces
        .par_iter()
        .map(|&[a, b, c]| {
            let normal = (b - a).cross(c - a);
            let up = normal.normalize_or_zero() * lift;
            let middle = (a + b + c) / 3.0;
            let around = |place| winding_number(place, faces.iter().copied()).round();
            let is_sound = around(middle + up) == 0.0 && around(middle - up) == 1.0;
            if is_sound { 0.0 } else { 0.5 * normal.length() }
        })
        .collect();
    // Added up in order, whatever the number of threads.
    folded.iter().sum::<f64>() / area
}
