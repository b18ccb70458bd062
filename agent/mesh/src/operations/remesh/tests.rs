//! The remeshed surface against closed forms.

use super::*;
use crate::spatial::{Bvh, point};
use crate::test_shapes::{cuboid, plank_crate, sphere, together, torus};

fn assert_closed(mesh: &Mesh, euler: i64) {
    mesh.validate().unwrap();
    assert!(mesh.is_closed(), "{:?}", mesh.edge_counts());
    assert_eq!(mesh.euler_characteristic(), euler);
    // Readers that make equal positions one must find the same surface.
    let welded = mesh.clone().welded();
    assert_eq!(welded.positions.len(), mesh.positions.len());
}

fn farthest_from(mesh: &Mesh, input: &Mesh) -> f64 {
    let bvh = Bvh::new(input);
    mesh.positions
        .iter()
        .map(|&p| {
            bvh.nearest(point(p), f64::INFINITY)
                .unwrap()
                .distance_squared
                .sqrt()
        })
        .fold(0.0, f64::max)
}

#[test]
fn a_cube_keeps_its_edges_corners_and_volume() {
    let cube = cuboid([-0.5; 3], [0.5; 3], "timber");
    let out = remesh(&cube, 0.03).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.0).abs() < 1e-5, "{}", out.volume());
    assert!((out.area() - 6.0).abs() < 1e-4);
    assert!(farthest_from(&out, &cube) < 1e-6);
    let corners = out
        .positions
        .iter()
        .filter(|p| p.iter().all(|c| (c.abs() - 0.5).abs() < 1e-6))
        .count();
    assert_eq!(corners, 8);
}

#[test]
fn a_tilted_cube_keeps_its_volume_within_a_thousandth() {
    let mut cube = cuboid([-0.5; 3], [0.5; 3], "timber");
    let turn = glam::DQuat::from_xyzw(0.3, 0.2, -0.25, 0.8).normalize();
    for position in &mut cube.positions {
        *position = (turn * point(*position)).as_vec3().to_array();
    }
    let out = remesh(&cube, 0.03).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.0).abs() < 1e-3, "{}", out.volume());
    let farthest = farthest_from(&out, &cube);
    assert!(farthest < 0.3 * 0.03, "{farthest}");
}

#[test]
fn a_sphere_keeps_its_volume() {
    let ball = sphere([0.1, 0.2, 0.3], 0.5, 5, "iron");
    let out = remesh(&ball, 0.02).unwrap();
    assert_closed(&out, 2);
    assert!(
        (out.volume() / ball.volume() - 1.0).abs() < 2e-3,
        "{}",
        out.volume() / ball.volume()
    );
}

#[test]
fn a_torus_keeps_its_hole() {
    let ring = torus(1.0, 0.4, 128, 64, "iron");
    let out = remesh(&ring, 0.04).unwrap();
    assert_closed(&out, 0);
    assert!((out.volume() / ring.volume() - 1.0).abs() < 5e-3);
}

#[test]
fn overlapping_cubes_become_one_body() {
    let two = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([0.5; 3], [1.5; 3], "iron"),
    ]);
    let out = remesh(&two, 0.04).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.875).abs() < 2e-3, "{}", out.volume());
    // Half of the surface is of each, since the cubes are alike.
    let iron = out.tag_index("iron").unwrap();
    let area: f64 = (0..out.triangles.len())
        .filter(|&face| out.face_tags[face] == iron)
        .map(|face| out.triangle_area(face))
        .sum();
    assert!((area / out.area() - 0.5).abs() < 0.01);
}

#[test]
fn cubes_that_touch_become_one_body_without_a_wall() {
    let two = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([1.0, 0.0, 0.0], [2.0, 1.0, 1.0], "timber"),
    ]);
    let out = remesh(&two, 0.05).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 2.0).abs() < 1e-4);
    assert!((out.area() - 10.0).abs() < 1e-3);
}

#[test]
fn a_crate_of_planks_becomes_one_closed_body() {
    let out = remesh(&plank_crate(), 0.01).unwrap();
    out.validate().unwrap();
    assert!(out.is_closed(), "{:?}", out.edge_counts());
    assert!(out.volume() > 0.0);
    let [timber, iron] = ["timber", "iron"].map(|tag| out.tag_index(tag).unwrap());
    for tag in [timber, iron] {
        assert!(out.face_tags.iter().filter(|&&of| of == tag).count() > 500);
    }
}

#[test]
fn an_open_box_is_closed_and_a_turned_one_turned_back() {
    let mut open = cuboid([0.0; 3], [1.0; 3], "timber");
    open.triangles.truncate(10);
    open.face_tags.truncate(10);
    let out = remesh(&open, 0.05).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.0).abs() < 1e-4);

    let mut turned = cuboid([0.0; 3], [1.0; 3], "timber");
    turned
        .triangles
        .iter_mut()
        .for_each(|triangle| triangle.swap(0, 1));
    turned.triangles[3].swap(0, 1);
    let out = remesh(&turned, 0.05).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.0).abs() < 1e-4);
}

#[test]
fn an_enclosed_cavity_is_filled() {
    let mut inner = cuboid([0.3; 3], [0.7; 3], "timber");
    inner
        .triangles
        .iter_mut()
        .for_each(|triangle| triangle.swap(0, 1));
    let hollow = together(&[cuboid([0.0; 3], [1.0; 3], "timber"), inner]);
    let out = remesh(&hollow, 0.05).unwrap();
    assert_closed(&out, 2);
    assert!((out.volume() - 1.0).abs() < 1e-4);
}

#[test]
fn random_boxes_always_give_a_closed_surface() {
    let mut state = 1_u64;
    let mut random = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / (1_u64 << 24) as f64
    };
    for _ in 0..20 {
        let boxes: Vec<Mesh> = (0..12)
            .map(|_| {
                let low = [random(), random(), random()];
                cuboid(
                    low,
                    low.map(|coordinate| coordinate + 0.05 + 0.4 * random()),
                    "timber",
                )
            })
            .collect();
        // As coarse as this, cells of every ambiguous kind come up.
        let out = remesh(&together(&boxes), 0.07).unwrap();
        assert!(out.is_closed(), "{:?}", out.edge_counts());
    }
}

/// Distance to the nearest of the twelve edges of the cube from -0.5 to 0.5.
fn to_cube_edge(p: [f32; 3]) -> f64 {
    let off = p.map(|coordinate| 0.5 - f64::from(coordinate).abs());
    (0..3)
        .map(|axis| {
            let (b, c) = (off[(axis + 1) % 3], off[(axis + 2) % 3]);
            // Beyond its end an edge goes on as the next one.
            let beyond = (-off[axis]).max(0.0);
            (b * b + c * c + beyond * beyond).sqrt()
        })
        .fold(f64::INFINITY, f64::min)
}

/// Where the surface turns by more than 60 degrees at once: the middles of these edges.
fn sharp_edges(mesh: &Mesh) -> Vec<[f32; 3]> {
    let mut normals = std::collections::HashMap::new();
    let mut sharp = Vec::new();
    for (face, &[a, b, c]) in mesh.triangles.iter().enumerate() {
        let [p, q, r] = mesh.corners(face).map(point);
        let normal = (q - p).cross(r - p).normalize();
        for (from, to) in [(a, b), (b, c), (c, a)] {
            match normals.remove(&(to, from)) {
                None => {
                    normals.insert((from, to), normal);
                }
                Some(other) if normal.dot(other) < 0.5 => {
                    let [from, to] = [from, to].map(|corner| point(mesh.positions[corner as usize]));
                    sharp.push((0.5 * (from + to)).as_vec3().to_array());
                }
                Some(_) => {}
            }
        }
    }
    sharp
}

#[test]
fn edges_of_a_cube_stay_sharp_or_are_rounded_within_a_voxel() {
    let cube = cuboid([-0.5; 3], [0.5; 3], "timber");
    // None of them divides the side, so that edges lie anywhere in their cells.
    for voxel in [0.03, 0.043, 0.057] {
        let keep = remesh_with(&cube, voxel, Edges::Keep).unwrap();
        let on_edge = |p: &&[f32; 3]| to_cube_edge(**p) < 0.01 * voxel;
        let along = keep.positions.iter().filter(on_edge).count() as f64;
        assert!(along > 11.0 / voxel, "{along} vertices lie on edges");
        let sharp = sharp_edges(&keep);
        assert!(sharp.len() as f64 > 11.0 / voxel);
        let farthest = sharp.into_iter().map(to_cube_edge).fold(0.0, f64::max);
        assert!(farthest < 0.05 * voxel, "{farthest}");

        let round = remesh_with(&cube, voxel, Edges::Round).unwrap();
        assert_closed(&round, 2);
        let nearest = round.positions.iter().map(|&p| to_cube_edge(p));
        let nearest = nearest.fold(f64::INFINITY, f64::min);
        assert!(nearest > 0.1 * voxel, "a vertex lies {nearest} m from an edge");
        assert_eq!(sharp_edges(&round).len(), 0);
        // Nothing is lost beyond a voxel, and what is a few voxels from an edge lies in its plane.
        let farthest = farthest_from(&round, &cube);
        assert!(farthest < voxel, "{farthest}");
        for p in &round.positions {
            let depth = p
                .iter()
                .map(|c| 0.5 - f64::from(c.abs()))
                .fold(f64::INFINITY, f64::min);
            assert!(to_cube_edge(*p) < 4.0 * voxel || depth.abs() < 1.0e-6, "{p:?}");
        }
        assert!(round.volume() < keep.volume() && round.volume() > 1.0 - 36.0 * voxel * voxel);
    }
}

#[test]
fn round_bodies_are_alike_with_both_kinds_of_edges() {
    // Against the closed form: a ball of radius 0.5, whose 20480 input triangles lie within 0.0003 of it.
    let ball = sphere([0.0; 3], 0.5, 5, "iron");
    for edges in [Edges::Keep, Edges::Round] {
        let out = remesh_with(&ball, 0.02, edges).unwrap();
        assert_closed(&out, 2);
        let worst = out
            .positions
            .iter()
            .map(|&p| (point(p).length() - 0.5).abs())
            .fold(0.0, f64::max);
        assert!(worst < 0.0005, "{edges:?}: {worst}");
    }
}

#[test]
fn one_thread_or_seven_give_the_same_bytes() {
    let mesh = plank_crate();
    for edges in [Edges::Keep, Edges::Round] {
        let with = |threads| {
            rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap()
                .install(|| remesh_with(&mesh, 0.02, edges))
                .unwrap()
        };
        let one = with(1);
        assert_eq!(one, with(2));
        assert_eq!(one, with(7));
    }
}

#[test]
fn what_cannot_be_remeshed_says_why() {
    let cube = cuboid([0.0; 3], [1.0; 3], "timber");
    let message = |mesh: &Mesh, voxel| remesh(mesh, voxel).unwrap_err().to_string();
    assert!(message(&Mesh::default(), 0.1).contains("no triangles"));
    assert!(message(&cube, 0.000_001).contains("limit"));
    assert!(message(&cube, 0.0).contains("longer than 0"));
    let mut sheet = cuboid([0.0; 3], [1.0; 3], "timber");
    sheet.triangles.truncate(2);
    sheet.face_tags.truncate(2);
    assert!(message(&sheet, 0.05).contains("encloses nothing"));
}
