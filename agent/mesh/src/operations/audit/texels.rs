//! Texels along a metre of the surface, and texels that more than one face covers.

use crate::Mesh;
use crate::operations::rows::{middles, span, twice_area};

/// A sample so near to an edge of its face, as a barycentric weight, is on the edge, and neighbours do not overlap there.
const EDGE_WEIGHT: f64 = 1.0e-6;

/// Texels along a metre, over some faces.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Density {
    /// The root of the map's area in texels over the surface's area.
    pub mean: f64,
    /// Of the faces with the fewest, leaving the outliers out.
    pub least: f64,
    /// Of the faces with the most, leaving the outliers out.
    pub most: f64,
}

/// Density over the faces that `counts` says; faces without area do not count. At each end, faces that make up the share
/// `outliers` of the area are left out. All zero where there is no area.
pub(super) fn density(
    mesh: &Mesh,
    uvs: &[[[f32; 2]; 3]],
    size_px: usize,
    outliers: f64,
    counts: impl Fn(usize) -> bool,
) -> Density {
    let mut faces: Vec<(f64, f64)> = Vec::new();
    let (mut area, mut in_map) = (0.0, 0.0);
    for (face, corners) in uvs.iter().enumerate() {
        let face_area = mesh.triangle_area(face);
        if face_area > 0.0 && counts(face) {
            let face_in_map = 0.5 * twice_area(scaled(corners, size_px as f64)).abs();
            faces.push(((face_in_map / face_area).sqrt(), face_area));
            area += face_area;
            in_map += face_in_map;
        }
    }
    if area <= 0.0 {
        return Density::default();
    }
    faces.sort_by(|left, right| left.0.total_cmp(&right.0));
    Density {
        mean: (in_map / area).sqrt(),
        least: beyond(faces.iter(), outliers * area),
        most: beyond(faces.iter().rev(), outliers * area),
    }
}

/// The figure of the first face after those that make up the area to leave out.
fn beyond<'f>(faces: impl Iterator<Item = &'f (f64, f64)>, left_out: f64) -> f64 {
    let mut passed = 0.0;
    let mut figure = 0.0;
    for (density, area) in faces {
        figure = *density;
        passed += area;
        if passed > left_out {
            break;
        }
    }
    figure
}

/// The share of covered texels whose middle lies in more than one face.
pub(super) fn overlapping(uvs: &[[[f32; 2]; 3]], size_px: usize) -> f64 {
    let mut faces = vec![0_u8; size_px * size_px];
    for corners in uvs {
        let corners = scaled(corners, size_px as f64);
        let twice = twice_area(corners);
        if twice == 0.0 {
            continue;
        }
        let range = |axis: usize| {
            let (least, most) = span(&corners, axis);
            middles(least, most, size_px)
        };
        for y in range(1) {
            for x in range(0) {
                let middle = [x as f64 + 0.5, y as f64 + 0.5];
                let inside = (0..3).all(|corner| {
                    let mut part = corners;
                    part[corner] = middle;
                    twice_area(part) / twice > EDGE_WEIGHT
                });
                if inside {
                    let count = &mut faces[y * size_px + x];
                    *count = count.saturating_add(1);
                }
            }
        }
    }
    let covered = faces.iter().filter(|count| **count > 0).count();
    let twice = faces.iter().filter(|count| **count > 1).count();
    if covered == 0 {
        0.0
    } else {
        twice as f64 / covered as f64
    }
}

pub(super) fn scaled(corners: &[[f32; 2]; 3], by: f64) -> [[f64; 2]; 3] {
    corners.map(|uv| uv.map(|coordinate| f64::from(coordinate) * by))
}
