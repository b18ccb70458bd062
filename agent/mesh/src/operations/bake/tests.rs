//! Maps against closed forms.

use super::texels::signed;
mod maps;

use tidemill_ops::TagColor;

use super::*;
use crate::spatial::point;
use crate::test_shapes::{cuboid, sphere, together, torus};

const TIMBER: [u8; 3] = [0xE6, 0x9F, 0x00];
const IRON: [u8; 3] = [0x56, 0xB4, 0xE9];

fn tags() -> Vec<TagColor> {
    [("timber", TIMBER), ("iron", IRON)]
        .map(|(name, rgb)| TagColor {
            name: name.to_owned(),
            rgb,
        })
        .to_vec()
}

/// Each triangle of the mesh in a cell of its own, half a square each: every UV area is known.
fn with_cells(mut mesh: Mesh) -> Mesh {
    let columns = (mesh.triangles.len() as f64).sqrt().ceil() as usize;
    let side = 1.0 / columns as f32;
    mesh.uvs = Some(
        (0..mesh.triangles.len())
            .map(|triangle| {
                let (x, y) = (
                    (triangle % columns) as f32 * side,
                    (triangle / columns) as f32 * side,
                );
                let (near, far) = (0.1 * side, 0.9 * side);
                [[x + near, y + near], [x + far, y + near], [x + near, y + far]]
            })
            .collect(),
    );
    mesh
}

/// The triangle at the middle of each texel.
fn faces_at(low: &Mesh, size: usize) -> Vec<Option<u32>> {
    let cover = Cover::of(low, size, 1, |_| false).unwrap();
    let mut row_of = Vec::new();
    (0..size)
        .flat_map(|row| {
            cover.fill_row(row, &mut row_of);
            (0..size)
                .map(|x| cover.at(&row_of, row, x, 0).map(|(face, _)| face))
                .collect::<Vec<_>>()
        })
        .collect()
}

fn baking(maps: &[Kind], tags: &[TagColor], size: u32) -> Vec<Baked> {
    let shapes = [
        with_cells(sphere([0.0; 3], 0.5, 3, "iron")),
        with_cells(torus(1.0, 0.4, 24, 12, "timber")),
    ];
    shapes
        .iter()
        .map(|shape| {
            bake(
                shape,
                shape,
                &Baking {
                    maps: maps.to_vec(),
                    size,
                    cage_m: None,
                    radius_m: 0.25,
                    distance_m: None,
                    tags,
                    ..Baking::default()
                },
            )
            .unwrap()
        })
        .collect()
}

fn bytes(map: &Map) -> &[u8] {
    match &map.data {
        Samples::Eight(bytes) => bytes,
        Samples::Sixteen(_) => panic!("an 8-bit map was asked for"),
    }
}

#[test]
fn the_id_map_holds_only_tag_colours_in_the_shares_of_the_uv_area() {
    let tags = tags();
    // Twelve triangles each: half of the UV area is timber.
    let two = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([2.0; 3], [3.0; 3], "iron"),
    ]);
    let low = with_cells(two.clone());
    let baked = bake(
        &two,
        &low,
        &Baking {
            maps: vec![Kind::TagId],
            size: 512,
            cage_m: Some(0.05),
            radius_m: 0.02,
            distance_m: None,
            tags: &tags,
            ..Baking::default()
        },
    )
    .unwrap();
    assert_eq!(baked.missed, 0);
    let mut counts = [0_usize; 2];
    for texel in bytes(&baked.maps[0]).chunks(3) {
        match texel {
            _ if texel == TIMBER => counts[0] += 1,
            _ if texel == IRON => counts[1] += 1,
            other => panic!("{other:?} is no tag colour"),
        }
    }
    assert_eq!(counts[0] + counts[1], 512 * 512);
    let cover = faces_at(&low, 512);
    let on_charts: Vec<bool> = (0..512 * 512)
        .filter_map(|texel| cover[texel])
        .map(|face| face < 12)
        .collect();
    let share = on_charts.iter().filter(|&&timber| timber).count() as f64 / on_charts.len() as f64;
    assert!((share - 0.5).abs() < 0.01, "{share}");
    assert!(baked.maps[0].srgb);
}

#[test]
fn a_whole_recipe_keeps_the_shares_of_its_tags_in_the_id_map() {
    use crate::operations::remesh::remesh;
    use crate::operations::simplify::{Goal, simplify};
    use crate::operations::unwrap::{Unwrapping, unwrap};
    let high = remesh(&crate::test_shapes::plank_crate(), 0.01).unwrap();
    let low = simplify(&high, Goal::Triangles(2000)).unwrap().mesh;
    let low = unwrap(&low, &Unwrapping::plain(512, 4)).unwrap().mesh;
    let tags = tags();
    let baking = Baking {
        maps: vec![Kind::TagId],
        size: 512,
        cage_m: None,
        radius_m: 0.02,
        distance_m: None,
        tags: &tags,
        ..Baking::default()
    };
    let baked = bake(&high, &low, &baking).unwrap();
    assert!(
        baked.missed * 1000 < baked.samples,
        "{} of {}",
        baked.missed,
        baked.samples
    );
    let texels = bytes(&baked.maps[0]);
    let iron = low.tag_index("iron").unwrap();
    let cover = faces_at(&low, 512);
    let mut areas = [0.0; 2];
    for (face, uvs) in low.uvs.as_ref().unwrap().iter().enumerate() {
        let [a, b, c] = uvs.map(|uv| uv.map(f64::from));
        let twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        areas[usize::from(low.face_tags[face] == iron)] += 0.5 * twice.abs();
    }
    let mut counts = [0.0; 2];
    for texel in (0..512 * 512).filter(|texel| cover[*texel].is_some()) {
        counts[usize::from(texels[3 * texel..3 * texel + 3] == IRON)] += 1.0;
    }
    let share = |parts: [f64; 2]| parts[1] / (parts[0] + parts[1]);
    assert!(
        (share(areas) - share(counts)).abs() < 0.01,
        "{} {}",
        share(areas),
        share(counts)
    );
}

#[test]
fn curvature_of_a_sphere_is_one_over_its_radius() {
    // Source of the closed form: 1/r for a sphere. 1/0.5 at a full scale of 1/0.25 is half way up.
    let baked = &baking(&[Kind::Scalar(Scalar::Curvature)], &[], 128)[0];
    for &value in bytes(&baked.maps[0]) {
        assert!((i32::from(value) - 192).abs() <= 2, "{value}");
    }
    assert!(!baked.maps[0].srgb);
}

#[test]
fn curvature_at_vertices_meets_the_closed_forms() {
    for radius in [1.0, 2.5] {
        for level in [3, 4, 5] {
            let values = crate::spatial::curvature::at_vertices(&sphere([0.0; 3], radius, level, "iron"));
            for value in values {
                assert!((value * radius - 1.0).abs() < 1e-3, "{value}");
            }
        }
    }
    // A torus: (R + 2 r cos t) / (2 r (R + r cos t)), convex outside, and less on the inner side.
    let (ring, tube) = (1.0, 0.4);
    let mesh = torus(ring, tube, 256, 128, "iron");
    for (position, value) in mesh
        .positions
        .iter()
        .zip(crate::spatial::curvature::at_vertices(&mesh))
    {
        let p = point(*position);
        let out = ((p.x * p.x + p.z * p.z).sqrt() - ring) / tube;
        let expected = (ring + 2.0 * tube * out) / (2.0 * tube * (ring + tube * out));
        assert!((value - expected).abs() < 0.01, "{value} {expected}");
    }
}

#[test]
fn a_hollow_is_dark_and_a_plane_is_mid_grey() {
    let mut hollow = sphere([0.0; 3], 0.5, 3, "iron");
    hollow
        .triangles
        .iter_mut()
        .for_each(|triangle| triangle.swap(1, 2));
    let hollow = with_cells(hollow);
    let bake_one = |mesh: &Mesh| {
        let baking = Baking {
            maps: vec![Kind::Scalar(Scalar::Curvature)],
            size: 64,
            cage_m: None,
            radius_m: 0.25,
            distance_m: None,
            tags: &[],
            ..Baking::default()
        };
        bytes(&bake(mesh, mesh, &baking).unwrap().maps[0]).to_vec()
    };
    assert!(
        bake_one(&hollow)
            .iter()
            .all(|&value| (i32::from(value) - 64).abs() <= 2)
    );
    // Flat faces far from the edges of a finely cut cube.
    let cube = crate::operations::remesh::remesh(&cuboid([0.0; 3], [1.0; 3], "iron"), 0.1).unwrap();
    let flat = crate::spatial::curvature::at_vertices(&cube);
    for (position, value) in cube.positions.iter().zip(flat) {
        if position
            .iter()
            .filter(|&&coordinate| coordinate > 0.25 && coordinate < 0.75)
            .count()
            == 2
        {
            assert_eq!(signed(value * 0.02, Depth::Eight), 128);
        }
    }
}

#[test]
fn occlusion_meets_its_closed_forms() {
    // Outside of a convex body nothing is hidden; inside a closed one everything is.
    let convex = with_cells(sphere([0.0; 3], 0.5, 3, "iron"));
    let occlusion = |high: &Mesh, low: &Mesh| {
        let baking = Baking {
            maps: vec![Kind::Scalar(Scalar::Occlusion)],
            size: 64,
            cage_m: None,
            radius_m: 0.1,
            distance_m: None,
            tags: &[],
            ..Baking::default()
        };
        bytes(&bake(high, low, &baking).unwrap().maps[0]).to_vec()
    };
    assert!(occlusion(&convex, &convex).iter().all(|&value| value == 255));
    let mut inside = cuboid([0.0; 3], [0.1; 3], "iron");
    inside
        .triangles
        .iter_mut()
        .for_each(|triangle| triangle.swap(1, 2));
    // A far second body makes the rays long enough for the walls.
    let inside = with_cells(together(&[inside, cuboid([9.0; 3], [9.1; 3], "iron")]));
    let values = occlusion(&inside, &inside);
    let cover = faces_at(&inside, 64);
    for (texel, value) in values.iter().enumerate() {
        if let Some(face) = cover[texel] {
            assert_eq!(*value, if face < 12 { 0 } else { 255 });
        }
    }
}

#[test]
fn rays_that_find_nothing_are_counted() {
    let low = with_cells(cuboid([0.0; 3], [1.0; 3], "iron"));
    let high = cuboid([5.0; 3], [6.0; 3], "iron");
    let tags = tags();
    let baking = Baking {
        maps: vec![Kind::TagId],
        size: 64,
        cage_m: Some(0.01),
        radius_m: 0.02,
        distance_m: None,
        tags: &tags,
        ..Baking::default()
    };
    let baked = bake(&high, &low, &baking).unwrap();
    assert!(baked.samples > 1000);
    assert_eq!(baked.missed, baked.samples);
}

#[test]
fn what_cannot_be_baked_says_why() {
    let cube = cuboid([0.0; 3], [1.0; 3], "rope");
    let tags = tags();
    let baking = Baking {
        maps: vec![Kind::TagId],
        size: 64,
        cage_m: None,
        radius_m: 0.02,
        distance_m: None,
        tags: &tags,
        ..Baking::default()
    };
    let message = |high: &Mesh, low: &Mesh| bake(high, low, &baking).unwrap_err().to_string();
    assert!(message(&cube, &cube).contains("`rope`"));
    let iron = cuboid([0.0; 3], [1.0; 3], "iron");
    assert!(message(&iron, &iron).contains("no UVs"));
    assert!(message(&iron, &Mesh::default()).contains("`low`"));
}

#[test]
fn threads_change_nothing() {
    let tags = tags();
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            baking(
                &[
                    Kind::TagId,
                    Kind::Scalar(Scalar::Curvature),
                    Kind::Scalar(Scalar::Occlusion),
                    Kind::Scalar(Scalar::Height),
                    Kind::Scalar(Scalar::Thickness),
                    Kind::Normal,
                    Kind::Position,
                ],
                &tags,
                64,
            )
            .into_iter()
            .flat_map(|baked| baked.maps)
            .collect::<Vec<_>>()
        })
    };
    let one = with(1);
    assert_eq!(one, with(2));
    assert_eq!(one, with(7));
}

#[test]
fn faces_that_keep_their_uvs_get_no_texels() {
    use crate::operations::unwrap::{Unwrapping, unwrap};
    let mut low = together(&[
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([3.0, 0.0, 0.0], [4.0, 1.0, 1.0], "iron"),
    ]);
    // The iron lies all over the sheet that it shares with other models.
    low.uvs = Some(vec![[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]; 24]);
    let unwrapping = Unwrapping {
        keep: &["iron"],
        ..Unwrapping::plain(64, 2)
    };
    let low = unwrap(&low, &unwrapping).unwrap().mesh;
    let tags = tags();
    let has = |keep: &[&str], colour: [u8; 3]| {
        let baking = Baking {
            maps: vec![Kind::TagId],
            size: 64,
            samples: 1,
            keep: keep.iter().map(|tag| (*tag).to_owned()).collect(),
            tags: &tags,
            ..Baking::default()
        };
        let baked = bake(&low, &low, &baking).unwrap();
        let map = &baked.maps[0];
        (0..64 * 64).any(|texel| map.rgb_at(texel % 64, texel / 64) == colour)
    };
    assert!(has(&["iron"], TIMBER) && !has(&["iron"], IRON));
    assert!(has(&[], IRON));
    let absent = Baking {
        maps: vec![Kind::TagId],
        keep: vec!["rope".to_owned()],
        tags: &tags,
        ..Baking::default()
    };
    assert!(
        bake(&low, &low, &absent)
            .unwrap_err()
            .to_string()
            .contains("`rope`")
    );
}
