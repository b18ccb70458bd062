//! Displacement against its promises.

use super::*;
use crate::operations::remesh::remesh;
use crate::test_shapes::{cuboid, plank_crate, sphere};

const ROUGH: Displacement<'static> = Displacement {
    amplitude_m: 0.01,
    frequency_per_m: 12.0,
    octaves: 4,
    seed: 3,
    on: None,
};

fn distances(before: &Mesh, after: &Mesh) -> Vec<f64> {
    before
        .positions
        .iter()
        .zip(&after.positions)
        .map(|(&a, &b)| point(a).distance(point(b)))
        .collect()
}

#[test]
fn no_vertex_moves_by_more_than_the_amplitude_and_many_move() {
    let ball = sphere([0.3; 3], 0.5, 5, "iron");
    let distances = distances(&ball, &displace(&ball, &ROUGH).unwrap());
    assert!(distances.iter().all(|&distance| distance <= 0.01 + 1e-7));
    assert!(distances.iter().filter(|&&distance| distance > 0.001).count() > distances.len() / 3);
}

#[test]
fn the_other_tag_stays_and_the_surface_stays_closed() {
    let crate_ = remesh(&plank_crate(), 0.02).unwrap();
    let rough = displace(
        &crate_,
        &Displacement {
            on: Some("iron"),
            amplitude_m: 0.004,
            ..ROUGH
        },
    )
    .unwrap();
    assert!(rough.is_closed());
    let iron = crate_.tag_index("iron");
    for (face, triangle) in crate_.triangles.iter().enumerate() {
        if Some(crate_.face_tags[face]) != iron {
            for &corner in triangle {
                assert_eq!(
                    crate_.positions[corner as usize],
                    rough.positions[corner as usize]
                );
            }
        }
    }
    assert!(
        distances(&crate_, &rough)
            .into_iter()
            .any(|distance| distance > 0.0005)
    );
}

#[test]
fn no_triangle_turns_over_even_when_the_noise_is_wild() {
    let cube = remesh(&cuboid([0.0; 3], [0.5; 3], "iron"), 0.02).unwrap();
    let wild = displace(
        &cube,
        &Displacement {
            amplitude_m: 0.1,
            frequency_per_m: 40.0,
            octaves: 6,
            ..ROUGH
        },
    )
    .unwrap();
    for triangle in 0..cube.triangles.len() {
        let [was, is] = [&cube, &wild].map(|mesh| {
            let [a, b, c] = mesh.corners(triangle).map(point);
            (b - a).cross(c - a)
        });
        assert!(was.dot(is) > 0.0);
    }
}

#[test]
fn a_tag_that_no_face_carries_is_named() {
    let cube = cuboid([0.0; 3], [1.0; 3], "timber");
    let error = displace(
        &cube,
        &Displacement {
            on: Some("iron"),
            ..ROUGH
        },
    )
    .unwrap_err()
    .to_string();
    assert!(error.contains("iron") && error.contains("timber"), "{error}");
}

#[test]
fn seeds_give_different_surfaces_and_the_same_seed_the_same() {
    let ball = sphere([0.3; 3], 0.5, 3, "iron");
    let with = |seed| displace(&ball, &Displacement { seed, ..ROUGH }).unwrap();
    assert_eq!(with(1), with(1));
    assert_ne!(with(1), with(2));
}
