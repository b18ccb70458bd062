//! The hierarchy against asking every triangle.

use glam::DVec3;
use proptest::prelude::*;

use super::*;
use crate::Mesh;
use crate::test_shapes::{cuboid, sphere, together, torus};

fn corners(mesh: &Mesh) -> impl Iterator<Item = [DVec3; 3]> {
    (0..mesh.triangles.len()).map(|triangle| mesh.corners(triangle).map(point))
}

fn props() -> Mesh {
    together(&[
        torus(1.0, 0.3, 40, 20, "iron"),
        sphere([0.2, 0.1, 0.0], 0.5, 3, "timber"),
        cuboid([-2.0, -1.0, -0.5], [-1.0, 0.0, 0.5], "timber"),
    ])
}

fn vector() -> impl Strategy<Value = DVec3> {
    (-3.0..3.0, -3.0..3.0, -3.0..3.0).prop_map(|(x, y, z)| DVec3::new(x, y, z))
}

/// The distance of the first triangle met, of all triangles, by the exact test alone.
fn first_of_all(mesh: &Mesh, origin: DVec3, direction: DVec3) -> Option<f64> {
    corners(mesh)
        .filter_map(|corners| ray::meet_triangle(origin, direction, corners))
        .map(|(distance, ..)| distance)
        .filter(|&distance| distance >= 0.0)
        .min_by(f64::total_cmp)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn nearest_is_the_least_over_all_triangles(query in vector()) {
        let mesh = props();
        let bvh = Bvh::new(&mesh);
        let expected = corners(&mesh)
            .map(|corners| (closest_on_triangle(query, corners).0 - query).length_squared())
            .fold(f64::INFINITY, f64::min);
        let nearest = bvh.nearest(query, f64::INFINITY).unwrap();
        prop_assert_eq!(nearest.distance_squared, expected);
        let [a, b, c] = mesh.corners(nearest.triangle as usize).map(point);
        let [u, v, w] = nearest.weights;
        prop_assert!((a * u + b * v + c * w - nearest.point).length() < 1e-12);
        let reach = expected.sqrt();
        prop_assert!(bvh.nearest(query, reach * 0.99).is_none());
        prop_assert!(bvh.nearest(query, reach * 1.01).is_some());
    }

    #[test]
    fn no_triangle_that_the_exact_test_meets_is_left_out(
        origin in vector(),
        triangle in 0..1000_usize,
        // Often exactly at an edge or a corner, where single precision cannot say on which side a ray passes.
        weights in prop_oneof![Just([1.0, 0.0]), Just([0.5, 0.5]), Just([0.3, 0.7]), [0.0..1.0, 0.0..1.0]],
        nudge in prop_oneof![Just(0.0), -1e-9..1e-9, -1e-6..1e-6, -1e-3..1e-3],
        scale in prop_oneof![Just(1.0_f32), Just(1e-9), Just(1e6), Just(1e-25), Just(3e18)],
        away in prop_oneof![Just(0.0), Just(1e3)],
    ) {
        let mut mesh = props();
        for coordinate in mesh.positions.iter_mut().flatten() {
            *coordinate = (*coordinate + away as f32) * scale;
        }
        let (scale, away) = (f64::from(scale), DVec3::splat(away));
        let bvh = Bvh::new(&mesh);
        let [a, b, c] = mesh.corners(triangle % mesh.triangles.len()).map(point);
        let aim = a + (b - a) * weights[0] + (c - a) * (weights[1] * (1.0 - weights[0]).max(0.0));
        let origin = (origin + away) * scale;
        let direction = (aim - origin) + DVec3::new(nudge, -nudge, nudge) * scale;
        let found = bvh.first_hit(origin, direction, 0.0, f64::INFINITY, |_| true);
        let expected = first_of_all(&mesh, origin, direction);
        prop_assert_eq!(found.map(|hit| hit.distance), expected);
        prop_assert_eq!(bvh.any_hit(origin, direction, 0.0, f64::INFINITY), expected.is_some());
    }

    #[test]
    fn rays_into_a_closed_body_enter_and_leave_by_turns(origin in vector(), direction in vector()) {
        prop_assume!(direction.length() > 0.1);
        let mesh = sphere([0.0; 3], 1.0, 4, "iron");
        let bvh = Bvh::new(&mesh);
        let mut crossings = 0_i64;
        let mut start = 0.0;
        while let Some(hit) = bvh.first_hit(origin, direction, start, f64::INFINITY, |_| true) {
            crossings += if hit.front { 1 } else { -1 };
            prop_assert!(((origin + direction * hit.distance).length() - 1.0).abs() < 0.01);
            start = hit.distance + 1e-9;
        }
        let inside = winding_number(origin, corners(&mesh));
        prop_assert!((inside.round() - inside).abs() < 1e-9);
        prop_assert_eq!(-crossings, inside.round() as i64);
        prop_assert_eq!(bvh.any_hit(origin, direction, 0.0, f64::INFINITY), crossings != 0 || start > 0.0);
    }
}

#[test]
fn a_ray_through_edges_and_corners_never_slips_through() {
    let cube = cuboid([0.0; 3], [1.0; 3], "iron");
    let bvh = Bvh::new(&cube);
    // Straight at corners, along the diagonals of faces, at edge middles.
    for x in [0.0, 0.25, 0.5, 1.0] {
        for y in [0.0, 0.25, 0.5, 1.0] {
            let hit = bvh
                .first_hit(DVec3::new(x, y, 3.0), DVec3::NEG_Z, 0.0, 10.0, |hit| hit.front)
                .unwrap();
            assert!((hit.distance - 2.0).abs() < 1e-12);
        }
    }
    assert!(!bvh.any_hit(DVec3::new(0.5, 0.5, 3.0), DVec3::NEG_Z, 0.0, 1.9));
    assert!(!bvh.any_hit(DVec3::new(1.1, 0.5, 3.0), DVec3::NEG_Z, 0.0, 10.0));
}

#[test]
fn an_empty_mesh_never_answers() {
    let bvh = Bvh::new(&Mesh::default());
    assert!(bvh.nearest(DVec3::ZERO, f64::INFINITY).is_none());
    assert!(!bvh.any_hit(DVec3::ZERO, DVec3::X, 0.0, f64::INFINITY));
}

#[test]
fn triangles_in_one_place_still_make_a_hierarchy() {
    let one = cuboid([0.0; 3], [1.0; 3], "iron");
    let many = together(&vec![one; 500]);
    let bvh = Bvh::new(&many);
    assert_eq!(
        bvh.nearest(DVec3::new(0.5, 0.5, 2.0), f64::INFINITY)
            .unwrap()
            .distance_squared,
        1.0
    );
}

#[test]
fn winding_counts_shells_and_sees_through_no_hole() {
    let two = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([0.5; 3], [1.5; 3], "timber"),
    ]);
    for (point, expected) in [(0.25, 1.0), (0.75, 2.0), (1.25, 1.0), (2.0, 0.0)] {
        assert!((winding_number(DVec3::splat(point), corners(&two)) - expected).abs() < 1e-12);
    }
}
