//! Which triangle of the low mesh covers which sample of the map.

use crate::Mesh;

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
    /// For each row where its triangles begin.
    first: Vec<u32>,
    /// In order within each row.
    triangles: Vec<u32>,
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
        let rows: Vec<_> = corners
            .iter()
            .enumerate()
            .map(|(triangle, corners)| {
                if left_out(triangle) {
                    return 0..0;
                }
                let (begin, end) = touched(corners.map(|corner| corner[1]), size * per_side);
                begin / per_side..end.div_ceil(per_side)
            })
            .collect();
        let mut first = vec![0_u32; size + 1];
        for row in rows.iter().cloned().flatten() {
            first[row + 1] += 1;
        }
        for row in 0..size {
            first[row + 1] += first[row];
        }
        let mut next = first.clone();
        let mut triangles = vec![0; first[size] as usize];
        for (triangle, rows) in rows.into_iter().enumerate() {
            for row in rows {
                triangles[next[row] as usize] = triangle as u32;
                next[row] += 1;
            }
        }
        Some(Self {
            size,
            per_side,
            corners,
            first,
            triangles,
        })
    }

    /// Fills `samples` with the triangles at the samples of one row of texels: `per_side` rows of samples one after the
    /// other. Where charts overlap the first triangle stays.
    pub fn fill_row(&self, row: usize, samples: &mut Vec<u32>) {
        let width = self.size * self.per_side;
        samples.clear();
        samples.resize(width * self.per_side, NONE);
        let range = self.first[row] as usize..self.first[row + 1] as usize;
        for &triangle in &self.triangles[range] {
            let corners = &self.corners[triangle as usize];
            for line in 0..self.per_side {
                let y = row * self.per_side + line;
                let (begin, end) = self.crossed(corners, y);
                for x in begin..end {
                    let sample = &mut samples[line * width + x];
                    if *sample == NONE && weights(corners, x, y).is_some() {
                        *sample = triangle;
                    }
                }
            }
        }
    }

    /// A few more columns than those where the middles of a row of samples lie in the triangle.
    fn crossed(&self, corners: &[[f64; 2]; 3], y: usize) -> (usize, usize) {
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
        if least > most {
            return (0, 0);
        }
        touched([least - 1.0, most + 1.0, least], self.size * self.per_side)
    }

    /// The triangle at a sample of a row that [`Cover::fill_row`] filled, and the barycentric weights of its corners.
    pub fn at(&self, samples: &[u32], row: usize, x: usize, line: usize) -> Option<(u32, [f64; 3])> {
        let triangle = samples[line * self.size * self.per_side + x];
        let corners = self.corners.get(triangle as usize)?;
        weights(corners, x, row * self.per_side + line).map(|weights| (triangle, weights))
    }
}

/// The samples, one after the other, whose middles lie between the least and the most coordinate.
fn touched(coordinates: [f64; 3], side: usize) -> (usize, usize) {
    let least = coordinates.into_iter().fold(f64::INFINITY, f64::min);
    let most = coordinates.into_iter().fold(f64::NEG_INFINITY, f64::max);
    // Middles lie at halves. Casts of floats stop at the ends of their range.
    let begin = (least - 0.5).ceil().max(0.0) as usize;
    let end = ((most - 0.5).floor() + 1.0).clamp(0.0, side as f64) as usize;
    (begin.min(end), end)
}

/// Weights at the middle of a sample; none outside the triangle or where it has no area.
fn weights(corners: &[[f64; 2]; 3], x: usize, y: usize) -> Option<[f64; 3]> {
    let [a, b, c] = *corners;
    let p = [x as f64 + 0.5, y as f64 + 0.5];
    let twice =
        |a: [f64; 2], b: [f64; 2], c: [f64; 2]| (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    let whole = twice(a, b, c);
    let parts = [twice(b, c, p), twice(c, a, p), twice(a, b, p)];
    let inside = whole != 0.0 && parts.iter().all(|part| part * whole >= 0.0);
    inside.then(|| parts.map(|part| part / whole))
}
