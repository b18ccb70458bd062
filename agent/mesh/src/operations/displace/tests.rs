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
    basis: Basis::Smooth,
    mask: Mask {
        bent: Bent::Any,
        curvature_per_m: 10.0,
    },
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

#[test]
fn each_basis_is_a_surface_of_its_own_within_the_amplitude() {
    let ball = sphere([0.3; 3], 0.5, 5, "iron");
    let of = |basis| {
        let rough = displace(&ball, &Displacement { basis, ..ROUGH }).unwrap();
        assert!(rough.is_closed());
        assert!(
            distances(&ball, &rough)
                .iter()
                .all(|&distance| distance <= 0.01 + 1e-7),
            "{basis:?}"
        );
        rough
    };
    let bases = [Basis::Smooth, Basis::Ridges, Basis::Lumps, Basis::Cells];
    let volumes = bases.map(|basis| of(basis).volume());
    let plain = ball.volume();
    // Crests stand out and lumps sink in, by the same amount; smooth noise does neither.
    assert!(
        volumes[1] > plain * 1.01 && volumes[2] < plain * 0.99,
        "{volumes:?} {plain}"
    );
    assert!((volumes[0] / plain - 1.0).abs() < 0.005, "{volumes:?} {plain}");
    assert!(
        ((volumes[1] + volumes[2]) / 2.0 / plain - 1.0).abs() < 0.002,
        "{volumes:?}"
    );
    assert_ne!(of(Basis::Cells).positions, of(Basis::Smooth).positions);
}

#[test]
fn a_mask_by_bending_leaves_the_rest_as_it_is() {
    let block = remesh(&cuboid([0.0; 3], [1.0; 3], "timber"), 0.04).unwrap();
    let with = |bent| {
        let mask = Mask {
            bent,
            curvature_per_m: 5.0,
        };
        distances(
            &block,
            &displace(&block, &Displacement { mask, ..ROUGH }).unwrap(),
        )
    };
    // How far the nearest edge of the block is.
    let from_edge = |position: [f32; 3]| {
        let mut sides = position.map(|x| f64::from(x).min(1.0 - f64::from(x)).abs());
        sides.sort_by(f64::total_cmp);
        sides[1]
    };
    let (out, flat, inwards) = (with(Bent::Out), with(Bent::Flat), with(Bent::In));
    let most = |moved: &[f64], is_it: &dyn Fn(f64) -> bool| {
        let picked = block
            .positions
            .iter()
            .zip(moved)
            .filter(|(position, _)| is_it(from_edge(**position)));
        picked.map(|(_, moved)| *moved).fold(0.0, f64::max)
    };
    assert!(most(&out, &|edge| edge < 0.02) > 0.002 && most(&out, &|edge| edge > 0.25) < 1e-6);
    assert!(most(&flat, &|edge| edge < 0.01) < most(&flat, &|edge| edge > 0.25) / 2.0);
    assert!(
        inwards.iter().all(|moved| *moved < 1e-4),
        "a block bends inwards nowhere"
    );
}

#[test]
fn split_vertices_do_not_part() {
    let whole = sphere([0.0; 3], 0.5, 3, "iron");
    let split = Mesh {
        positions: (0..whole.triangles.len())
            .flat_map(|face| whole.corners(face))
            .collect(),
        triangles: (0..whole.triangles.len() as u32)
            .map(|face| [0, 1, 2].map(|corner| 3 * face + corner))
            .collect(),
        ..whole.clone()
    };
    let mask = Mask {
        bent: Bent::Out,
        curvature_per_m: 1.0,
    };
    let rough = displace(&split, &Displacement { mask, ..ROUGH }).unwrap();
    assert!(rough.is_closed() && rough.welded().is_closed());
}
