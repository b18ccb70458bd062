//! Where in its cell a vertex lies: as near as can be to the planes of the triangles that the cell's edges cross.
//!
//! Source: Ju, Losasso, Schaefer & Warren, Dual Contouring of Hermite Data, 2002; solved by eigenvectors as there,
//! and within the cell by coordinate descent (from memory).

use glam::{DMat3, DVec3};

/// Directions in which the planes say less than this share of what they say at most are left alone.
const LEAST_SHARE: f64 = 0.04;
/// Distance that vertices keep from the walls of their cell, so that no two fall together, in voxels.
const MARGIN: f64 = 0.01;

/// A vertex, in voxels from the cell's first corner, and what kind of place it is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub at: DVec3,
    /// 1 on a smooth surface, 2 on a crease, 3 in a corner.
    pub rank: u8,
}

/// Where the planes through `points` with unit `normals` meet, as far as they do, near the middle of the points.
pub(super) fn place(points: &[DVec3], normals: &[DVec3]) -> Place {
    let middle = points.iter().sum::<DVec3>() / points.len() as f64;
    let mut planes = DMat3::ZERO;
    let mut target = DVec3::ZERO;
    for (point, &normal) in points.iter().zip(normals) {
        planes += DMat3::from_cols(normal * normal.x, normal * normal.y, normal * normal.z);
        target += normal * normal.dot(*point - middle);
    }
    let (values, vectors) = eigen(planes);
    let most = values.into_iter().fold(0.0, f64::max);
    let mut at = middle;
    let mut rank = 0;
    for (value, vector) in values.into_iter().zip(vectors) {
        if value > most * LEAST_SHARE && most > 0.0 {
            at += vector * (vector.dot(target) / value);
            rank += 1;
        }
    }
    let low = DVec3::splat(MARGIN);
    let high = DVec3::splat(1.0 - MARGIN);
    if at.cmplt(low).any() || at.cmpgt(high).any() {
        at = within(planes, target, middle, at.clamp(low, high), low, high, most);
    }
    Place {
        at,
        rank: rank.max(1),
    }
}

/// The best place inside the box; one coordinate after the other, which for a convex form ends at the least.
fn within(
    planes: DMat3,
    target: DVec3,
    middle: DVec3,
    start: DVec3,
    low: DVec3,
    high: DVec3,
    most: f64,
) -> DVec3 {
    // A light pull to the middle makes the answer single where the planes leave it open.
    let pull = most * 1.0e-3;
    let mut offset = start - middle;
    for _ in 0..24 {
        for axis in 0..3 {
            let row = planes.row(axis);
            let rest = target[axis] - (row.dot(offset) - row[axis] * offset[axis]);
            let best = rest / (row[axis] + pull);
            offset[axis] = best.clamp(low[axis] - middle[axis], high[axis] - middle[axis]);
        }
    }
    middle + offset
}

/// Eigenvalues and unit eigenvectors of a symmetric matrix: Jacobi's rotations, which use only square roots, so that
/// every machine gives the same.
fn eigen(matrix: DMat3) -> ([f64; 3], [DVec3; 3]) {
    let mut a = matrix.to_cols_array_2d();
    let mut v = DMat3::IDENTITY.to_cols_array_2d();
    for _ in 0..12 {
        let off = a[0][1].abs() + a[0][2].abs() + a[1][2].abs();
        if off <= 1.0e-14 * (a[0][0] + a[1][1] + a[2][2]).abs() {
            break;
        }
        for (p, q) in [(0, 1), (0, 2), (1, 2)] {
            if a[p][q] == 0.0 {
                continue;
            }
            let theta = (a[q][q] - a[p][p]) / (2.0 * a[p][q]);
            let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
            let c = 1.0 / (t * t + 1.0).sqrt();
            let s = t * c;
            for column in &mut a {
                let (kp, kq) = (column[p], column[q]);
                column[p] = c * kp - s * kq;
                column[q] = s * kp + c * kq;
            }
            let (column_p, column_q) = (a[p], a[q]);
            a[p] = std::array::from_fn(|k| c * column_p[k] - s * column_q[k]);
            a[q] = std::array::from_fn(|k| s * column_p[k] + c * column_q[k]);
            for column in &mut v {
                let (kp, kq) = (column[p], column[q]);
                column[p] = c * kp - s * kq;
                column[q] = s * kp + c * kq;
            }
        }
    }
    let vectors = [0, 1, 2].map(|k| DVec3::new(v[0][k], v[1][k], v[2][k]));
    ([a[0][0], a[1][1], a[2][2]], vectors)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eigenvectors_rebuild_the_matrix() {
        let matrix = DMat3::from_cols(
            DVec3::new(2.0, 0.5, -0.3),
            DVec3::new(0.5, 1.0, 0.7),
            DVec3::new(-0.3, 0.7, 0.4),
        );
        let (values, vectors) = eigen(matrix);
        for (value, vector) in values.into_iter().zip(vectors) {
            assert!((matrix * vector - vector * value).length() < 1e-12);
            assert!((vector.length() - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn three_planes_meet_in_their_corner_and_two_in_their_crease() {
        let points = [
            DVec3::new(0.3, 0.9, 0.8),
            DVec3::new(0.8, 0.4, 0.9),
            DVec3::new(0.7, 0.9, 0.6),
        ];
        let normals = [DVec3::X, DVec3::Y, DVec3::Z];
        let corner = place(&points, &normals);
        assert!((corner.at - DVec3::new(0.3, 0.4, 0.6)).length() < 1e-12);
        assert_eq!(corner.rank, 3);
        let crease = place(&points[..2], &normals[..2]);
        assert!((crease.at.x - 0.3).abs() < 1e-12 && (crease.at.y - 0.4).abs() < 1e-12);
        assert_eq!(crease.rank, 2);
    }

    #[test]
    fn a_crease_outside_the_cell_leaves_the_vertex_inside() {
        let points = [DVec3::new(0.5, 0.0, 0.5), DVec3::new(0.0, 0.5, 0.5)];
        let normals = [
            DVec3::new(0.9, -0.435_889_894, 0.0),
            DVec3::new(-0.435_889_894, 0.9, 0.0),
        ];
        let vertex = place(&points, &normals);
        assert!(vertex.at.cmpge(DVec3::splat(0.0)).all() && vertex.at.cmple(DVec3::splat(1.0)).all());
    }
}
