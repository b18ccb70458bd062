//! How good UVs are.

use glam::DVec2;

use crate::Mesh;
use crate::spatial::point;

/// Stretch after Sander, Snyder, Gortler & Hoppe, Texture Mapping Progressive Meshes, 2001, scaled so that 1 is perfect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Root mean square over the surface; 1 at best.
    pub stretch_l2: f64,
    /// Greatest stretch in any direction.
    pub stretch_most: f64,
    /// Share of the unit square inside triangles.
    pub coverage: f64,
}

/// Measures the UVs of a mesh; faces without area in space or in the map are left out. Without UVs all is zero.
pub fn measure(mesh: &Mesh) -> Measured {
    measure_weighed(mesh, |_| Some(1.0))
}

/// As [`measure`], for surfaces of which some are to have more texels than others: `factor` says for a triangle how many times as
/// many along a metre, or none to leave it out.
pub fn measure_weighed(mesh: &Mesh, factor: impl Fn(usize) -> Option<f64>) -> Measured {
    let mut sum = 0.0;
    let mut surface = 0.0;
    let mut map = 0.0;
    let mut most_squared = 0.0_f64;
    for (triangle, uvs) in mesh.uvs.iter().flatten().enumerate() {
        let Some(factor) = factor(triangle) else { continue };
        let [a, b, c] = mesh.corners(triangle).map(|corner| point(corner) * factor);
        let [s, t, r] = uvs.map(|[u, v]| DVec2::new(f64::from(u), f64::from(v)));
        let twice_map = (t - s).perp_dot(r - s);
        let area = 0.5 * (b - a).cross(c - a).length();
        if twice_map == 0.0 || area == 0.0 {
            continue;
        }
        // Derivatives of the place in space by u and by v.
        let by_u = (a * (t.y - r.y) + b * (r.y - s.y) + c * (s.y - t.y)) / twice_map;
        let by_v = (a * (r.x - t.x) + b * (s.x - r.x) + c * (t.x - s.x)) / twice_map;
        let (uu, uv, vv) = (by_u.length_squared(), by_u.dot(by_v), by_v.length_squared());
        let root = ((uu - vv) * (uu - vv) + 4.0 * uv * uv).sqrt();
        sum += 0.5 * (uu + vv) * area;
        most_squared = most_squared.max(0.5 * (uu + vv + root));
        surface += area;
        map += 0.5 * twice_map.abs();
    }
    if surface == 0.0 || map == 0.0 {
        return Measured {
            stretch_l2: 0.0,
            stretch_most: 0.0,
            coverage: 0.0,
        };
    }
    // A perfect map scales all lengths alike, by the root of the areas' ratio.
    let scale = (map / surface).sqrt();
    Measured {
        stretch_l2: (sum / surface).sqrt() * scale,
        stretch_most: most_squared.sqrt() * scale,
        coverage: map,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::UNTAGGED;

    #[test]
    fn squares_have_the_published_stretch() {
        // Source: Sander et al. 2001, worked through by hand: a square squeezed to 2:1 has 1.1180 and 1.4142, one squeezed to 4:1 has 1.4577 and 2.
        for (width, l2, most) in [
            (1.0_f32, 1.0, 1.0),
            (0.5, 1.25_f64.sqrt(), 2.0_f64.sqrt()),
            (0.25, 1.4577, 2.0),
        ] {
            let mesh = Mesh {
                positions: vec![[0.0; 3], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]],
                triangles: vec![[0, 1, 2], [0, 2, 3]],
                face_tags: vec![UNTAGGED; 2],
                uvs: Some(vec![
                    [[0.0, 1.0], [width, 1.0], [width, 0.0]],
                    [[0.0, 1.0], [width, 0.0], [0.0, 0.0]],
                ]),
                ..Mesh::default()
            };
            let measured = measure(&mesh);
            assert!((measured.stretch_l2 - l2).abs() < 1e-4, "{measured:?}");
            assert!((measured.stretch_most - most).abs() < 1e-4, "{measured:?}");
            assert!((measured.coverage - f64::from(width)).abs() < 1e-6);
        }
    }
}
