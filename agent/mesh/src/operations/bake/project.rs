//! From a point of the low surface to the high one.

use glam::DVec3;

use crate::Mesh;
use crate::spatial::{Bvh, Fans, Hit, point, vertex_normals};

/// Where on the high mesh a point of the low one belongs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Projected {
    pub triangle: u32,
    pub weights: [f64; 3],
    /// The low surface's smooth normal.
    pub outwards: DVec3,
    /// No ray met the high mesh; this is the nearest point.
    pub missed: bool,
}

pub(super) struct Projector<'a> {
    low: &'a Mesh,
    bvh: &'a Bvh,
    cage: f64,
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
            .map(|triangle| {
                let [a, b, c] = high.corners(triangle).map(point);
                (b - a).cross(c - a)
            })
            .collect();
        let positions = low.positions.iter().map(|&position| point(position)).collect();
        Self {
            low,
            bvh,
            cage,
            positions,
            normals,
            high_normals,
        }
    }

    pub fn project(&self, triangle: u32, weights: [f64; 3]) -> Projected {
        let corners = self.low.triangles[triangle as usize];
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
        // The back of the high mesh belongs to another wall.
        let faces_out = |hit: &Hit| self.high_normals[hit.triangle as usize].dot(outwards) > 0.0;
        // Of what lies within the cage on either side, the nearest to the low surface is meant: from the cage inwards
        // a ray would meet a neighbouring part first.
        let inner = self.bvh.first_hit(place, -outwards, 0.0, self.cage, faces_out);
        let rest = inner.map_or(self.cage, |hit| hit.distance);
        let met = self
            .bvh
            .first_hit(place, outwards, 0.0, rest, faces_out)
            .or(inner);
        if let Some(hit) = met {
            return Projected {
                triangle: hit.triangle,
                weights: hit.weights,
                outwards,
                missed: false,
            };
        }
        match self.bvh.nearest(place, f64::INFINITY) {
            Some(nearest) => Projected {
                triangle: nearest.triangle,
                weights: nearest.weights,
                outwards,
                missed: true,
            },
            // Only positions that are not finite come here, and those are refused on reading.
            None => Projected {
                triangle: 0,
                weights: [1.0, 0.0, 0.0],
                outwards,
                missed: true,
            },
        }
    }
}
