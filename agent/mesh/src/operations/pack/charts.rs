//! The charts of a mesh: what may be moved in the map by itself.

use std::collections::HashMap;

use crate::Mesh;
use crate::spatial::point;

/// Faces that hang together in the map.
#[derive(Debug, Clone)]
pub(super) struct Chart {
    /// Which of the meshes it belongs to.
    pub source: usize,
    /// In order.
    pub faces: Vec<u32>,
    /// Texels along a metre beside those of a tag that is not named.
    pub factor: f64,
    /// Least UV.
    pub least: [f64; 2],
    /// Extent in UV.
    pub extent: [f64; 2],
    /// Metres of the surface along one unit of UV, on average.
    pub metres_per_uv: f64,
    /// Square metres.
    pub area_m2: f64,
}

/// All charts of a mesh, in order of their first faces. `factor` says for a face how dense its texels are, or none to leave it out.
///
/// Two faces hang together where they share an edge with the same UVs at both ends, and the same factor. A chart without area in the
/// map or in space gets the scale of the whole mesh; the answer is empty if that has none either.
pub(super) fn charts_of(source: usize, mesh: &Mesh, factor: impl Fn(usize) -> Option<f64>) -> Vec<Chart> {
    let Some(uvs) = &mesh.uvs else {
        return Vec::new();
    };
    let factors: Vec<Option<f64>> = (0..mesh.triangles.len()).map(factor).collect();
    let mut roots = Roots::new(mesh.triangles.len());
    let mut beside = HashMap::new();
    for (face, (corners, uvs)) in mesh.triangles.iter().zip(uvs).enumerate() {
        let Some(factor) = factors[face] else { continue };
        for k in 0..3 {
            // 0.0 and -0.0 are one place.
            let end = |k: usize| {
                (
                    corners[k % 3],
                    uvs[k % 3].map(|coordinate| (coordinate + 0.0).to_bits()),
                )
            };
            let (one, other) = (end(k), end(k + 1));
            // The map is only asked, never walked: its order cannot reach the result.
            let first = *beside
                .entry((one.min(other), one.max(other), factor.to_bits()))
                .or_insert(face);
            roots.join(first, face);
        }
    }
    let mut charts: Vec<Chart> = Vec::new();
    let mut chart_of_root: HashMap<usize, usize> = HashMap::new();
    for (face, factor) in factors.iter().enumerate() {
        let Some(factor) = *factor else { continue };
        let root = roots.of(face);
        let chart = *chart_of_root.entry(root).or_insert_with(|| {
            charts.push(Chart {
                source,
                faces: Vec::new(),
                factor,
                least: [0.0; 2],
                extent: [0.0; 2],
                metres_per_uv: 0.0,
                area_m2: 0.0,
            });
            charts.len() - 1
        });
        charts[chart].faces.push(face as u32);
    }
    measure(mesh, uvs, &mut charts);
    charts
}

fn measure(mesh: &Mesh, uvs: &[[[f32; 2]; 3]], charts: &mut Vec<Chart>) {
    let mut all = (0.0_f64, 0.0_f64);
    for chart in charts.iter_mut() {
        let mut least = [f64::INFINITY; 2];
        let mut most = [f64::NEG_INFINITY; 2];
        let mut area_in_map = 0.0;
        for &face in &chart.faces {
            let [s, t, r] = uvs[face as usize].map(|uv| uv.map(f64::from));
            for corner in [s, t, r] {
                for axis in 0..2 {
                    least[axis] = least[axis].min(corner[axis]);
                    most[axis] = most[axis].max(corner[axis]);
                }
            }
            area_in_map += 0.5 * ((t[0] - s[0]) * (r[1] - s[1]) - (t[1] - s[1]) * (r[0] - s[0])).abs();
            let [a, b, c] = mesh.corners(face as usize).map(point);
            chart.area_m2 += 0.5 * (b - a).cross(c - a).length();
        }
        chart.least = least;
        chart.extent = [0, 1].map(|axis| most[axis] - least[axis]);
        if area_in_map > 0.0 && chart.area_m2 > 0.0 {
            chart.metres_per_uv = (chart.area_m2 / area_in_map).sqrt();
            all = (all.0 + chart.area_m2, all.1 + area_in_map);
        }
    }
    if all.1 <= 0.0 {
        charts.clear();
        return;
    }
    let of_mesh = (all.0 / all.1).sqrt();
    for chart in charts.iter_mut().filter(|chart| chart.metres_per_uv == 0.0) {
        chart.metres_per_uv = of_mesh;
    }
}

/// Which faces hang together; the lowest speaks for all.
struct Roots(Vec<usize>);

impl Roots {
    fn new(faces: usize) -> Self {
        Self((0..faces).collect())
    }

    fn of(&mut self, mut face: usize) -> usize {
        while self.0[face] != face {
            self.0[face] = self.0[self.0[face]];
            face = self.0[face];
        }
        face
    }

    fn join(&mut self, one: usize, other: usize) {
        let (one, other) = (self.of(one), self.of(other));
        self.0[one.max(other)] = one.min(other);
    }
}
