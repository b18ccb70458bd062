//! From a point of the low surface to the high one.

use std::cell::Cell;

use glam::DVec3;
use rayon::prelude::*;

use crate::Mesh;
use crate::spatial::{Bvh, Fans, Hit, point, vertex_normals};

/// Where on the high mesh a point of the low one belongs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Projected {
    pub triangle: u32,
    pub weights: [f64; 3],
    /// The low surface's smooth normal.
    pub outwards: DVec3,
    /// How far outwards of the low surface, metres; negative inside.
    pub height: f64,
    /// No ray met the high mesh; this is the nearest point.
    pub missed: bool,
}

/// What the place before says of the next one. It speeds the search up and changes nothing in what is found.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Nearby {
    /// Between the surfaces, metres.
    distance: f64,
}

/// Share of the cage that is looked into first.
const FIRST_SHARE: f64 = 1.0 / 64.0;
/// How far samples are drawn towards the middle of their triangle.
const INWARDS: f64 = 1.0e-6;
/// Share of the cage within which two distances are the same.
const EQUAL_SHARE: f64 = 1.0e-7;

pub(super) struct Projector<'a> {
    low: &'a Mesh,
    bvh: &'a Bvh,
    cage: f64,
    /// Least reach, metres.
    step: f64,
    positions: Vec<DVec3>,
    /// Smooth at vertices whatever the UVs do, so that rays leave no gap at seams.
    normals: Vec<DVec3>,
    high_normals: Vec<DVec3>,
}

impl<'a> Projector<'a> {
    pub fn new(low: &'a Mesh, bvh: &'a Bvh, high: &'a Mesh, cage: f64) -> Self {
        // Seams may have split vertices; the smooth normal must not know.
        let welded = low.clone().welded();
        let positions: Vec<DVec3> = welded.positions.iter().map(|&position| point(position)).collect();
        let fans = Fans::new(&welded.triangles, positions.len());
        let smooth = vertex_normals(&positions, &welded.triangles, &fans);
        let mut normals = vec![DVec3::ZERO; low.positions.len()];
        for (split, whole) in low
            .triangles
            .as_flattened()
            .iter()
            .zip(welded.triangles.as_flattened())
        {
            normals[*split as usize] = smooth[*whole as usize];
        }
        let high_normals = (0..high.triangles.len())
            .into_par_iter()
            .map(|triangle| {
                let [a, b, c] = high.corners(triangle).map(point);
                (b - a).cross(c - a).normalize_or_zero()
            })
            .collect();
        let positions = low.positions.iter().map(|&position| point(position)).collect();
        Self {
            low,
            bvh,
            cage,
            step: FIRST_SHARE * cage,
            positions,
            normals,
            high_normals,
        }
    }

    /// Of what lies within the cage on either side, the nearest to the low surface is meant: from the cage inwards a ray
    /// would meet a neighbouring part first.
    pub fn project(&self, triangle: u32, weights: [f64; 3], nearby: &mut Nearby) -> Projected {
        let corners = self.low.triangles[triangle as usize];
        // A sample exactly on an edge would see whichever face rounding favours.
        let weights = weights.map(|weight| weight + INWARDS * (1.0 / 3.0 - weight));
        let blend = |values: &[DVec3]| {
            corners
                .iter()
                .zip(weights)
                .map(|(&corner, weight)| values[corner as usize] * weight)
                .sum::<DVec3>()
        };
        let place = blend(&self.positions);
        let [a, b, c] = corners.map(|corner| self.positions[corner as usize]);
        let flat = (b - a).cross(c - a).normalize_or_zero();
        let smooth = blend(&self.normals).normalize_or_zero();
        // Opposite smooth normals can cancel out or point into the surface; then its own normal is the better one.
        let outwards = if smooth.dot(flat) > 0.1 { smooth } else { flat };
        // What is met within a shorter reach is the nearest in the longer one too, and is found sooner.
        let short = (2.0 * nearby.distance + self.step).min(self.cage);
        let met = self.nearest_along(place, outwards, flat, short).or_else(|| {
            let rest = short < self.cage;
            rest.then(|| self.nearest_along(place, outwards, flat, self.cage))
                .flatten()
        });
        if let Some(hit) = met {
            nearby.distance = hit.distance.abs();
            return Projected {
                triangle: hit.triangle,
                weights: hit.weights,
                outwards,
                height: hit.distance,
                missed: false,
            };
        }
        // Only positions that are not finite have no nearest point, and those are refused on reading.
        let (triangle, weights, point) = self
            .bvh
            .nearest(place, f64::INFINITY)
            .map_or((0, [1.0, 0.0, 0.0], place), |nearest| {
                (nearest.triangle, nearest.weights, nearest.point)
            });
        Projected {
            triangle,
            weights,
            outwards,
            height: (point - place).dot(outwards),
            missed: true,
        }
    }

    /// The front of the high mesh nearest to `place` along the line, within `reach` on both sides; its distance is
    /// positive outwards.
    fn nearest_along(&self, place: DVec3, outwards: DVec3, flat: DVec3, reach: f64) -> Option<Hit> {
        let best: Cell<Option<(Hit, f64)>> = Cell::new(None);
        let equal = EQUAL_SHARE * self.cage;
        self.bvh
            .first_hit(place - outwards * reach, outwards, 0.0, 2.0 * reach, |hit| {
                let normal = self.high_normals[hit.triangle as usize];
                // The back of the high mesh belongs to another wall.
                if normal.dot(outwards) > 0.0 {
                    let height = hit.distance - reach;
                    // On an edge two faces are equally near; the one that turns as the low face does is meant.
                    let turned = normal.dot(flat);
                    let better = best.get().is_none_or(|(best, best_turned)| {
                        let closer = best.distance.abs() - height.abs();
                        let as_good = turned == best_turned && hit.triangle < best.triangle;
                        closer > equal || (closer >= -equal && (turned > best_turned || as_good))
                    });
                    if better {
                        let hit = Hit {
                            distance: height,
                            ..*hit
                        };
                        best.set(Some((hit, turned)));
                    }
                }
                // Agreeing would end the search at the first place met, which need not be the nearest to the middle.
                false
            });
        best.get().map(|(hit, _)| hit)
    }
}
