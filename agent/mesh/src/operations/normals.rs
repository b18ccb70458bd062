//! `normals`: shading normals with a smoothing angle.

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::write::smoothed_normals;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let mut mesh = Mesh::clone(mesh);
    mesh.normals = Some(smoothed_normals(&mesh, context.number("angle")?));
    Ok(Produced::mesh(mesh))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::{call, mesh_of};
    use crate::spatial::point;
    use crate::test_shapes::{cuboid, sphere};

    fn with(mesh: &Mesh, degrees: f64) -> Vec<[[f32; 3]; 3]> {
        mesh_of(run, mesh, &call("normals", &[("angle", degrees.into())]))
            .normals
            .unwrap()
    }

    #[test]
    fn a_cube_is_flat_below_a_right_angle_and_smooth_above() {
        let cube = cuboid([0.0; 3], [1.0; 3], "timber");
        for normal in with(&cube, 80.0).as_flattened() {
            let axes = normal.iter().filter(|part| part.abs() > 0.999).count();
            assert_eq!(axes, 1, "{normal:?}");
        }
        for normal in with(&cube, 100.0).as_flattened() {
            assert!(normal.iter().all(|part| part.abs() > 0.3), "{normal:?}");
        }
    }

    #[test]
    fn a_ball_has_normals_from_its_middle() {
        let ball = sphere([0.0; 3], 2.0, 4, "iron");
        for (face, normals) in with(&ball, 40.0).iter().enumerate() {
            for (corner, normal) in ball.corners(face).into_iter().zip(normals) {
                assert!(point(*normal).dot(point(corner).normalize()) > 0.999);
            }
        }
    }
}
