//! `smooth`: noise taken off without shrinking.
//!
//! Source: Taubin, A Signal Processing Approach to Fair Surface Design, 1995 (from memory): a step towards the middle of
//! the neighbours, then a slightly larger one away from it.

use glam::DVec3;
use rayon::prelude::*;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::spatial::{Fans, others, point};

/// The frequency that neither grows nor shrinks, `1 / inward + 1 / outward`; Taubin advises 0.01 to 0.1.
const PASS_BAND: f64 = 0.1;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let on = context.optional_text("on")?;
    let tag = match on {
        None => None,
        Some(name) => Some(
            mesh.tag_index(name)
                .filter(|tag| mesh.face_tags.contains(tag))
                .ok_or_else(|| OperationError::TagAbsent {
                    tag: name.to_owned(),
                    present: mesh.tags.join(", "),
                })?,
        ),
    };
    let smoothed = smooth(mesh, context.whole("passes")?, context.number("strength")?, tag);
    let most_m = smoothed.1;
    Ok(Produced::mesh(smoothed.0).with_figure("most_moved_m", most_m))
}

/// The smoothed mesh and the greatest way of a vertex, metres. Normals are dropped, UVs stay.
fn smooth(mesh: &Mesh, passes: u64, strength: f64, tag: Option<u16>) -> (Mesh, f64) {
    let mut mesh = Mesh {
        normals: None,
        ..mesh.clone()
    }
    .welded();
    let begin: Vec<DVec3> = mesh.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&mesh.triangles, begin.len());
    let neighbours: Vec<Vec<u32>> = (0..begin.len())
        .into_par_iter()
        .map(|vertex| pulling(&mesh, &fans, vertex, tag))
        .collect();
    let outward = 1.0 / (PASS_BAND - 1.0 / strength);
    let mut positions = begin.clone();
    for _ in 0..passes {
        for step in [strength, outward] {
            positions = (0..positions.len())
                .into_par_iter()
                .map(|vertex| {
                    let here = positions[vertex];
                    let beside = &neighbours[vertex];
                    if beside.is_empty() {
                        return here;
                    }
                    let sum: DVec3 = beside.iter().map(|&other| positions[other as usize]).sum();
                    here + (sum / beside.len() as f64 - here) * step
                })
                .collect();
        }
    }
    let most_m = begin
        .iter()
        .zip(&positions)
        .map(|(before, after)| before.distance(*after))
        .fold(0.0, f64::max);
    for ((stored, before), after) in mesh.positions.iter_mut().zip(&begin).zip(&positions) {
        if before != after {
            *stored = after.as_vec3().to_array();
        }
    }
    (mesh, most_m)
}

/// The neighbours whose middle a vertex goes to: all of them, those along its border, or none where it must stay.
fn pulling(mesh: &Mesh, fans: &Fans, vertex: usize, only: Option<u16>) -> Vec<u32> {
    let tags = |corner: &u32| mesh.face_tags[*corner as usize / 3];
    let fan = fans.of(vertex);
    if only.is_some_and(|tag| fan.iter().any(|corner| tags(corner) != tag)) {
        return Vec::new();
    }
    let mut beside: Vec<(u32, u16)> = fan
        .iter()
        .flat_map(|corner| others(*corner, &mesh.triangles).map(|other| (other, tags(corner))))
        .filter(|(other, _)| *other as usize != vertex)
        .collect();
    beside.sort_unstable();
    let (mut inside, mut border) = (Vec::new(), Vec::new());
    for same in beside.chunk_by(|left, right| left.0 == right.0) {
        match same {
            [(other, left), (_, right)] if left == right => inside.push(*other),
            _ => border.push(same[0].0),
        }
    }
    match border.len() {
        0 => inside,
        2 => border,
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::UNTAGGED;
    use crate::operations::testing::{call, mesh_of};
    use crate::test_shapes::sphere;

    /// A sphere whose vertices stand in and out by turns.
    fn rough() -> Mesh {
        let mut ball = sphere([0.0; 3], 1.0, 4, "iron");
        for (index, position) in ball.positions.iter_mut().enumerate() {
            let factor = if index % 2 == 0 { 1.01 } else { 0.99 };
            *position = position.map(|coordinate| coordinate * factor);
        }
        ball
    }

    fn roughness(mesh: &Mesh) -> f64 {
        let squares = mesh
            .positions
            .iter()
            .map(|&position| (point(position).length() - 1.0).powi(2));
        (squares.sum::<f64>() / mesh.positions.len() as f64).sqrt()
    }

    #[test]
    fn noise_goes_and_the_volume_stays() {
        let ball = rough();
        let settings = [("passes", 20.0.into()), ("strength", 0.5.into())];
        let out = mesh_of(run, &ball, &call("smooth", &settings));
        assert!(
            roughness(&out) < 0.3 * roughness(&ball),
            "{} {}",
            roughness(&out),
            roughness(&ball)
        );
        assert!((out.volume() / ball.volume() - 1.0).abs() < 0.01);
        assert_eq!(out.triangles, ball.clone().welded().triangles);
    }

    #[test]
    fn only_the_tag_asked_for_moves() {
        let mut ball = rough();
        ball.tags.push("timber".to_owned());
        for face in 0..ball.triangles.len() {
            let height: f32 = ball.corners(face).iter().map(|corner| corner[1]).sum();
            ball.face_tags[face] = u16::from(height > 0.0);
        }
        let settings = [
            ("passes", 5.0.into()),
            ("strength", 0.5.into()),
            ("on", "timber".into()),
        ];
        let out = mesh_of(run, &ball, &call("smooth", &settings));
        let before = ball.welded();
        let mut moved = 0;
        for (face, corners) in before.triangles.iter().enumerate() {
            for &corner in corners {
                let stays = before.positions[corner as usize] == out.positions[corner as usize];
                assert!(stays || before.face_tags[face] == 1);
                moved += usize::from(!stays);
            }
        }
        assert!(moved > 1000);
        let refused = run(&crate::operations::Context {
            call: &call("smooth", &[("on", "rope".into())]),
            inputs: [("mesh", crate::value::Value::Mesh(before.into()))].into(),
            tags: &[],
        });
        assert!(refused.unwrap_err().to_string().contains("rope"));
    }

    #[test]
    fn faces_without_a_tag_are_a_patch_like_any_other() {
        let mut ball = rough();
        ball.face_tags[0] = UNTAGGED;
        let out = mesh_of(
            run,
            &ball,
            &call("smooth", &[("passes", 1.0.into()), ("strength", 0.5.into())]),
        );
        assert_eq!(out.face_tags[0], UNTAGGED);
        assert!(out.is_closed());
    }
}
