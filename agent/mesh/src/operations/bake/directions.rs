//! Occlusion: how much of the half space above a point is open, cosine-weighted.

use glam::DVec3;

use super::{Met, Scene};
use crate::spatial::point;

/// Rays for each sample of a texel.
const RAYS: usize = 64;

/// 1 where nothing is in the way within the reach.
///
/// Directions: points of a lattice of rank one (Hammersley with the golden ratio) on a disk, lifted to the half sphere
/// (Malley's method; both from memory), turned for each sample by its number so that neighbours do not repeat a pattern.
pub(super) fn open_share(met: &Met, scene: &Scene<'_>, sample: usize) -> f64 {
    let triangle = met.triangle as usize;
    let [a, b, c] = scene.high.corners(triangle).map(point);
    let [u, v, w] = met.weights;
    let mut normal = (b - a).cross(c - a).normalize_or_zero();
    if normal == DVec3::ZERO {
        normal = met.outwards;
    }
    let start = a * u + b * v + c * w + normal * scene.lift;
    let (across, along) = normal.any_orthonormal_pair();
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let turn = (sample as f64 * 0.754_877_666_246_693).fract();
    let open = (0..RAYS)
        .filter(|&ray| {
            let radius = ((ray as f64 + 0.5) / RAYS as f64).sqrt();
            let angle = std::f64::consts::TAU * (ray as f64 * GOLDEN + turn).fract();
            let (x, y) = (radius * libm::cos(angle), radius * libm::sin(angle));
            let up = (1.0 - radius * radius).max(0.0).sqrt();
            !scene
                .bvh
                .any_hit(start, across * x + along * y + normal * up, 0.0, scene.reach)
        })
        .count();
    open as f64 / RAYS as f64
}
