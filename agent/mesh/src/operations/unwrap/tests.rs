//! Charts against their promises, counted by a rasteriser of the test's own.

use std::collections::HashMap;

use super::*;
use crate::operations::remesh::remesh;
use crate::operations::simplify::{Goal, simplify};
use crate::operations::wear::{Wearing, wear};
use crate::test_shapes::{cuboid, plank_crate, sphere, together, torus};

const PLAIN: Unwrapping = Unwrapping::plain(1024, 4);

/// For each texel of a map the triangles whose inside holds its middle.
fn raster(mesh: &Mesh, side: usize, mut visit: impl FnMut(usize, usize)) {
    for (triangle, uvs) in mesh.uvs.as_ref().unwrap().iter().enumerate() {
        let corners = uvs.map(|uv| uv.map(|coordinate| f64::from(coordinate) * side as f64));
        let twice = |a: [f64; 2], b: [f64; 2], c: [f64; 2]| {
            (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        };
        let whole = twice(corners[0], corners[1], corners[2]);
        let span = |axis: usize| {
            let least = corners
                .iter()
                .map(|corner| corner[axis])
                .fold(f64::INFINITY, f64::min);
            let most = corners.iter().map(|corner| corner[axis]).fold(0.0, f64::max);
            least as usize..(most as usize + 1).min(side)
        };
        for y in span(1) {
            for x in span(0) {
                let p = [x as f64 + 0.5, y as f64 + 0.5];
                if (0..3).all(|k| twice(corners[k], corners[(k + 1) % 3], p) * whole > 0.0) {
                    visit(triangle, y * side + x);
                }
            }
        }
    }
}

/// For each triangle its chart: triangles hang together where they share a side with the same UVs.
fn charts(mesh: &Mesh) -> Vec<usize> {
    let uvs = mesh.uvs.as_ref().unwrap();
    let mut chart: Vec<usize> = (0..mesh.triangles.len()).collect();
    fn root(chart: &mut [usize], mut triangle: usize) -> usize {
        while chart[triangle] != triangle {
            chart[triangle] = chart[chart[triangle]];
            triangle = chart[triangle];
        }
        triangle
    }
    let mut beside = HashMap::new();
    for (triangle, (corners, uvs)) in mesh.triangles.iter().zip(uvs).enumerate() {
        for k in 0..3 {
            let end = |k: usize| (corners[k % 3], uvs[k % 3].map(f32::to_bits));
            let (one, other) = (end(k), end(k + 1));
            if let Some(neighbour) = beside.insert((one.min(other), one.max(other)), triangle) {
                let (a, b) = (root(&mut chart, triangle), root(&mut chart, neighbour));
                chart[a.max(b)] = a.min(b);
            }
        }
    }
    (0..chart.len())
        .map(|triangle| root(&mut chart, triangle))
        .collect()
}

fn assert_sound(input: &Mesh, unwrapping: &Unwrapping<'_>) -> Unwrapped {
    let out = unwrap(input, unwrapping).unwrap();
    let mesh = &out.mesh;
    mesh.validate().unwrap();
    assert_eq!(
        (&mesh.triangles, &mesh.positions),
        (&input.triangles, &input.positions)
    );
    let uvs = mesh.uvs.as_ref().unwrap();
    assert!(
        uvs.iter()
            .flatten()
            .flatten()
            .all(|coordinate| (0.0..=1.0).contains(coordinate))
    );
    const SIDE: usize = 2048;
    let mut taken = vec![0_u8; SIDE * SIDE];
    raster(mesh, SIDE, |_, texel| {
        taken[texel] = taken[texel].saturating_add(1)
    });
    assert_eq!(
        taken.iter().filter(|&&count| count > 1).count(),
        0,
        "texels are covered twice"
    );
    let chart = charts(mesh);
    for (triangle, &of) in chart.iter().enumerate() {
        assert_eq!(
            mesh.face_tags[triangle], mesh.face_tags[of],
            "a chart crosses a tag's border"
        );
    }
    // Shown with row 0 at the top, counter-clockwise is a negative area.
    for (triangle, [a, b, c]) in uvs.iter().enumerate() {
        let [a, b, c] = [a, b, c].map(|uv| uv.map(f64::from));
        let twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        assert!(twice <= 1e-12, "triangle {triangle} is mirrored");
    }
    out
}

#[test]
fn smooth_shapes_hardly_stretch() {
    for shape in [sphere([0.0; 3], 0.5, 3, "iron"), torus(1.0, 0.4, 48, 24, "iron")] {
        let out = assert_sound(&shape, &PLAIN);
        assert!(out.measured.stretch_l2 <= 1.10, "{:?}", out.measured);
        assert!(out.measured.coverage > 0.4, "{:?}", out.measured);
    }
}

#[test]
fn a_cube_does_not_stretch_at_all() {
    let out = assert_sound(&cuboid([0.0; 3], [1.0; 3], "timber"), &PLAIN);
    assert!((out.measured.stretch_l2 - 1.0).abs() < 1e-3, "{:?}", out.measured);
    assert!(out.measured.coverage > 0.6);
    // A metre of the surface has as many texels as the figure says.
    let texels = out.measured.coverage.sqrt() * 1024.0 / 6.0_f64.sqrt();
    assert!(
        (texels / out.texels_per_m - 1.0).abs() < 0.02,
        "{texels} {}",
        out.texels_per_m
    );
}

#[test]
fn a_worn_and_reduced_crate_unwraps_without_overlap() {
    let fine = remesh(&plank_crate(), 0.01).unwrap();
    let wearing = Wearing {
        depth_m: 0.02,
        breakup: 0.6,
        frequency_per_m: 8.0,
        seed: 1,
        on: Some("timber"),
    };
    let worn = wear(&fine, &wearing).unwrap();
    for budget in [6000, 1500, 400] {
        let low = simplify(&worn, Goal::Triangles(budget)).unwrap().mesh;
        let out = assert_sound(&low, &PLAIN);
        assert!(out.measured.stretch_l2 <= 1.15, "{:?}", out.measured);
    }
}

#[test]
fn charts_keep_their_distance() {
    let unwrapping = Unwrapping::plain(512, 8);
    let out = assert_sound(&sphere([0.0; 3], 0.5, 3, "iron"), &unwrapping);
    let chart = charts(&out.mesh);
    let mut owner = vec![usize::MAX; 512 * 512];
    raster(&out.mesh, 512, |triangle, texel| owner[texel] = chart[triangle]);
    for (texel, &of) in owner.iter().enumerate().filter(|(_, of)| **of != usize::MAX) {
        let (x, y) = (texel % 512, texel / 512);
        for dy in 0..8_usize {
            for dx in 0..8_usize {
                // Middles of texels may be a texel nearer than the charts are.
                if dx * dx + dy * dy >= 49 || x + dx >= 512 || y + dy >= 512 {
                    continue;
                }
                let other = owner[(y + dy) * 512 + x + dx];
                assert!(other == usize::MAX || other == of);
            }
        }
    }
}

#[test]
fn what_does_not_fit_says_so() {
    let fine = sphere([0.0; 3], 0.5, 3, "iron");
    let tight = Unwrapping::plain(16, 12);
    assert!(unwrap(&fine, &tight).unwrap_err().to_string().contains("padding"));
    assert!(
        unwrap(&Mesh::default(), &PLAIN)
            .unwrap_err()
            .to_string()
            .contains("no triangles")
    );
}

#[test]
fn threads_change_nothing() {
    let low = simplify(&remesh(&plank_crate(), 0.02).unwrap(), Goal::Triangles(1500))
        .unwrap()
        .mesh;
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| unwrap(&low, &PLAIN)).unwrap().mesh
    };
    let one = with(1);
    assert_eq!(one, with(2));
    assert_eq!(one, with(7));
}

#[test]
fn a_tag_with_a_factor_has_so_many_times_the_texels_along_a_metre() {
    let parts = [
        cuboid([0.0; 3], [1.0, 0.4, 0.6], "timber"),
        cuboid([2.0, 0.0, 0.0], [3.0, 1.0, 1.0], "iron"),
        sphere([5.0, 0.0, 0.0], 0.4, 3, "rope"),
    ];
    let shape = together(&parts);
    for density in [
        vec![("iron", 2.0)],
        vec![("iron", 0.5), ("rope", 3.0)],
        // The same for all is as good as none.
        vec![("iron", 4.0), ("rope", 4.0), ("timber", 4.0)],
    ] {
        let unwrapping = Unwrapping {
            density: &density,
            ..PLAIN
        };
        let out = assert_sound(&shape, &unwrapping);
        let factor = |tag: &str| {
            density
                .iter()
                .find(|(name, _)| *name == tag)
                .map_or(1.0, |(_, factor)| *factor)
        };
        assert_eq!(out.of_tags.len(), 3);
        for (tag, texels_per_m) in &out.of_tags {
            let of_one = texels_per_m / factor(tag);
            assert!(
                (of_one / out.texels_per_m - 1.0).abs() < 0.03,
                "{tag}: {of_one} {}",
                out.texels_per_m
            );
        }
        // Factors are no stretch: a box has none.
        assert!(out.measured.stretch_l2 < 1.01, "{:?}", out.measured);
        assert!(out.measured.coverage > 0.4, "{:?}", out.measured);
    }
    // Seen without factors they would be.
    let unwrapping = Unwrapping {
        density: &[("iron", 2.0)],
        ..PLAIN
    };
    assert!(measure(&unwrap(&shape, &unwrapping).unwrap().mesh).stretch_l2 > 1.1);
}

#[test]
fn without_factors_that_differ_the_charts_are_those_of_plain_unwrapping() {
    let shape = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        sphere([3.0, 0.0, 0.0], 0.5, 2, "iron"),
    ]);
    let same = Unwrapping {
        density: &[("iron", 1.0), ("timber", 1.0)],
        ..PLAIN
    };
    assert_eq!(
        unwrap(&shape, &same).unwrap().mesh,
        unwrap(&shape, &PLAIN).unwrap().mesh
    );
}

/// A box of iron on a trim sheet, all six sides on one strip of it and beyond the unit square, and a ball of timber without UVs.
fn trimmed() -> Mesh {
    let mut shape = together(&[
        cuboid([0.0; 3], [1.0, 2.0, 3.0], "iron"),
        sphere([5.0, 0.0, 0.0], 0.5, 3, "timber"),
    ]);
    let strip = [
        [[0.1, 0.7], [3.7, 0.7], [3.7, 0.9]],
        [[0.1, 0.7], [3.7, 0.9], [0.1, 0.9]],
    ];
    let uvs = (0..shape.triangles.len()).map(|face| if face < 12 { strip[face % 2] } else { [[0.0; 2]; 3] });
    shape.uvs = Some(uvs.collect());
    shape
}

#[test]
fn kept_uvs_stay_bit_for_bit_and_the_others_have_the_whole_map() {
    let shape = trimmed();
    let keep = Unwrapping {
        keep: &["iron"],
        ..PLAIN
    };
    let out = unwrap(&shape, &keep).unwrap();
    let (old, new) = (shape.uvs.as_ref().unwrap(), out.mesh.uvs.as_ref().unwrap());
    for face in 0..12 {
        assert_eq!(
            old[face].map(|uv| uv.map(f32::to_bits)),
            new[face].map(|uv| uv.map(f32::to_bits))
        );
    }
    // The rest is what it would be alone.
    let alone = unwrap(&sphere([5.0, 0.0, 0.0], 0.5, 3, "timber"), &PLAIN).unwrap();
    assert_eq!(new[12..], alone.mesh.uvs.unwrap()[..]);
    assert_eq!((out.charts, out.measured), (alone.charts, alone.measured));
    assert_eq!(
        out.of_tags
            .iter()
            .map(|(tag, _)| tag.as_str())
            .collect::<Vec<_>>(),
        ["timber"]
    );
    // With all tags kept nothing is left to do.
    let mut all = cuboid([0.0; 3], [1.0; 3], "iron");
    all.uvs = Some(old[..12].to_vec());
    let out = unwrap(&all, &keep).unwrap();
    assert_eq!((out.mesh.uvs, out.charts), (all.uvs, 0));
}

#[test]
fn what_cannot_be_kept_or_weighed_is_said() {
    let problem =
        |mesh: &Mesh, unwrapping: &Unwrapping<'_>| unwrap(mesh, unwrapping).unwrap_err().to_string();
    let mut shape = trimmed();
    let keep = Unwrapping {
        keep: &["iron"],
        ..PLAIN
    };
    assert!(
        problem(
            &shape,
            &Unwrapping {
                keep: &["rope"],
                ..PLAIN
            }
        )
        .contains("no face carries the tag `rope`")
    );
    assert!(
        problem(
            &shape,
            &Unwrapping {
                density: &[("rope", 2.0)],
                ..PLAIN
            }
        )
        .contains("rope")
    );
    assert!(
        problem(
            &shape,
            &Unwrapping {
                density: &[("iron", 2.0)],
                ..keep
            }
        )
        .contains("in `density` and in `keep`")
    );
    let lost = remesh(&shape, 0.1).unwrap();
    assert!(
        problem(&lost, &keep).contains("without a remesh"),
        "{}",
        problem(&lost, &keep)
    );
    shape.uvs.as_mut().unwrap()[5] = [[0.0; 2]; 3];
    assert!(
        problem(&shape, &keep).contains("1 of its 12 faces have no UVs"),
        "{}",
        problem(&shape, &keep)
    );
}
