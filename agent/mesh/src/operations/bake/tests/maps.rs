//! Normal, height, position, thickness and packed maps, and occlusion against view factors.

use glam::DVec3;

use super::*;
use crate::operations::unwrap::{Unwrapping, unwrap};
use crate::write::{corner_normals, corner_tangents};

fn samples(map: &Map) -> Vec<u16> {
    match &map.data {
        Samples::Eight(bytes) => bytes.iter().map(|&byte| u16::from(byte)).collect(),
        Samples::Sixteen(samples) => samples.clone(),
    }
}

fn one(kind: Kind, high: &Mesh, low: &Mesh, baking: Baking<'_>) -> Map {
    let baking = Baking {
        maps: vec![kind],
        ..baking
    };
    let mut baked = bake(high, low, &baking).unwrap();
    assert_eq!(baked.missed, 0);
    baked.maps.remove(0)
}

/// Triangles with one tag and no UVs.
fn plain(positions: Vec<[f32; 3]>, triangles: Vec<[u32; 3]>) -> Mesh {
    Mesh {
        face_tags: vec![UNTAGGED; triangles.len()],
        positions,
        triangles,
        ..Mesh::default()
    }
}

/// A square of side 2 in the plane z = a x + b y, its UV as glTF has them: v downwards.
fn square(a: f32, b: f32) -> Mesh {
    let corners = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
    let uv = |corner: usize| {
        let [x, y]: [f32; 2] = corners[corner];
        [0.5 + 0.5 * x, 0.5 - 0.5 * y]
    };
    Mesh {
        uvs: Some(vec![[uv(0), uv(1), uv(2)], [uv(0), uv(2), uv(3)]]),
        ..plain(
            corners.map(|[x, y]| [x, y, a * x + b * y]).to_vec(),
            vec![[0, 1, 2], [0, 2, 3]],
        )
    }
}

#[test]
fn slopes_have_the_bytes_of_their_normals() {
    // Worked by hand: n = (-a, -b, 1) / |…|, coded as (n + 1) / 2.
    let low = square(0.0, 0.0);
    let bake_slope = |a, b, depth, green| {
        let baking = Baking {
            size: 32,
            cage_m: Some(3.0),
            depth,
            green,
            ..Baking::default()
        };
        let map = one(Kind::Normal, &square(a, b), &low, baking);
        let texels = samples(&map);
        assert!(texels.chunks(3).all(|texel| texel == &texels[..3]));
        [texels[0], texels[1], texels[2]]
    };
    let eight = |a, b| bake_slope(a, b, Depth::Eight, Green::Up);
    assert_eq!(eight(0.0, 0.0), [128, 128, 255]);
    assert_eq!(eight(1.0, 0.0), [37, 128, 218]);
    assert_eq!(eight(0.0, 1.0), [128, 37, 218]);
    assert_eq!(eight(0.5, -0.5), [75, 180, 232]);
    assert_eq!(bake_slope(0.0, 1.0, Depth::Eight, Green::Down), [128, 218, 218]);
    assert_eq!(
        bake_slope(1.0, 0.0, Depth::Sixteen, Green::Up),
        [9597, 32768, 55938]
    );
}

#[test]
fn a_mesh_on_itself_has_a_flat_normal_map() {
    let unwrapping = Unwrapping::plain(256, 4);
    let soft = crate::operations::remesh::remesh(&crate::test_shapes::plank_crate(), 0.02).unwrap();
    for mesh in [
        with_cells(torus(1.0, 0.4, 24, 12, "iron")),
        with_cells(cuboid([0.0; 3], [1.0, 2.0, 3.0], "iron")),
        unwrap(&sphere([0.0; 3], 1.0, 3, "iron"), &unwrapping)
            .unwrap()
            .mesh,
        unwrap(&soft, &unwrapping).unwrap().mesh,
    ] {
        // One sample, so that no texel mixes two faces that meet at a hard edge.
        let baking = Baking {
            size: 256,
            samples: 1,
            ..Baking::default()
        };
        for texel in samples(&one(Kind::Normal, &mesh, &mesh, baking)).chunks(3) {
            let flat = [128, 128, 255];
            assert!(
                texel
                    .iter()
                    .zip(flat)
                    .all(|(found, flat)| found.abs_diff(flat) <= 1),
                "{texel:?}"
            );
        }
    }
}

#[test]
fn a_coarse_sphere_shows_the_normals_of_a_fine_one() {
    const SIZE: usize = 256;
    let unwrapping = Unwrapping::plain(SIZE as u32, 4);
    let low = unwrap(&sphere([0.0; 3], 1.0, 2, "iron"), &unwrapping)
        .unwrap()
        .mesh;
    let baking = Baking {
        size: SIZE as u32,
        samples: 1,
        cage_m: Some(0.2),
        ..Baking::default()
    };
    let map = samples(&one(
        Kind::Normal,
        &sphere([0.0; 3], 1.0, 6, "iron"),
        &low,
        baking,
    ));
    let normals = corner_normals(&low);
    let tangents = corner_tangents(&low, &normals).unwrap();
    let cover = Cover::of(&low, SIZE, 1, |_| false).unwrap();
    let mut triangles = Vec::new();
    let mut worst = 0.0_f64;
    let mut count = 0;
    for row in 0..SIZE {
        cover.fill_row(row, &mut triangles);
        for x in 0..SIZE {
            let Some((face, weights)) = cover.at(&triangles, row, x, 0) else {
                continue;
            };
            let face = face as usize;
            let blend =
                |corners: [[f32; 3]; 3]| (0..3).map(|i| point(corners[i]) * weights[i]).sum::<DVec3>();
            let normal = blend(normals[face]);
            let tangent = blend(tangents[face].map(|[x, y, z, _]| [x, y, z]));
            let bitangent = normal.cross(tangent) * f64::from(tangents[face][0][3]);
            let [s, t, u] = [0, 1, 2].map(|c| f64::from(map[(row * SIZE + x) * 3 + c]) / 127.5 - 1.0);
            let decoded = (tangent * s + bitangent * t + normal * u).normalize();
            let radial = blend(low.corners(face)).normalize();
            worst = worst.max(decoded.dot(radial).clamp(-1.0, 1.0).acos().to_degrees());
            count += 1;
        }
    }
    assert!(count > SIZE * SIZE / 4);
    assert!(worst < 1.0, "{worst} degrees");
}

#[test]
fn height_is_the_signed_distance_within_the_cage() {
    let low = with_cells(sphere([0.0; 3], 1.0, 4, "iron"));
    for (radius, share) in [(1.02, 0.4), (0.98, -0.4), (1.0, 0.0)] {
        let baking = Baking {
            size: 128,
            cage_m: Some(0.05),
            depth: Depth::Sixteen,
            ..Baking::default()
        };
        let high = sphere([0.0; 3], radius, 4, "iron");
        let map = one(Kind::Scalar(Scalar::Height), &high, &low, baking);
        let expected = 32768.0 + 32767.0 * share;
        for value in samples(&map) {
            // Facets lie below the spheres by less than 0.1 %.
            assert!((f64::from(value) - expected).abs() < 100.0, "{value} {expected}");
        }
    }
}

#[test]
fn positions_can_be_turned_back_into_metres() {
    let mesh = with_cells(torus(1.0, 0.4, 24, 12, "iron"));
    let baking = Baking {
        size: 64,
        samples: 1,
        depth: Depth::Sixteen,
        ..Baking::default()
    };
    let map = samples(&one(Kind::Position, &mesh, &mesh, baking));
    let bounds = mesh.bounds().unwrap();
    let cover = Cover::of(&mesh, 64, 1, |_| false).unwrap();
    let mut triangles = Vec::new();
    for row in 0..64 {
        cover.fill_row(row, &mut triangles);
        for x in 0..64 {
            let Some((face, weights)) = cover.at(&triangles, row, x, 0) else {
                continue;
            };
            let corners = mesh.corners(face as usize);
            for axis in 0..3 {
                let expected: f64 = (0..3).map(|i| f64::from(corners[i][axis]) * weights[i]).sum();
                let (least, most) = (f64::from(bounds.least[axis]), f64::from(bounds.most[axis]));
                let found = least + (most - least) * f64::from(map[(row * 64 + x) * 3 + axis]) / 65535.0;
                assert!((found - expected).abs() < (most - least) / 65535.0);
            }
        }
    }
}

#[test]
fn thickness_meets_its_closed_forms() {
    let baking = |thickest| Baking {
        size: 64,
        rays: 1024,
        thickest_m: Some(thickest),
        depth: Depth::Sixteen,
        ..Baking::default()
    };
    // Chords of a sphere are 2 r cos: cosine-weighted their mean is 4/3 r, worked by hand.
    let ball = with_cells(sphere([0.0; 3], 0.5, 5, "iron"));
    for value in samples(&one(Kind::Scalar(Scalar::Thickness), &ball, &ball, baking(1.0))) {
        assert!((f64::from(value) / 65535.0 - 2.0 / 3.0).abs() < 0.01, "{value}");
    }
    // A slab of thickness t with rays of at most m: 2 t - t t / m, worked by hand.
    let slab = cuboid([-20.0, -20.0, -0.1], [20.0, 20.0, 0.0], "iron");
    let mut low = square(0.0, 0.0);
    low.positions.iter_mut().flatten().for_each(|c| *c *= 0.1);
    let low = Mesh {
        face_tags: vec![UNTAGGED; 2],
        ..low
    };
    let baking = Baking {
        cage_m: Some(0.01),
        ..baking(0.4)
    };
    let map = one(Kind::Scalar(Scalar::Thickness), &slab, &low, baking);
    for value in samples(&map) {
        assert!(
            (0.4 * f64::from(value) / 65535.0 - 0.175).abs() < 0.002,
            "{value}"
        );
    }
}

#[test]
fn packed_channels_equal_the_single_maps() {
    let mesh = with_cells(torus(1.0, 0.4, 24, 12, "iron"));
    let single = [
        Scalar::Height,
        Scalar::Occlusion,
        Scalar::Curvature,
        Scalar::Thickness,
    ];
    for (depth, alpha) in [(Depth::Eight, true), (Depth::Sixteen, false)] {
        let packed = [Some(single[0]), Some(single[1]), None, alpha.then_some(single[3])]
            .map(|scalar| scalar.map(Channel::Scalar));
        let baking = Baking {
            maps: single
                .map(Kind::Scalar)
                .into_iter()
                .chain([Kind::Packed])
                .collect(),
            size: 64,
            depth,
            packed,
            ..Baking::default()
        };
        let maps = bake(&mesh, &mesh, &baking).unwrap().maps;
        let channels = 3 + usize::from(alpha);
        assert_eq!(usize::from(maps[4].channels), channels);
        assert!(maps.iter().all(|map| !map.srgb));
        for (channel, scalar) in packed.iter().enumerate().take(channels) {
            let found: Vec<u16> = samples(&maps[4])
                .into_iter()
                .skip(channel)
                .step_by(channels)
                .collect();
            let expected = match scalar {
                Some(_) => samples(&maps[channel]),
                None => vec![0; 64 * 64],
            };
            assert_eq!(found, expected);
        }
    }
    let nothing = Baking {
        maps: vec![Kind::Packed],
        ..Baking::default()
    };
    let error = bake(&mesh, &mesh, &nothing).unwrap_err().to_string();
    assert!(error.contains("packed-red"), "{error}");
}

#[test]
fn packed_channels_may_be_those_of_other_maps_or_constants() {
    let mesh = with_cells(torus(1.0, 0.4, 24, 12, "iron"));
    for depth in [Depth::Eight, Depth::Sixteen] {
        let baking = Baking {
            maps: vec![Kind::Normal, Kind::Position, Kind::Packed],
            size: 64,
            depth,
            ..Baking::default()
        };
        let all = [
            [
                Channel::Normal(0),
                Channel::Normal(1),
                Channel::Normal(2),
                Channel::White,
            ],
            [
                Channel::Position(2),
                Channel::Position(0),
                Channel::Grey,
                Channel::Position(1),
            ],
            [
                Channel::Black,
                Channel::Normal(2),
                Channel::Position(0),
                Channel::Grey,
            ],
        ];
        for channels in all {
            let packed = channels.map(Some);
            let maps = bake(
                &mesh,
                &mesh,
                &Baking {
                    packed,
                    ..baking.clone()
                },
            )
            .unwrap()
            .maps;
            let of = |map: &Map, channel: usize, channels: usize| -> Vec<u16> {
                samples(map).into_iter().skip(channel).step_by(channels).collect()
            };
            for (place, channel) in channels.into_iter().enumerate() {
                let most = depth.most();
                let expected = match channel {
                    Channel::Normal(axis) => of(&maps[0], axis, 3),
                    Channel::Position(axis) => of(&maps[1], axis, 3),
                    Channel::Grey => vec![most / 2 + 1; 64 * 64],
                    Channel::White => vec![most; 64 * 64],
                    _ => vec![0; 64 * 64],
                };
                assert_eq!(of(&maps[2], place, 4), expected, "{channel:?}");
            }
            // And a packed map alone works out what it needs.
            let alone = Baking {
                packed,
                maps: vec![Kind::Packed],
                ..baking.clone()
            };
            assert_eq!(bake(&mesh, &mesh, &alone).unwrap().maps[0], maps[2]);
        }
    }
}

#[test]
fn values_end_where_the_dilation_does_and_the_ground_begins() {
    let mesh = with_cells(cuboid([0.0; 3], [1.0; 3], "iron"));
    let baking = Baking {
        maps: [Scalar::Thickness, Scalar::Curvature, Scalar::Occlusion]
            .map(Kind::Scalar)
            .into_iter()
            .chain([Kind::Normal])
            .collect(),
        size: 64,
        rays: 4,
        ..Baking::default()
    };
    let with = |dilation_px| {
        bake(
            &mesh,
            &mesh,
            &Baking {
                dilation_px,
                ..baking.clone()
            },
        )
        .unwrap()
        .maps
    };
    let (endless, none, two) = (with(None), with(Some(0)), with(Some(2)));
    assert_eq!(endless, with(Some(64 * 2)));
    // A thickness is never black on a body, so what is black lies beyond.
    let beyond =
        |maps: &[Map]| -> Vec<bool> { samples(&maps[0]).into_iter().map(|sample| sample == 0).collect() };
    let (bare, near) = (beyond(&none), beyond(&two));
    assert!(bare.contains(&true) && near.contains(&true));
    for texel in 0..64 * 64_i32 {
        let (x, y) = (texel % 64, texel / 64);
        let within = |most: i32| {
            (0..64 * 64_i32).any(|other| {
                let (across, down) = (other % 64 - x, other / 64 - y);
                across * across + down * down <= most * most && !bare[other as usize]
            })
        };
        assert_eq!(near[texel as usize], !within(2), "{x} {y}");
        for (map, ground) in [(1, vec![128]), (2, vec![255]), (3, vec![128, 128, 255])] {
            let channels = ground.len();
            let at = channels * texel as usize..channels * (texel as usize + 1);
            let expected = match near[texel as usize] {
                true => ground,
                false => samples(&endless[map])[at.clone()].to_vec(),
            };
            assert_eq!(samples(&two[map])[at], expected);
        }
    }
}

/// What a row of the table has in the way of a point at the origin that looks along +z.
fn obstacle(scene: &str, parameters: &str) -> Option<Mesh> {
    let number = |name: &str| {
        parameters
            .split(' ')
            .find_map(|part| part.strip_prefix(name)?.strip_prefix('='))
            .map(|text| text.trim_end_matches("deg").parse::<f64>().unwrap())
            .unwrap()
    };
    // Long enough for "infinite", short enough for rays to start close to the surface.
    const FAR: f64 = 100.0;
    let strip = |from: [f64; 2], to: [f64; 2]| {
        let corner = |[x, z]: [f64; 2], y: f64| [x as f32, y as f32, z as f32];
        plain(
            vec![
                corner(from, -FAR),
                corner(from, FAR),
                corner(to, FAR),
                corner(to, -FAR),
            ],
            vec![[0, 1, 2], [0, 2, 3]],
        )
    };
    if scene.starts_with("disk") {
        let rim = (0..256).map(|step| {
            let angle = std::f64::consts::TAU * f64::from(step) / 256.0;
            [angle.cos() as f32, angle.sin() as f32, number("h") as f32]
        });
        let positions = std::iter::once([0.0, 0.0, number("h") as f32]).chain(rim);
        let triangles = (0..256).map(|step| [0, 1 + step, 1 + (step + 1) % 256]);
        Some(plain(positions.collect(), triangles.collect()))
    } else if scene.starts_with("sphere") {
        Some(sphere([0.0, 0.0, number("D")], 1.0, 5, "iron"))
    } else if scene.starts_with("infinitely long vertical wall") {
        let d = number("d");
        Some(strip([d, 0.0], [d, number("h")]))
    } else if scene.starts_with("infinite V groove") {
        let (sine, cosine) = number("t").to_radians().sin_cos();
        // The bottom lies one metre from the point.
        Some(strip([-1.0, 0.0], [-1.0 + FAR * cosine, FAR * sine]))
    } else {
        // Bodies around the point and beside it have a test of their own.
        None
    }
}

#[test]
fn occlusion_meets_the_view_factors_of_the_handbooks() {
    const RAYS: u32 = 1024;
    let table = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/data/ao/view_factors.tsv"
    ));
    let mut scenes = 0;
    for line in table.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let columns: Vec<&str> = line.split('\t').collect();
        let Some(obstacle) = obstacle(columns[0], columns[1]) else {
            continue;
        };
        scenes += 1;
        let open: f64 = columns[2].parse().unwrap();
        let mut point = square(0.0, 0.0);
        point.positions.iter_mut().flatten().for_each(|c| *c *= 1.0e-4);
        let baking = Baking {
            size: 16,
            cage_m: Some(0.001),
            distance_m: Some(1000.0),
            rays: RAYS,
            depth: Depth::Sixteen,
            ..Baking::default()
        };
        let high = together(&[point.clone(), obstacle]);
        let map = one(Kind::Scalar(Scalar::Occlusion), &high, &point, baking);
        let allowed = 4.0 * (open * (1.0 - open) / f64::from(RAYS)).sqrt();
        for value in samples(&map) {
            let found = f64::from(value) / 65535.0;
            assert!((found - open).abs() <= allowed, "{line}: {found}");
        }
    }
    assert_eq!(scenes, 15);
}

#[test]
fn few_rays_are_enough_to_be_right_on_average() {
    let groove = obstacle("infinite V groove", "t=60deg").unwrap();
    let mut point = square(0.0, 0.0);
    point.positions.iter_mut().flatten().for_each(|c| *c *= 1.0e-4);
    let high = together(&[point.clone(), groove]);
    let baking = Baking {
        size: 64,
        cage_m: Some(0.001),
        distance_m: Some(1000.0),
        rays: 3,
        ..Baking::default()
    };
    let map = samples(&one(Kind::Scalar(Scalar::Occlusion), &high, &point, baking));
    let mean = map.iter().map(|&value| f64::from(value) / 255.0).sum::<f64>() / map.len() as f64;
    assert!((mean - 0.25).abs() < 0.015, "{mean}");
}

#[test]
fn curvature_inside_a_cylinder_is_half_of_one_over_its_radius() {
    // Source of the closed form: 1/(2 r) for a cylinder.
    for radius in [0.5, 2.0] {
        let (around, along) = (64_u32, 33_u32);
        let positions = (0..along)
            .flat_map(|row| (0..around).map(move |column| (row, column)))
            .map(|(row, column)| {
                let angle = std::f64::consts::TAU * f64::from(column) / f64::from(around);
                [
                    (radius * angle.cos()) as f32,
                    (radius * angle.sin()) as f32,
                    f64::from(row) as f32 / 32.0,
                ]
            })
            .collect();
        let at = |row: u32, column: u32| row * around + column % around;
        let triangles = (0..along - 1)
            .flat_map(|row| (0..around).map(move |column| (row, column)))
            .flat_map(|(row, column)| {
                let [a, b] = [at(row, column), at(row, column + 1)];
                let [c, d] = [at(row + 1, column + 1), at(row + 1, column)];
                [[a, b, c], [a, c, d]]
            })
            .collect();
        let values = crate::spatial::curvature::at_vertices(&plain(positions, triangles));
        for (vertex, value) in values.iter().enumerate() {
            let row = vertex as u32 / around;
            if row > 0 && row < along - 1 {
                assert!((value * 2.0 * radius - 1.0).abs() < 1e-3, "{vertex}: {value}");
            }
        }
    }
}
