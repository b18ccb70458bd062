//! Which triangle of the low mesh covers which sample of the map.

use std::ops::Range;

use crate::Mesh;
use crate::operations::rows::{Rows, middles, span, weights};

/// No triangle.
const NONE: u32 = u32::MAX;

/// The triangles of the low mesh by the rows of texels that they touch. Samples are found row by row, so that even the
/// largest map takes little memory beside itself.
pub(super) struct Cover {
    /// Texels along a side.
    size: usize,
    /// Samples along each side of a texel.
    per_side: usize,
    /// UVs in samples.
    corners: Vec<[[f64; 2]; 3]>,
    /// Of texels, which triangles they touch.
    rows: Rows,
}

impl Cover {
    /// None where the mesh has no UVs. Triangles that are left out cover nothing.
    pub fn of(low: &Mesh, size: usize, per_side: usize, left_out: impl Fn(usize) -> bool) -> Option<Self> {
        let side = (size * per_side) as f64;
        let corners: Vec<[[f64; 2]; 3]> = low
            .uvs
            .as_ref()?
            .iter()
            .map(|uvs| uvs.map(|uv| uv.map(|coordinate| f64::from(coordinate) * side)))
            .collect();
        let reached: Vec<_> = corners
            .iter()
            .enumerate()
            .map(|(triangle, corners)| {
                if left_out(triangle) {
                    return 0..0;
                }
                let (least, most) = span(corners, 1);
                let samples = middles(least, most, size * per_side);
                samples.start / per_side..samples.end.div_ceil(per_side)
            })
            .collect();
        Some(Self {
            size,
            per_side,
            corners,
            rows: Rows::of(&reached, size),
        })
    }

    /// Fills `samples` with the triangles at the samples of one row of texels: `per_side` rows of samples one after the
    /// other. Where charts overlap the first triangle stays.
    pub fn fill_row(&self, row: usize, samples: &mut Vec<u32>) {
        let width = self.size * self.per_side;
        samples.clear();
        samples.resize(width * self.per_side, NONE);
        for &triangle in self.rows.at(row) {
            let corners = &self.corners[triangle as usize];
            for line in 0..self.per_side {
                let y = row * self.per_side + line;
                for x in self.crossed(corners, y) {
                    let sample = &mut samples[line * width + x];
                    if *sample == NONE && weights(*corners, middle(x, y)).is_some() {
                        *sample = triangle;
                    }
                }
            }
        }
    }

    /// A few more columns than those where the middles of a row of samples lie in the triangle.
    fn crossed(&self, corners: &[[f64; 2]; 3], y: usize) -> Range<usize> {
        let height = y as f64 + 0.5;
        let mut least = f64::INFINITY;
        let mut most = f64::NEG_INFINITY;
        for side in 0..3 {
            let ([ax, ay], [bx, by]) = (corners[side], corners[(side + 1) % 3]);
            if ay.min(by) > height || ay.max(by) < height {
                continue;
            }
            let (low, high) = if ay == by {
                (ax.min(bx), ax.max(bx))
            } else {
                let at = ax + (bx - ax) * ((height - ay) / (by - ay));
                (at, at)
            };
            least = least.min(low);
            most = most.max(high);
        }
        middles(least - 1.0, most + 1.0, self.size * self.per_side)
    }

    /// The triangle at a sample of a row that [`Cover::fill_row`] filled, and the barycentric weights of its corners.
    pub fn at(&self, samples: &[u32], row: usize, x: usize, line: usize) -> Option<(u32, [f64; 3])> {
        let triangle = samples[line * self.size * self.per_side + x];
        let corners = self.corners.get(triangle as usize)?;
        weights(*corners, middle(x, row * self.per_side + line)).map(|weights| (triangle, weights))
    }
}

fn middle(x: usize, y: usize) -> [f64; 2] {
    [x as f64 + 0.5, y as f64 + 0.5]
}
