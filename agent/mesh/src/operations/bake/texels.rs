//! The values of one row of texels.

use glam::DVec3;

use super::cover::Cover;
use super::project::{Nearby, Projector};
use super::scene::{Met, Scene};
use super::{Baking, Channel, Depth, Green, Kind, Scalar, directions};
use crate::spatial::point;

/// One row of texels.
pub(super) struct Row {
    pub covered: Vec<bool>,
    /// For each map its samples, in the map's depth.
    pub texels: Vec<Vec<u16>>,
    pub samples: u64,
    pub missed: u64,
}

pub(super) fn bake_row(
    row: usize,
    cover: &Cover,
    projector: &Projector<'_>,
    scene: &Scene<'_>,
    baking: &Baking<'_>,
) -> Row {
    let size = baking.size as usize;
    let per_side = baking.samples as usize;
    let channels: Vec<usize> = baking.maps.iter().map(|&kind| baking.channels(kind)).collect();
    let mut answer = Row {
        covered: vec![false; size],
        texels: channels.iter().map(|channels| vec![0; size * channels]).collect(),
        samples: 0,
        missed: 0,
    };
    let mut triangles = Vec::new();
    cover.fill_row(row, &mut triangles);
    let mut nearby = Nearby::default();
    let mut met = Vec::with_capacity(per_side * per_side);
    for column in 0..size {
        met.clear();
        for sample in 0..per_side * per_side {
            let (x, line) = (column * per_side + sample % per_side, sample / per_side);
            let Some((triangle, weights)) = cover.at(&triangles, row, x, line) else {
                continue;
            };
            let projected = projector.project(triangle, weights, &mut nearby);
            answer.samples += 1;
            answer.missed += u64::from(projected.missed);
            met.push(Met {
                triangle: projected.triangle,
                weights: projected.weights,
                outwards: projected.outwards,
                height: projected.height,
                low: (triangle, weights),
            });
        }
        if met.is_empty() {
            continue;
        }
        answer.covered[column] = true;
        let texel = Texel::of(&met, scene, baking, (row * size + column) as u64);
        for ((&kind, texels), &channels) in baking.maps.iter().zip(&mut answer.texels).zip(&channels) {
            let place = &mut texels[channels * column..channels * (column + 1)];
            texel.write(kind, &met, scene, baking, place);
        }
    }
    answer
}

/// The scalar values of one texel, coded; each worked out once however many maps use it.
struct Texel {
    scalars: [u16; Scalar::ALL.len()],
}

impl Texel {
    fn of(met: &[Met], scene: &Scene<'_>, baking: &Baking<'_>, number: u64) -> Self {
        let mean = |value: &dyn Fn(&Met) -> f64| met.iter().map(value).sum::<f64>() / met.len() as f64;
        let depth = baking.depth;
        let scalars = Scalar::ALL.map(|scalar| {
            if !baking.needs(scalar) {
                return 0;
            }
            match scalar {
                Scalar::Curvature => signed(mean(&|met| curvature_at(met, scene)) * baking.radius_m, depth),
                Scalar::Height if scene.cage > 0.0 => signed(mean(&|met| met.height) / scene.cage, depth),
                // A cage of no depth leaves only the surface itself.
                Scalar::Height => signed(0.0, depth),
                Scalar::Occlusion => unsigned(directions::open_share(met, scene, number), depth),
                Scalar::Thickness => {
                    unsigned(directions::thickness(met, scene, number) / scene.thickest, depth)
                }
            }
        });
        Self { scalars }
    }

    fn write(&self, kind: Kind, met: &[Met], scene: &Scene<'_>, baking: &Baking<'_>, place: &mut [u16]) {
        match kind {
            Kind::TagId => place.copy_from_slice(&majority(met, scene).map(u16::from)),
            Kind::Scalar(scalar) => place[0] = self.scalars[scalar as usize],
            Kind::Position => place.copy_from_slice(&position(met, scene, baking)),
            Kind::Normal => place.copy_from_slice(&normal(met, scene, baking)),
            Kind::Packed => {
                let packs = |of: fn(&Channel) -> bool| baking.packed.iter().flatten().any(of);
                let normal = packs(|channel| matches!(channel, Channel::Normal(_)))
                    .then(|| normal(met, scene, baking));
                let position = packs(|channel| matches!(channel, Channel::Position(_)))
                    .then(|| position(met, scene, baking));
                for (value, channel) in place.iter_mut().zip(baking.packed) {
                    *value = match channel {
                        Some(Channel::Scalar(scalar)) => self.scalars[scalar as usize],
                        Some(Channel::Normal(axis)) => normal.map_or(0, |normal| normal[axis]),
                        Some(Channel::Position(axis)) => position.map_or(0, |position| position[axis]),
                        Some(Channel::Grey) => signed(0.0, baking.depth),
                        Some(Channel::White) => baking.depth.most(),
                        Some(Channel::Black) | None => 0,
                    };
                }
            }
        }
    }
}

fn normal(met: &[Met], scene: &Scene<'_>, baking: &Baking<'_>) -> [u16; 3] {
    let Some(frames) = &scene.frames else {
        return [0; 3];
    };
    let mut sum = DVec3::ZERO;
    for met in met {
        sum += frames.seen(met.low, (met.triangle, met.weights));
    }
    let mut normal = sum.normalize_or(DVec3::Z);
    if baking.green == Green::Down {
        normal.y = -normal.y;
    }
    normal
        .to_array()
        .map(|axis| unsigned(0.5 + 0.5 * axis, baking.depth))
}

fn position(met: &[Met], scene: &Scene<'_>, baking: &Baking<'_>) -> [u16; 3] {
    let mut shares = DVec3::ZERO;
    for met in met {
        shares += position_share(met, scene);
    }
    shares /= met.len() as f64;
    shares.to_array().map(|share| unsigned(share, baking.depth))
}

/// The place on the high mesh within its bounds, 0 to 1 along each axis; the middle where they have no extent.
fn position_share(met: &Met, scene: &Scene<'_>) -> DVec3 {
    let [a, b, c] = scene.high.corners(met.triangle as usize).map(point);
    let [u, v, w] = met.weights;
    let place = a * u + b * v + c * w;
    let (least, most) = (point(scene.bounds.least), point(scene.bounds.most));
    DVec3::from_array([0, 1, 2].map(|axis| {
        let extent = most[axis] - least[axis];
        if extent > 0.0 {
            (place[axis] - least[axis]) / extent
        } else {
            0.5
        }
    }))
}

/// The colour of the tag that most samples met; of equals the one met first.
fn majority(met: &[Met], scene: &Scene<'_>) -> [u8; 3] {
    let tag = |met: &Met| scene.high.face_tags[met.triangle as usize];
    let first = tag(&met[0]);
    if met.iter().all(|met| tag(met) == first) {
        return scene.colours[usize::from(first)];
    }
    let votes = |met_by: &Met| met.iter().filter(|other| tag(other) == tag(met_by)).count();
    let mut best = &met[0];
    for candidate in &met[1..] {
        if votes(candidate) > votes(best) {
            best = candidate;
        }
    }
    scene.colours[usize::from(tag(best))]
}

fn curvature_at(met: &Met, scene: &Scene<'_>) -> f64 {
    let corners = scene.high.triangles[met.triangle as usize];
    corners
        .iter()
        .zip(met.weights)
        .map(|(&corner, weight)| scene.curvatures[corner as usize] * weight)
        .sum()
}

/// -1..=1 as a sample; 0 is exactly the middle (128 of 8 bits), -1 is 1.
pub(super) fn signed(share: f64, depth: Depth) -> u16 {
    let middle = f64::from(depth.most() / 2) + 1.0;
    (middle + (middle - 1.0) * share.clamp(-1.0, 1.0)).round() as u16
}

/// 0..=1 as a sample.
pub(super) fn unsigned(share: f64, depth: Depth) -> u16 {
    (f64::from(depth.most()) * share.clamp(0.0, 1.0)).round() as u16
}
