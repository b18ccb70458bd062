//! Wear against its promises.

use super::*;
use crate::operations::remesh::remesh;
use crate::test_shapes::{cuboid, plank_crate, sphere, together};

const EVEN: Wearing<'static> = Wearing {
    depth_m: 0.03,
    breakup: 0.0,
    frequency_per_m: 8.0,
    seed: 1,
    on: None,
};

fn no_face_turned(before: &Mesh, after: &Mesh) {
    for triangle in 0..before.triangles.len() {
        let [was, is] = [before, after].map(|mesh| {
            let [a, b, c] = mesh.corners(triangle).map(point);
            (b - a).cross(c - a)
        });
        assert!(was.dot(is) > 0.0);
    }
}

/// Edges that run through a triangle which they do not touch.
fn crossings(mesh: &Mesh) -> usize {
    let bvh = Bvh::new(mesh);
    mesh.triangles
        .iter()
        .flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)])
        .filter(|&(a, b)| a < b)
        .filter(|&(a, b)| {
            let [from, to] = [a, b].map(|corner| point(mesh.positions[corner as usize]));
            bvh.first_hit(from, to - from, 0.0, 1.0, |hit| {
                let triangle = mesh.triangles[hit.triangle as usize];
                !triangle.contains(&a) && !triangle.contains(&b)
            })
            .is_some()
        })
        .count()
}

#[test]
fn edges_and_corners_of_a_cube_recede_and_its_faces_stay() {
    let cube = remesh(&cuboid([-0.5; 3], [0.5; 3], "timber"), 0.02).unwrap();
    let out = wear(&cube, &EVEN).unwrap();
    assert!(out.is_closed());
    no_face_turned(&cube, &out);
    assert!(out.volume() < cube.volume() - 0.001 && out.volume() > 0.97);
    let mut on_edges = Vec::new();
    for (was, is) in cube.positions.iter().zip(&out.positions) {
        // Receded: below the nearest side.
        let distance = 0.5
            - is.iter()
                .fold(0.0_f32, |most, coordinate| most.max(coordinate.abs()));
        let distance = f64::from(distance) * std::f64::consts::SQRT_2;
        assert!(point(*was).distance(point(*is)) <= 2.0 * 0.03);
        // How many coordinates are at least 0.15 from the cube's sides: two on the middle parts of its faces.
        let inner = was.iter().filter(|coordinate| coordinate.abs() < 0.35).count();
        let at_side = was.iter().filter(|coordinate| coordinate.abs() > 0.4999).count();
        if inner == 2 {
            assert_eq!(was, is);
        }
        if at_side == 2 && inner == 1 {
            on_edges.push(distance);
        }
    }
    let mean = on_edges.iter().sum::<f64>() / on_edges.len() as f64;
    assert!(mean > 0.02, "{mean}");
}

#[test]
fn concave_corners_stay() {
    let steps = together(&[
        cuboid([0.0; 3], [1.0, 0.5, 1.0], "timber"),
        cuboid([0.0; 3], [0.5, 1.0, 1.0], "timber"),
    ]);
    let before = remesh(&steps, 0.03).unwrap();
    let after = wear(&before, &EVEN).unwrap();
    let mut seen = 0;
    for (was, is) in before.positions.iter().zip(&after.positions) {
        let in_corner = (was[0] - 0.5).abs() < 0.06 && (was[1] - 0.5).abs() < 0.06;
        if in_corner && was[2] > 0.2 && was[2] < 0.8 {
            assert_eq!(was, is);
            seen += 1;
        }
    }
    assert!(seen > 20);
}

#[test]
fn a_body_rounder_than_the_wear_stays() {
    let ball = remesh(&sphere([0.0; 3], 0.5, 5, "iron"), 0.03).unwrap();
    let out = wear(&ball, &EVEN).unwrap();
    assert!((out.volume() / ball.volume() - 1.0).abs() < 1e-4);
}

#[test]
fn breakup_leaves_some_parts_of_an_edge_and_wears_others() {
    let bar = remesh(&cuboid([0.0; 3], [2.0, 0.4, 0.4], "timber"), 0.02).unwrap();
    let out = wear(&bar, &Wearing { breakup: 1.0, ..EVEN }).unwrap();
    let along_an_edge: Vec<f64> = bar
        .positions
        .iter()
        .zip(&out.positions)
        .filter(|(was, _)| was[1] > 0.3999 && was[2] > 0.3999)
        .map(|(&was, &is)| point(was).distance(point(is)))
        .collect();
    assert!(along_an_edge.iter().any(|&distance| distance < 0.002));
    assert!(along_an_edge.iter().any(|&distance| distance > 0.02));
}

#[test]
fn a_crate_wears_on_its_timber_only_and_never_through_itself() {
    let before = remesh(&plank_crate(), 0.01).unwrap();
    let wearing = Wearing {
        depth_m: 0.02,
        breakup: 0.6,
        on: Some("timber"),
        ..EVEN
    };
    let after = wear(&before, &wearing).unwrap();
    assert!(after.is_closed());
    no_face_turned(&before, &after);
    assert!(after.volume() < before.volume());
    let iron = before.tag_index("iron").unwrap();
    for (face, triangle) in before.triangles.iter().enumerate() {
        if before.face_tags[face] == iron {
            for &corner in triangle {
                assert_eq!(
                    before.positions[corner as usize],
                    after.positions[corner as usize]
                );
            }
        }
    }
    assert!(crossings(&after) <= crossings(&before));
}

#[test]
fn threads_change_nothing() {
    let cube = remesh(&cuboid([0.0; 3], [0.5; 3], "timber"), 0.02).unwrap();
    let with = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| wear(&cube, &EVEN))
            .unwrap()
    };
    assert_eq!(with(1), with(7));
}

#[test]
fn split_vertices_do_not_part() {
    let whole = remesh(&cuboid([-0.5; 3], [0.5; 3], "timber"), 0.04).unwrap();
    let split = Mesh {
        positions: (0..whole.triangles.len())
            .flat_map(|face| whole.corners(face))
            .collect(),
        triangles: (0..whole.triangles.len() as u32)
            .map(|face| [0, 1, 2].map(|corner| 3 * face + corner))
            .collect(),
        ..whole.clone()
    };
    let worn = wear(&split, &EVEN).unwrap();
    assert!(worn.is_closed() && worn.clone().welded().is_closed());
    // And it wears as the whole one does.
    let as_whole = wear(&whole, &EVEN).unwrap();
    assert!(as_whole.volume() < whole.volume() - 0.001);
    assert!((worn.volume() - as_whole.volume()).abs() < 1e-6);
}
