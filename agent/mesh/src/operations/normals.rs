//! `normals`: shading normals with a smoothing angle, split where charts meet.

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::write::{Seams, smoothed_normals};

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let mut mesh = Mesh::clone(mesh);
    let seams = if context.flag("split")? {
        Seams::Split
    } else {
        Seams::Smooth
    };
    mesh.normals = Some(smoothed_normals(&mesh, context.number("angle")?, seams));
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
    fn normals_are_split_where_charts_meet_and_nowhere_else() {
        use crate::operations::unwrap::{Unwrapping, unwrap};
        let ball = unwrap(&sphere([0.0; 3], 2.0, 3, "iron"), &Unwrapping::plain(256, 2))
            .unwrap()
            .mesh;
        let normals = |mesh: &Mesh, split: bool| {
            let settings = [("angle", 180.0.into()), ("split", split.into())];
            mesh_of(run, mesh, &call("normals", &settings)).normals.unwrap()
        };
        let (split, smooth) = (normals(&ball, true), normals(&ball, false));
        let uvs = ball.uvs.as_ref().unwrap();
        // By vertex: corners with one UV share a normal, and corners with different ones do not.
        let (mut seams, mut insides) = (0, 0);
        for vertex in 0..ball.positions.len() as u32 {
            let corners: Vec<(usize, usize)> = ball
                .triangles
                .iter()
                .enumerate()
                .filter_map(|(face, corners)| {
                    Some((face, corners.iter().position(|&corner| corner == vertex)?))
                })
                .collect();
            let (first, k) = corners[0];
            for &(face, place) in &corners {
                let same_chart = uvs[face][place] == uvs[first][k];
                let same = point(split[face][place]).distance(point(split[first][k])) < 1e-6;
                assert_eq!(same, same_chart, "vertex {vertex}");
                assert_eq!(smooth[face][place], smooth[first][k]);
            }
            if corners
                .iter()
                .any(|&(face, place)| uvs[face][place] != uvs[first][k])
            {
                seams += 1;
            } else {
                insides += 1;
                assert_eq!(split[first][k], smooth[first][k]);
            }
        }
        assert!(seams > 50 && insides > 50, "{seams} {insides}");
        // Without UVs there is nothing to split at.
        let bare = sphere([0.0; 3], 2.0, 3, "iron");
        assert_eq!(normals(&bare, true), normals(&bare, false));
    }

    #[test]
    fn large_faces_count_for_more() {
        // Worked by hand: each face counts with its area. At the corner of a box a side with one triangle there counts half as much
        // as a side with two, so that the sum is (1, 1, 1) weighted by the areas that meet.
        let cube = cuboid([0.0; 3], [1.0; 3], "timber");
        let normals = with(&cube, 180.0);
        for (face, corners) in cube.triangles.iter().enumerate() {
            for (k, &vertex) in corners.iter().enumerate() {
                let mut sum = glam::DVec3::ZERO;
                for other in (0..12).filter(|&other| cube.triangles[other].contains(&vertex)) {
                    let [a, b, c] = cube.corners(other).map(point);
                    sum += (b - a).cross(c - a).normalize() * cube.triangle_area(other);
                }
                assert!(point(normals[face][k]).distance(sum.normalize()) < 1e-6);
            }
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
