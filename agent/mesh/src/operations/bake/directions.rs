//! Cosine-weighted directions and what their rays say: how open the sky is, how thick the body.

use glam::DVec3;

use super::scene::{Met, Scene};
use crate::spatial::point;

/// The golden ratio's fraction.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Points of a lattice of rank one (Hammersley with the golden ratio), to be lifted from a disk to the half sphere
/// (Malley's method; both from memory). One set serves a whole texel: its samples share the rays.
pub(super) struct Directions {
    /// Cosine and sine of each ray's angle around the normal, before the turn of its texel.
    angles: Vec<[f64; 2]>,
}

impl Directions {
    pub fn new(rays: u32) -> Self {
        let angles = (0..rays.max(1))
            .map(|ray| {
                let angle = std::f64::consts::TAU * (f64::from(ray) * GOLDEN).fract();
                [libm::cos(angle), libm::sin(angle)]
            })
            .collect();
        Self { angles }
    }

    /// How many.
    pub fn count(&self) -> usize {
        self.angles.len()
    }

    /// Calls `each` with the number of every ray and its direction in a frame whose third axis is the normal. The whole
    /// set is turned by a hash of the texel, so that neighbours do not repeat a pattern and nothing depends on order.
    fn for_texel(&self, texel: u64, mut each: impl FnMut(usize, [f64; 3])) {
        let bits = mixed(texel);
        let turn = std::f64::consts::TAU * share(bits);
        let (cosine, sine) = (libm::cos(turn), libm::sin(turn));
        let shift = share(mixed(bits));
        for (ray, &[x, y]) in self.angles.iter().enumerate() {
            let squared = (ray as f64 + shift) / self.angles.len() as f64;
            let radius = squared.sqrt();
            each(
                ray,
                [
                    radius * (x * cosine - y * sine),
                    radius * (x * sine + y * cosine),
                    (1.0 - squared).max(0.0).sqrt(),
                ],
            );
        }
    }
}

/// 0..1 from the upper 53 bits.
fn share(bits: u64) -> f64 {
    (bits >> 11) as f64 / 9_007_199_254_740_992.0
}

/// Neighbouring numbers to unlike ones. Source of the constants: the finaliser of SplitMix64 (Steele, Lea & Flood 2014,
/// from memory).
fn mixed(number: u64) -> u64 {
    let mut bits = number.wrapping_add(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^ (bits >> 31)
}

/// A place on the high mesh from which rays start.
struct Start {
    place: DVec3,
    across: DVec3,
    along: DVec3,
    normal: DVec3,
}

impl Start {
    fn of(met: &Met, scene: &Scene<'_>) -> Self {
        let [a, b, c] = scene.high.corners(met.triangle as usize).map(point);
        let [u, v, w] = met.weights;
        let mut normal = (b - a).cross(c - a).normalize_or_zero();
        if normal == DVec3::ZERO {
            normal = met.outwards;
        }
        let (across, along) = normal.any_orthonormal_pair();
        Self {
            place: a * u + b * v + c * w,
            across,
            along,
            normal,
        }
    }
}

/// Share of the half space above a texel's places that is open within the reach, cosine-weighted: 1 where nothing is in
/// the way. The rays are dealt out to the samples in turn.
pub(super) fn open_share(met: &[Met], scene: &Scene<'_>, texel: u64) -> f64 {
    let starts: Vec<Start> = met.iter().map(|met| Start::of(met, scene)).collect();
    let mut open = 0_u64;
    scene.directions.for_texel(texel, |ray, [x, y, z]| {
        let start = &starts[ray % starts.len()];
        let direction = start.across * x + start.along * y + start.normal * z;
        let from = start.place + start.normal * scene.lift;
        open += u64::from(!scene.bvh.any_hit(from, direction, 0.0, scene.reach));
    });
    open as f64 / scene.directions.count() as f64
}

/// Mean distance through the body below a texel's places, cosine-weighted, metres: rays go inwards to the next wall and
/// count as the greatest thickness where there is none before.
pub(super) fn thickness(met: &[Met], scene: &Scene<'_>, texel: u64) -> f64 {
    let starts: Vec<Start> = met.iter().map(|met| Start::of(met, scene)).collect();
    let mut sum = 0.0;
    scene.directions.for_texel(texel, |ray, [x, y, z]| {
        let start = &starts[ray % starts.len()];
        let direction = start.across * x + start.along * y - start.normal * z;
        let from = start.place - start.normal * scene.lift;
        sum += scene
            .bvh
            .first_hit(from, direction, 0.0, scene.thickest, |_| true)
            .map_or(scene.thickest, |hit| hit.distance + scene.lift);
    });
    sum / scene.directions.count() as f64
}
