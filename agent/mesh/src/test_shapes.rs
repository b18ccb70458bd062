//! Shapes with known figures, for tests.

use glam::DVec3;

use crate::Mesh;
use crate::mesh::UNTAGGED;

/// Shells side by side in one mesh, each with its own vertices.
pub fn together(parts: &[Mesh]) -> Mesh {
    let mut whole = Mesh::default();
    for part in parts {
        let first = whole.positions.len() as u32;
        whole.positions.extend(&part.positions);
        whole.triangles.extend(
            part.triangles
                .iter()
                .map(|triangle| triangle.map(|corner| corner + first)),
        );
        for &tag in &part.face_tags {
            let index = part.tags.get(usize::from(tag)).map_or(UNTAGGED, |name| {
                whole.tag_index(name).unwrap_or_else(|| {
                    whole.tags.push(name.clone());
                    (whole.tags.len() - 1) as u16
                })
            });
            whole.face_tags.push(index);
        }
    }
    whole
}

/// An axis-aligned box, two triangles a side.
pub fn cuboid(low: [f64; 3], high: [f64; 3], tag: &str) -> Mesh {
    let positions = (0..8)
        .map(|corner| {
            [0, 1, 2].map(|axis| {
                if corner >> axis & 1 == 1 {
                    high[axis] as f32
                } else {
                    low[axis] as f32
                }
            })
        })
        .collect();
    let quads = [
        [0, 2, 3, 1],
        [4, 5, 7, 6],
        [0, 1, 5, 4],
        [2, 6, 7, 3],
        [0, 4, 6, 2],
        [1, 3, 7, 5],
    ];
    let triangles: Vec<[u32; 3]> = quads
        .iter()
        .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]])
        .collect();
    tagged(positions, triangles, tag)
}

/// A sphere of triangles that stem from an icosahedron, split `level` times.
pub fn sphere(centre: [f64; 3], radius: f64, level: u32, tag: &str) -> Mesh {
    let golden = (1.0 + 5.0_f64.sqrt()) / 2.0;
    let mut points: Vec<DVec3> = [
        (-1.0, golden, 0.0),
        (1.0, golden, 0.0),
        (-1.0, -golden, 0.0),
        (1.0, -golden, 0.0),
        (0.0, -1.0, golden),
        (0.0, 1.0, golden),
        (0.0, -1.0, -golden),
        (0.0, 1.0, -golden),
        (golden, 0.0, -1.0),
        (golden, 0.0, 1.0),
        (-golden, 0.0, -1.0),
        (-golden, 0.0, 1.0),
    ]
    .map(|(x, y, z)| DVec3::new(x, y, z).normalize())
    .to_vec();
    let mut triangles: Vec<[u32; 3]> = vec![
        [0, 11, 5],
        [0, 5, 1],
        [0, 1, 7],
        [0, 7, 10],
        [0, 10, 11],
        [1, 5, 9],
        [5, 11, 4],
        [11, 10, 2],
        [10, 7, 6],
        [7, 1, 8],
        [3, 9, 4],
        [3, 4, 2],
        [3, 2, 6],
        [3, 6, 8],
        [3, 8, 9],
        [4, 9, 5],
        [2, 4, 11],
        [6, 2, 10],
        [8, 6, 7],
        [9, 8, 1],
    ];
    for _ in 0..level {
        let mut middles = std::collections::HashMap::new();
        let mut middle = |a: u32, b: u32, points: &mut Vec<DVec3>| {
            *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
                points.push((points[a as usize] + points[b as usize]).normalize());
                points.len() as u32 - 1
            })
        };
        triangles = triangles
            .iter()
            .flat_map(|&[a, b, c]| {
                let [ab, bc, ca] = [(a, b), (b, c), (c, a)].map(|(a, b)| middle(a, b, &mut points));
                [[a, ab, ca], [b, bc, ab], [c, ca, bc], [ab, bc, ca]]
            })
            .collect();
    }
    let centre = DVec3::from(centre);
    let positions = points
        .iter()
        .map(|&p| (centre + p * radius).as_vec3().to_array())
        .collect();
    tagged(positions, triangles, tag)
}

/// A torus around the y axis.
pub fn torus(ring: f64, tube: f64, around: u32, across: u32, tag: &str) -> Mesh {
    let mut positions = Vec::new();
    for i in 0..around {
        let phi = f64::from(i) / f64::from(around) * std::f64::consts::TAU;
        for j in 0..across {
            let theta = f64::from(j) / f64::from(across) * std::f64::consts::TAU;
            let r = ring + tube * libm::cos(theta);
            positions.push(
                DVec3::new(r * libm::cos(phi), tube * libm::sin(theta), -r * libm::sin(phi))
                    .as_vec3()
                    .to_array(),
            );
        }
    }
    let at = |i: u32, j: u32| (i % around) * across + j % across;
    let triangles = (0..around)
        .flat_map(|i| (0..across).map(move |j| (i, j)))
        .flat_map(|(i, j)| {
            let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
            [[a, b, c], [a, c, d]]
        })
        .collect();
    tagged(positions, triangles, tag)
}

/// A crate of planks that touch and overlap, with iron straps let into them: many closed shells.
pub fn plank_crate() -> Mesh {
    let mut parts = Vec::new();
    for side in 0..2 {
        let z = f64::from(side) * 0.46;
        for plank in 0..4 {
            let y = f64::from(plank) * 0.125;
            parts.push(cuboid([0.0, y, z], [0.8, y + 0.123, z + 0.04], "timber"));
            let x = f64::from(side) * 0.76;
            parts.push(cuboid([x, y, 0.0], [x + 0.04, y + 0.123, 0.5], "timber"));
        }
        for (low, high) in [(0.06, 0.12), (0.68, 0.74)] {
            let (front, back) = if side == 0 { (-0.008, 0.02) } else { (0.48, 0.508) };
            parts.push(cuboid([low, 0.0, front], [high, 0.498, back], "iron"));
        }
    }
    parts.push(cuboid([0.0, 0.0, 0.0], [0.8, 0.03, 0.5], "timber"));
    parts.push(cuboid([0.0, 0.47, 0.0], [0.8, 0.5, 0.5], "timber"));
    together(&parts)
}

fn tagged(positions: Vec<[f32; 3]>, triangles: Vec<[u32; 3]>, tag: &str) -> Mesh {
    let face_tags = vec![0; triangles.len()];
    Mesh {
        positions,
        triangles,
        face_tags,
        tags: vec![tag.to_owned()],
        ..Mesh::default()
    }
}
