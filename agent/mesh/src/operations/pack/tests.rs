//! Packing against its promises, looked at with a rasteriser and a sampler of the test's own.

use super::*;
use crate::operations::testing::{Written, call};
use crate::operations::unwrap::{Unwrapping, unwrap};
use crate::spatial::point;
use crate::test_shapes::{cuboid, sphere, together, torus};
use crate::value::GatheredValue;

const SIZE: usize = 512;

fn packing() -> Packing<'static> {
    Packing {
        size_px: SIZE as u32,
        padding_px: 4,
        density: &[],
        keep: &[],
        apart_m: 0.25,
    }
}

/// A value that changes slowly over the surface, 0 to 1 in each of three channels.
fn shade(place: glam::DVec3) -> [f64; 3] {
    [place.x, place.y, place.z].map(|axis| 0.5 + 0.45 * libm::sin(2.5 * axis))
}

/// A mesh of its own size and map size, and its map, drawn texel by texel from [`shade`].
struct Prop {
    mesh: Mesh,
    map: Map,
}

fn prop(shape: &Mesh, size: u32) -> Prop {
    let mesh = unwrap(shape, &Unwrapping::plain(size, 4)).unwrap().mesh;
    let side = size as usize;
    let mut covered = vec![false; side * side];
    let mut samples = vec![[0_u16; 3]; side * side];
    for (face, uvs) in mesh.uvs.as_ref().unwrap().iter().enumerate() {
        let corners = uvs.map(|uv| uv.map(|coordinate| f64::from(coordinate) * f64::from(size)));
        let places = mesh.corners(face).map(point);
        // Also a texel or two beyond the face, where a map goes on as far as filtering looks.
        for (texel, weights) in texels(&corners, side, -0.6) {
            let inside = weights.iter().all(|weight| *weight >= 0.0);
            if !covered[texel] || inside {
                let place = (0..3).map(|k| places[k] * weights[k]).sum();
                samples[texel] = shade(place).map(|share| (share * 65535.0).round() as u16);
                covered[texel] = true;
            }
        }
    }
    let nearest = nearest_covered(&covered, side);
    let samples = nearest.iter().flat_map(|&from| samples[from as usize]).collect();
    let map = Map {
        width: size,
        height: size,
        channels: 3,
        data: Samples::Sixteen(samples),
        srgb: false,
    };
    Prop { mesh, map }
}

/// The texels whose middles have barycentric weights of at least so much, and the weights.
fn texels(corners: &[[f64; 2]; 3], side: usize, least: f64) -> Vec<(usize, [f64; 3])> {
    let twice =
        |a: [f64; 2], b: [f64; 2], c: [f64; 2]| (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    let [a, b, c] = *corners;
    let whole = twice(a, b, c);
    let span = |axis: usize| {
        let along = corners.map(|corner| corner[axis]);
        let low = along.into_iter().fold(f64::INFINITY, f64::min) - 2.0;
        let high = along.into_iter().fold(0.0, f64::max) + 3.0;
        low.max(0.0) as usize..(high as usize).min(side)
    };
    let mut found = Vec::new();
    if whole == 0.0 {
        return found;
    }
    for y in span(1) {
        for x in span(0) {
            let p = [x as f64 + 0.5, y as f64 + 0.5];
            let weights = [twice(b, c, p), twice(c, a, p), twice(a, b, p)].map(|part| part / whole);
            if weights.iter().all(|weight| *weight > least) {
                found.push((y * side + x, weights));
            }
        }
    }
    found
}

/// What a renderer sees: four texels mixed.
fn seen(map: &Map, uv: [f64; 2]) -> [f64; 3] {
    let (width, height) = (f64::from(map.width), f64::from(map.height));
    let [x, y] = [uv[0] * width - 0.5, uv[1] * height - 0.5];
    let sample = |x: f64, y: f64, channel: usize| {
        let column = x.rem_euclid(width) as usize;
        let row = y.rem_euclid(height) as usize;
        let at = (row * map.width as usize + column) * usize::from(map.channels) + channel;
        match &map.data {
            Samples::Eight(samples) => f64::from(samples[at]) / 255.0,
            Samples::Sixteen(samples) => f64::from(samples[at]) / 65535.0,
        }
    };
    let (left, top) = (x.floor(), y.floor());
    let (right, bottom) = (x - left, y - top);
    [0, 1, 2].map(|channel| {
        let upper = sample(left, top, channel) * (1.0 - right) + sample(left + 1.0, top, channel) * right;
        let lower =
            sample(left, top + 1.0, channel) * (1.0 - right) + sample(left + 1.0, top + 1.0, channel) * right;
        upper * (1.0 - bottom) + lower * bottom
    })
}

fn props() -> Vec<Prop> {
    vec![
        prop(&cuboid([0.0; 3], [1.0, 0.6, 0.8], "timber"), 256),
        prop(&sphere([0.2, 0.1, 0.0], 0.4, 3, "iron"), 128),
        prop(
            &together(&[
                torus(0.5, 0.15, 32, 16, "rope"),
                cuboid([1.0, 0.0, 0.0], [1.3, 0.9, 0.2], "timber"),
            ]),
            256,
        ),
    ]
}

const LABELS: [&str; 3] = ["bollard-a", "bollard-b", "bollard-c"];

fn sources(props: &[Prop]) -> Vec<Source<'_>> {
    props
        .iter()
        .zip(LABELS)
        .map(|(prop, label)| Source {
            label,
            mesh: &prop.mesh,
            maps: vec![&prop.map],
        })
        .collect()
}

fn packed(props: &[Prop], packing: &Packing<'_>) -> Packed {
    pack(&sources(props), &[("curvature", Filter::Mixed)], packing).unwrap()
}

#[test]
fn no_texel_is_covered_twice_and_charts_keep_their_distance() {
    let packed = packed(&props(), &packing());
    let whole = &packed.model.whole;
    whole.validate().unwrap();
    let uvs = whole.uvs.as_ref().unwrap();
    assert!(
        uvs.iter()
            .flatten()
            .flatten()
            .all(|coordinate| (0.0..=1.0).contains(coordinate))
    );
    const SIDE: usize = 2 * SIZE;
    let mut taken = vec![0_u8; SIDE * SIDE];
    for uvs in uvs {
        let corners = uvs.map(|uv| uv.map(|coordinate| f64::from(coordinate) * SIDE as f64));
        // 1e-6: a middle on the edge of two faces lies in neither, whatever rounding says.
        for (texel, _) in texels(&corners, SIDE, 1e-6) {
            taken[texel] += 1;
        }
    }
    assert_eq!(taken.iter().filter(|count| **count > 1).count(), 0);
    let covered = taken.iter().filter(|count| **count > 0).count() as f64 / (SIDE * SIDE) as f64;
    assert!(
        (covered - packed.coverage).abs() < 0.01,
        "{covered} {}",
        packed.coverage
    );
    assert!(packed.coverage > 0.5, "{}", packed.coverage);
    // Charts of the packed mesh, by a walk of its own, and what lies around each.
    let charts = charts_of(0, whole, |_| Some(1.0));
    assert_eq!(charts.len(), packed.charts);
    let mut owner = vec![usize::MAX; SIDE * SIDE];
    for (number, chart) in charts.iter().enumerate() {
        for &face in &chart.faces {
            let corners =
                uvs[face as usize].map(|uv| uv.map(|coordinate| f64::from(coordinate) * SIDE as f64));
            texels(&corners, SIDE, 0.0)
                .into_iter()
                .for_each(|(texel, _)| owner[texel] = number);
        }
    }
    // 4 texels are 8 here; middles may be a texel nearer than charts are.
    for (texel, &of) in owner.iter().enumerate().filter(|(_, of)| **of != usize::MAX) {
        let (x, y) = (texel % SIDE, texel / SIDE);
        for dy in 0..8 {
            for dx in 0..8 {
                if dx * dx + dy * dy < 49 && x + dx < SIDE && y + dy < SIDE {
                    let other = owner[(y + dy) * SIDE + x + dx];
                    assert!(other == usize::MAX || other == of);
                }
            }
        }
    }
}

#[test]
fn texels_are_equally_dense_on_every_mesh() {
    let props = props();
    let of_chart = |packed: &Packed, tag: &str| {
        let whole = &packed.model.whole;
        let density = |chart: &Chart| {
            let uvs = whole.uvs.as_ref().unwrap();
            let in_map: f64 = chart
                .faces
                .iter()
                .map(|&face| {
                    let [s, t, r] = uvs[face as usize].map(|uv| uv.map(f64::from));
                    0.5 * ((t[0] - s[0]) * (r[1] - s[1]) - (t[1] - s[1]) * (r[0] - s[0])).abs()
                })
                .sum();
            (in_map / chart.area_m2).sqrt() * SIZE as f64
        };
        charts_of(0, whole, |face| (whole.tag_of(face) == Some(tag)).then_some(1.0))
            .iter()
            .map(density)
            .collect::<Vec<f64>>()
    };
    let plain = packed(&props, &packing());
    for tag in ["timber", "iron", "rope"] {
        for density in of_chart(&plain, tag) {
            assert!((density / plain.texels_per_m - 1.0).abs() < 1e-3, "{tag}");
        }
    }
    let factors = Packing {
        density: &[("iron", 2.0), ("rope", 0.5)],
        ..packing()
    };
    let weighed = packed(&props, &factors);
    for (tag, factor) in [("timber", 1.0), ("iron", 2.0), ("rope", 0.5)] {
        for density in of_chart(&weighed, tag) {
            assert!(
                (density / weighed.texels_per_m / factor - 1.0).abs() < 1e-3,
                "{tag}"
            );
        }
    }
}

/// Greatest difference of what is seen at points all over the meshes, through the old UVs on the old maps and through the new ones.
fn difference(props: &[Prop], packed: &Packed) -> f64 {
    let mut worst = 0.0_f64;
    for (prop, part) in props.iter().zip(&packed.model.parts) {
        let (old, new) = (prop.mesh.uvs.as_ref().unwrap(), part.mesh.uvs.as_ref().unwrap());
        for face in 0..old.len() {
            for a in 0..=6 {
                for b in 0..=6 - a {
                    let weights = [a, b, 6 - a - b].map(|weight| f64::from(weight) / 6.0);
                    let at = |uvs: &[[f32; 2]; 3]| {
                        [0, 1].map(|axis| (0..3).map(|k| f64::from(uvs[k][axis]) * weights[k]).sum())
                    };
                    let (before, after) = (
                        seen(&prop.map, at(&old[face])),
                        seen(&packed.maps[0], at(&new[face])),
                    );
                    for channel in 0..3 {
                        worst = worst.max((before[channel] - after[channel]).abs());
                    }
                }
            }
        }
    }
    worst
}

#[test]
fn the_new_maps_show_what_the_old_ones_show() {
    let props = props();
    let packed = packed(&props, &packing());
    for (prop, part) in props.iter().zip(&packed.model.parts) {
        assert_eq!(prop.mesh.positions, part.mesh.positions);
        assert_eq!(prop.mesh.triangles, part.mesh.triangles);
        assert_eq!(prop.mesh.face_tags, part.mesh.face_tags);
    }
    let worst = difference(&props, &packed);
    // Values change by up to 1.1 over a metre, and a texel is some hundredth of one.
    assert!(worst < 0.02, "{worst} at {} texels per m", packed.texels_per_m);
    // With wrong UVs that would show.
    let mut swapped = packed.clone();
    swapped.maps[0].data = match &packed.maps[0].data {
        Samples::Sixteen(samples) => Samples::Sixteen(samples.iter().rev().copied().collect()),
        Samples::Eight(_) => panic!("the depth has changed"),
    };
    assert!(difference(&props, &swapped) > 0.2);
}

#[test]
fn colours_that_mean_something_are_never_mixed_and_directions_stay_of_length_one() {
    let mut props = props();
    const IDS: [[u8; 3]; 3] = [[230, 159, 0], [86, 180, 233], [204, 121, 167]];
    for prop in &mut props {
        let Samples::Sixteen(samples) = &prop.map.data else {
            panic!()
        };
        let ids = samples
            .chunks(3)
            .flat_map(|texel| IDS[usize::from(texel[0]) * 3 / 65536])
            .collect();
        prop.map.data = Samples::Eight(ids);
        prop.map.srgb = true;
    }
    let ids = pack(&sources(&props), &[("tag-id", Filter::Nearest)], &packing()).unwrap();
    let Samples::Eight(samples) = &ids.maps[0].data else {
        panic!()
    };
    assert!(ids.maps[0].srgb);
    for id in IDS {
        assert!(samples.chunks(3).any(|texel| texel == id));
    }
    assert!(samples.chunks(3).all(|texel| IDS.iter().any(|id| texel == id)));
    let directions = pack(
        &sources(&self::props()),
        &[("normal", Filter::Direction)],
        &packing(),
    )
    .unwrap();
    let Samples::Sixteen(samples) = &directions.maps[0].data else {
        panic!()
    };
    for texel in samples.chunks(3) {
        let length: f64 = texel
            .iter()
            .map(|&axis| (f64::from(axis) / 65535.0 * 2.0 - 1.0).powi(2))
            .sum();
        assert!((length - 1.0).abs() < 1e-3, "{texel:?}");
    }
}

#[test]
fn light_is_mixed_as_light() {
    // Black and white in turn, seen from so far that a texel holds many of both: half the light is sRGB 188, not 128.
    let mut props = vec![prop(&cuboid([0.0; 3], [1.0; 3], "timber"), 512)];
    let checks = (0..512 * 512).map(|texel| {
        if (texel % 512 + texel / 512) % 2 == 0 {
            0
        } else {
            255
        }
    });
    props[0].map = Map {
        width: 512,
        height: 512,
        channels: 1,
        data: Samples::Eight(checks.collect()),
        srgb: true,
    };
    let small = Packing {
        size_px: 64,
        padding_px: 2,
        ..packing()
    };
    let with = |filter| {
        let packed = pack(&sources(&props), &[("color", filter)], &small).unwrap();
        let Samples::Eight(samples) = &packed.maps[0].data else {
            panic!()
        };
        samples.iter().map(|&sample| f64::from(sample)).sum::<f64>() / samples.len() as f64
    };
    let light = with(Filter::Light);
    assert!((light - 188.0).abs() < 4.0, "{light}");
    let numbers = with(Filter::Mixed);
    assert!((numbers - 127.5).abs() < 4.0, "{numbers}");
}

#[test]
fn kept_faces_keep_their_uvs_and_get_no_place() {
    let mut props = props();
    // The timber of the third is on a trim sheet.
    let mesh = &mut props[2].mesh;
    let timber = mesh.tag_index("timber").unwrap();
    for (corners, tag) in mesh.uvs.as_mut().unwrap().iter_mut().zip(&mesh.face_tags) {
        if *tag == timber {
            *corners = [[0.5, 3.25], [1.5, 3.25], [1.5, 3.5]];
        }
    }
    let rest: Vec<Prop> = props.drain(1..).collect();
    let keep = Packing {
        keep: &["timber"],
        ..packing()
    };
    let packed = packed(&rest, &keep);
    let (old, new) = (
        rest[1].mesh.uvs.as_ref().unwrap(),
        packed.model.parts[1].mesh.uvs.as_ref().unwrap(),
    );
    for (face, tag) in rest[1].mesh.face_tags.iter().enumerate() {
        assert_eq!(old[face] == new[face], *tag == timber);
    }
}

#[test]
fn threads_change_nothing() {
    let props = props();
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let packed = pool.install(|| packed(&props, &packing()));
        (packed.model, packed.maps)
    };
    let one = with(1);
    assert!(one == with(2) && one == with(7));
}

#[test]
fn what_cannot_be_packed_is_said() {
    let problem = |props: &[Prop], packing: &Packing<'_>| {
        pack(&sources(props), &[("curvature", Filter::Mixed)], packing)
            .unwrap_err()
            .to_string()
    };
    let mut props = props();
    let tight = Packing {
        size_px: 32,
        padding_px: 16,
        ..packing()
    };
    assert!(problem(&props, &tight).contains("do not fit into one map of 32 px"));
    let unknown = Packing {
        density: &[("tin", 2.0)],
        ..packing()
    };
    assert!(
        problem(&props, &unknown).contains("no face carries the tag `tin`; the mesh has iron, rope, timber")
    );
    assert!(problem(&[], &packing()).contains("nothing to pack"));
    let grey = Map::filled(8, 8, &[3], false);
    let old = std::mem::replace(&mut props[1].map, grey);
    let differ = problem(&props, &packing());
    assert!(
        differ.contains(
            "that of `bollard-a` has 3 channels of 16 bits, that of `bollard-b` has 1 channels of 8 bits"
        ),
        "{differ}"
    );
    props[1].map = old;
    props[1].mesh.uvs.as_mut().unwrap()[7] = [[0.0; 2]; 3];
    assert!(
        problem(&props, &packing()).contains("1 of 1280 faces of `bollard-b` have no UVs"),
        "{}",
        problem(&props, &packing())
    );
    props[1].mesh.uvs = None;
    assert!(problem(&props, &packing()).contains("1280 of 1280 faces of `bollard-b` have no UVs"));
}

fn gathered(values: Vec<Option<Value>>) -> Value {
    let mut all = Gathered::default();
    for (position, value) in values.into_iter().enumerate() {
        let label = LABELS[position].to_owned();
        match value {
            Some(value) => all.present.push(GatheredValue {
                position,
                label,
                value,
            }),
            None => all.missing.push((position, label)),
        }
    }
    Value::Many(Arc::new(all))
}

#[test]
fn a_variant_that_lacks_something_is_left_out_and_the_others_stand_in_a_row() {
    let props = props();
    let meshes = || {
        props
            .iter()
            .map(|prop| Some(Value::Mesh(Arc::new(prop.mesh.clone()))))
    };
    let maps = || {
        props
            .iter()
            .map(|prop| Some(Value::Map(Arc::new(prop.map.clone()))))
    };
    let settings: [(&str, Written); 3] = [
        ("size", 256.0.into()),
        ("padding", 4.0.into()),
        ("apart", 0.5.into()),
    ];
    let with = |maps: Vec<Option<Value>>| {
        run(&Context {
            call: &call("pack", &settings),
            inputs: [
                ("meshes", gathered(meshes().collect())),
                ("height", gathered(maps)),
            ]
            .into(),
            tags: &[],
        })
    };
    let mut gap: Vec<Option<Value>> = maps().collect();
    gap[1] = None;
    let produced = with(gap).unwrap();
    assert_eq!(
        (produced.figures["packed"], produced.figures["left_out"]),
        (2.0, 1.0)
    );
    let names: Vec<&str> = produced.outputs.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["mesh", "height"]);
    let Value::Model(model) = &produced.outputs[0].1 else {
        panic!()
    };
    assert_eq!(
        model
            .parts
            .iter()
            .map(|part| part.name.as_str())
            .collect::<Vec<_>>(),
        ["bollard-a", "bollard-c"]
    );
    let bounds = |part: &Part| {
        let bounds = part.mesh.bounds().unwrap();
        (bounds.least[0] + part.at[0], bounds.most[0] + part.at[0])
    };
    let (first, second) = (bounds(&model.parts[0]), bounds(&model.parts[1]));
    assert!((second.0 - first.1 - 0.5).abs() < 1e-6, "{first:?} {second:?}");
    // A map that is neither there nor missing is a mistake of the manifest.
    let fewer = with(maps().take(2).collect()).unwrap_err().to_string();
    assert!(
        fewer.contains("`bollard-c` has a mesh, but no map on `height`"),
        "{fewer}"
    );
}

#[test]
fn thin_charts_lie_as_close_as_their_padding_lets_them() {
    const STRIPS: usize = 300;
    let mut strips = Mesh {
        tags: vec!["iron".to_owned()],
        ..Mesh::default()
    };
    let mut uvs = Vec::new();
    for strip in 0..STRIPS {
        // A metre long, a centimetre wide.
        let corners = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.01], [0.0, 0.01_f32]];
        let first = strips.positions.len() as u32;
        strips
            .positions
            .extend(corners.map(|[x, y]| [x, y, strip as f32]));
        for triangle in [[0, 1, 2], [0, 2, 3_usize]] {
            strips
                .triangles
                .push(triangle.map(|corner| first + corner as u32));
            strips.face_tags.push(0);
            uvs.push(triangle.map(|corner| corners[corner].map(|metres| 0.5 * metres)));
        }
    }
    strips.uvs = Some(uvs);
    let source = Source {
        label: "strips",
        mesh: &strips,
        maps: Vec::new(),
    };
    let packed = pack(&[source], &[], &packing()).unwrap();
    assert_eq!(packed.charts, STRIPS);
    // The densest with strips side by side in columns, each on whole texels.
    let padding = 4;
    // Half the padding to either border, and one less between than strips.
    let beside = |texels: f64| SIZE / (texels as usize + 1 + padding);
    let fits = |density: &f64| beside(*density) * beside(0.01 * density) >= STRIPS;
    let best = (1..2 * SIZE)
        .rev()
        .map(|half| 0.5 * half as f64)
        .find(fits)
        .unwrap();
    assert!(
        packed.texels_per_m > 0.99 * best,
        "{} of {best}",
        packed.texels_per_m
    );
}
