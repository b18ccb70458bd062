//! Which triangle of the low mesh covers which sample of the map.

use crate::Mesh;

/// No triangle.
const NONE: u32 = u32::MAX;

/// For each sample, at the middle of its square, a triangle and where in it.
pub(super) struct Cover {
    side: usize,
    triangle: Vec<u32>,
    /// UVs in samples.
    corners: Vec<[[f64; 2]; 3]>,
}

impl Cover {
    /// None where the mesh has no UVs. Where charts overlap the first triangle stays.
    pub fn of(low: &Mesh, side: usize) -> Option<Self> {
        let corners: Vec<[[f64; 2]; 3]> = low
            .uvs
            .as_ref()?
            .iter()
            .map(|uvs| uvs.map(|uv| uv.map(|coordinate| f64::from(coordinate) * side as f64)))
            .collect();
        let mut cover = Self {
            side,
            triangle: vec![NONE; side * side],
            corners,
        };
        for triangle in 0..cover.corners.len() {
            cover.add(triangle);
        }
        Some(cover)
    }

    fn add(&mut self, triangle: usize) {
        let corners = self.corners[triangle];
        let range = |axis: usize| {
            let least = corners
                .iter()
                .map(|corner| corner[axis])
                .fold(f64::INFINITY, f64::min);
            let most = corners
                .iter()
                .map(|corner| corner[axis])
                .fold(f64::NEG_INFINITY, f64::max);
            // Middles lie at halves. Casts of floats stop at the ends of their range.
            (
                (least - 0.5).ceil().max(0.0) as usize,
                ((most - 0.5).floor() + 1.0).clamp(0.0, self.side as f64) as usize,
            )
        };
        let (columns, rows) = (range(0), range(1));
        for y in rows.0..rows.1 {
            for x in columns.0..columns.1 {
                let place = y * self.side + x;
                if self.triangle[place] == NONE && weights(&corners, x, y).is_some() {
                    self.triangle[place] = triangle as u32;
                }
            }
        }
    }

    /// The triangle at a sample and the barycentric weights of its corners.
    pub fn at(&self, x: usize, y: usize) -> Option<(u32, [f64; 3])> {
        let triangle = self.triangle[y * self.side + x];
        let corners = self.corners.get(triangle as usize)?;
        weights(corners, x, y).map(|weights| (triangle, weights))
    }
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
