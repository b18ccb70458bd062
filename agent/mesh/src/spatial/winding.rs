//! How often triangles surround a point.

use glam::DVec3;

/// The generalized winding number of the triangles around `query`: 1 inside a closed outward surface, 0 outside,
/// sums for overlapping shells, fractions near holes (Jacobson, Kavan & Sorkine-Hornung 2013, from memory).
///
/// Solid angle of a triangle: van Oosterom & Strackee 1983 (from memory). Linear in the number of triangles.
pub fn winding_number(query: DVec3, triangles: impl Iterator<Item = [DVec3; 3]>) -> f64 {
    let mut half_angles = 0.0;
    for corners in triangles {
        let [a, b, c] = corners.map(|corner| corner - query);
        let (la, lb, lc) = (a.length(), b.length(), c.length());
        let volume = a.dot(b.cross(c));
        let below = la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb;
        half_angles += libm::atan2(volume, below);
    }
    half_angles / (2.0 * std::f64::consts::PI)
}
