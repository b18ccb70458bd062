//! A model of the size of a scan: a coil of rope with its strands and some unevenness.

use glam::DVec3;
use tidemill_mesh::Mesh;
use tidemill_mesh::noise::Noise;

/// 70,000 triangles, closed, of one tag.
pub fn coil_of_rope() -> Mesh {
    const ALONG: u32 = 1000;
    const AROUND: u32 = 35;
    let noise = Noise::new(11);
    let tau = std::f64::consts::TAU;
    let mut positions = Vec::new();
    for step in 0..ALONG {
        let turn = tau * f64::from(step) / f64::from(ALONG);
        // A knot of two turns around and three up and down, so that the rope lies over itself.
        let ring = 0.5 + 0.16 * (3.0 * turn).cos();
        let middle = DVec3::new(
            ring * (2.0 * turn).cos(),
            0.16 * (3.0 * turn).sin(),
            -ring * (2.0 * turn).sin(),
        );
        let forward = DVec3::new(-(2.0 * turn).sin(), 0.0, -(2.0 * turn).cos());
        let across = forward.cross(DVec3::Y);
        for side in 0..AROUND {
            let angle = tau * f64::from(side) / f64::from(AROUND);
            let strands = 1.0 + 0.12 * (3.0 * angle + 60.0 * turn).cos();
            let direction = across * angle.cos() + DVec3::Y * angle.sin();
            let rough = 0.004 * noise.at(middle * 40.0 + direction * 2.0);
            positions.push(
                (middle + direction * (0.075 * strands + rough))
                    .as_vec3()
                    .to_array(),
            );
        }
    }
    let at = |step: u32, side: u32| (step % ALONG) * AROUND + side % AROUND;
    let cells = (0..ALONG).flat_map(|step| (0..AROUND).map(move |side| (step, side)));
    let triangles: Vec<[u32; 3]> = cells
        .flat_map(|(step, side)| {
            let [a, b, c, d] = [
                at(step, side),
                at(step + 1, side),
                at(step + 1, side + 1),
                at(step, side + 1),
            ];
            [[a, b, c], [a, c, d]]
        })
        .collect();
    Mesh {
        face_tags: vec![0; triangles.len()],
        positions,
        triangles,
        tags: vec!["rope".to_owned()],
        ..Mesh::default()
    }
}
