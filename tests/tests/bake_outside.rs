//! Maps and UVs of a scanned model, against an independent ray caster, atlas maker, tangent maker and PNG readers.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use serde_json::Value;
use tidemill_mesh::map::Samples;
use tidemill_mesh::operations::bake::{Baking, Channel, Depth, Kind, Scalar, bake};
use tidemill_mesh::operations::unwrap::{Unwrapping, unwrap};
use tidemill_mesh::spatial::{Fans, others, point};
use tidemill_mesh::{Map, Mesh, operations, value, write};
use tidemill_ops::{Call, Setting, TagColor};
use tidemill_tests::outside;

const TAGS: [(&str, &str); 2] = [("timber", "#E69F00"), ("iron", "#56B4E9")];
const SIZE_PX: u32 = 256;
const PADDING_PX: u32 = 4;

fn colours() -> Vec<TagColor> {
    [("timber", [0xE6, 0x9F, 0x00]), ("iron", [0x56, 0xB4, 0xE9])]
        .map(|(name, rgb)| TagColor {
            name: name.to_owned(),
            rgb,
        })
        .to_vec()
}

/// The scanned model half a metre high: iron below the middle, timber above.
fn scanned() -> Mesh {
    let (mut positions, triangles) = outside::bunny();
    positions
        .iter_mut()
        .flatten()
        .for_each(|coordinate| *coordinate *= 0.05);
    let face_tags = triangles
        .iter()
        .map(|corners| {
            let height: f32 = corners.iter().map(|&corner| positions[corner as usize][1]).sum();
            u16::from(height < 0.6)
        })
        .collect();
    Mesh {
        positions,
        triangles,
        face_tags,
        tags: TAGS.map(|(name, _)| name.to_owned()).to_vec(),
        ..Mesh::default()
    }
}

fn simplified(mesh: &Mesh, triangles: u32) -> Mesh {
    let call = Call {
        op: "simplify".to_owned(),
        version: 1,
        settings: [("triangles".to_owned(), Setting::Number(f64::from(triangles)))].into(),
        inputs: [].into(),
        outputs: [].into(),
    };
    let context = operations::Context {
        call: &call,
        inputs: [("mesh", value::Value::Mesh(mesh.clone().into()))].into(),
        tags: &colours(),
    };
    let produced =
        operations::find("simplify").expect("a built-in operation")(&context).expect("a sound mesh");
    match &produced.outputs[0].1 {
        value::Value::Mesh(mesh) => (**mesh).clone(),
        other => panic!("{other:?} is no mesh"),
    }
}

fn unwrapped(mesh: &Mesh, size_px: u32, padding_px: u32) -> Mesh {
    unwrap(mesh, &Unwrapping::plain(size_px, padding_px))
        .expect("charts")
        .mesh
}

struct Pair {
    folder: tempfile::TempDir,
    high: Mesh,
    low: Mesh,
}

static PAIR: LazyLock<Pair> = LazyLock::new(|| {
    let high = scanned();
    let low = unwrapped(&simplified(&high, 1200), SIZE_PX, PADDING_PX);
    // A static is never dropped: what it leaves goes with the target folder.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a temporary folder");
    save(
        folder.path(),
        "high.glb",
        &write::glb(&high, &colours()).expect("a sound mesh"),
    );
    save(
        folder.path(),
        "low.glb",
        &write::glb(&low, &colours()).expect("a sound mesh"),
    );
    Pair { folder, high, low }
});

fn save(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    path
}

fn baked(baking: Baking<'_>) -> Vec<Map> {
    bake(&PAIR.high, &PAIR.low, &baking).expect("maps").maps
}

fn number(row: &Value, name: &str) -> f64 {
    row[name].as_f64().unwrap_or_else(|| panic!("no {name} in {row}"))
}

/// Source: PyPI `embreex` 4.4.0 casts the rays; places, normals and directions are made with `numpy`.
#[test]
fn an_independent_ray_caster_sees_the_same() {
    let (cage_m, distance_m) = (0.02, 0.15);
    let tags = colours();
    let names = ["tag-id", "position", "occlusion", "normal"];
    let maps = baked(Baking {
        maps: vec![
            Kind::TagId,
            Kind::Position,
            Kind::Scalar(Scalar::Occlusion),
            Kind::Normal,
        ],
        size: SIZE_PX,
        cage_m: Some(cage_m),
        distance_m: Some(distance_m),
        rays: 2048,
        samples: 1,
        depth: Depth::Sixteen,
        tags: &tags,
        ..Baking::default()
    });
    let folder = PAIR.folder.path();
    for (name, map) in names.iter().zip(&maps) {
        save(
            folder,
            &format!("{name}.png"),
            &map.to_png().expect("a sound map"),
        );
    }
    let (high, low) = (folder.join("high.glb"), folder.join("low.glb"));
    let seen = outside::cast_rays(&high, &low, folder, cage_m, distance_m, &TAGS);
    println!("{seen}");
    assert!(number(&seen, "met") >= 0.99 * number(&seen, "texels"), "{seen}");
    assert!(number(&seen, "ids_equal") >= 0.995, "{seen}");
    assert!(number(&seen, "position_apart_within_1mm") >= 0.99, "{seen}");
    assert!(number(&seen, "normal_within_1_degree") >= 0.99, "{seen}");
    assert!(number(&seen, "occlusion_mean_difference") <= 0.01, "{seen}");
    // Without anything in the way the comparison would say nothing.
    assert!(number(&seen, "occlusion_mean") < 0.97, "{seen}");
}

/// Source: PyPI `pypng` 0.20220715.0 and Pillow 13.0.0.
#[test]
fn other_libraries_read_the_same_samples() {
    let tags = colours();
    let scalars = [
        Some(Scalar::Curvature),
        Some(Scalar::Occlusion),
        Some(Scalar::Height),
    ];
    let mut pairs = Vec::new();
    let mut expected = Vec::new();
    for (depth, bits, alpha) in [
        (Depth::Eight, 8, None),
        (Depth::Sixteen, 16, Some(Scalar::Thickness)),
    ] {
        let maps = baked(Baking {
            maps: vec![
                Kind::TagId,
                Kind::Scalar(Scalar::Height),
                Kind::Normal,
                Kind::Packed,
            ],
            size: 64,
            rays: 4,
            depth,
            packed: [scalars[0], scalars[1], scalars[2], alpha].map(|scalar| scalar.map(Channel::Scalar)),
            tags: &tags,
            ..Baking::default()
        });
        for (index, map) in maps.iter().enumerate() {
            let name = format!("read-{bits}-{index}");
            let raw: Vec<u8> = match &map.data {
                Samples::Eight(bytes) => bytes
                    .iter()
                    .flat_map(|&byte| u16::from(byte).to_le_bytes())
                    .collect(),
                Samples::Sixteen(samples) => samples.iter().flat_map(|sample| sample.to_le_bytes()).collect(),
            };
            let folder = PAIR.folder.path();
            pairs.push((
                save(
                    folder,
                    &format!("{name}.png"),
                    &map.to_png().expect("a sound map"),
                ),
                save(folder, &format!("{name}.raw"), &raw),
            ));
            let channels = [3, 1, 3, 3 + u64::from(alpha.is_some())][index];
            expected.push((channels, if index == 0 { 8 } else { bits }, index == 0));
        }
    }
    let rows = outside::read_pngs(&pairs);
    assert_eq!(rows.len(), expected.len());
    for (row, (channels, bits, colour)) in rows.iter().zip(expected) {
        assert_eq!(row["channels"], channels, "{row}");
        assert_eq!(row["bits"], bits, "{row}");
        assert_eq!(row["pypng_equal"], true, "{row}");
        assert_ne!(row["pillow_equal"], false, "{row}");
        let chunks: Vec<&str> = row["chunks"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .collect();
        assert_eq!(chunks.contains(&"sRGB"), colour, "{row}");
        assert!(colour || !chunks.contains(&"gAMA"), "{row}");
        assert!(!chunks.contains(&"iCCP"), "{row}");
    }
}

/// Source: PyPI `xatlas` 0.0.11; stretch after Sander et al. 2001, worked out with `numpy`.
#[test]
fn charts_do_not_overlap_and_stretch_as_little_as_an_independent_atlas() {
    let mut one_tag = scanned();
    one_tag.face_tags.fill(0);
    let folder = PAIR.folder.path();
    let file = |name: &str, mesh: &Mesh| {
        let mesh = unwrapped(mesh, 1024, 2);
        save(
            folder,
            name,
            &write::glb(&mesh, &colours()).expect("a sound mesh"),
        )
    };
    let rows = outside::compare_unwraps(
        &[
            file("scan.glb", &one_tag),
            file("low-scan.glb", &simplified(&one_tag, 1200)),
            file("tags.glb", &scanned()),
        ],
        1024,
        2,
    );
    for row in &rows {
        println!("{row}");
        assert_eq!(row["overlapping_texels"], 0, "{row}");
        assert_eq!(row["outside"], 0, "{row}");
    }
    let bunny = &rows[0];
    assert!(
        number(bunny, "stretch") <= 1.05 * number(bunny, "stretch_xatlas"),
        "{bunny}"
    );
    assert!(
        number(bunny, "coverage") >= 0.95 * number(bunny, "coverage_xatlas"),
        "{bunny}"
    );
}

/// Source: npm `mikktspace` 1.1.1.
#[test]
fn tangents_are_those_of_an_independent_mikktspace() {
    let folder = PAIR.folder.path();
    let files = [
        folder.join("low.glb"),
        save(
            folder,
            "whole.glb",
            &write::glb(&unwrapped(&scanned(), 1024, 2), &colours()).expect("a sound mesh"),
        ),
    ];
    for row in outside::compare_tangents(&files) {
        println!("{row}");
        assert!(number(&row, "corners") > 3000.0, "{row}");
        assert_eq!(row["other_signs"], 0, "{row}");
        assert!(number(&row, "worst_degrees") < 0.1, "{row}");
    }
}

/// Source: Gauss-Bonnet: the angles that lack to a full turn add up to 2 pi times the Euler characteristic, which is 2 here.
/// The fans of corners counted over are those that curvature is worked out from.
#[test]
fn angles_of_a_scanned_model_meet_gauss_bonnet() {
    let mesh = scanned();
    let positions: Vec<_> = mesh.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&mesh.triangles, positions.len());
    let mut lacking = 0.0;
    for (vertex, &here) in positions
        .iter()
        .enumerate()
        .filter(|(vertex, _)| !fans.of(*vertex).is_empty())
    {
        lacking += std::f64::consts::TAU;
        for &corner in fans.of(vertex) {
            let [b, c] = others(corner, &mesh.triangles).map(|other| positions[other as usize] - here);
            lacking -= b.angle_between(c);
        }
    }
    assert!((lacking - 4.0 * std::f64::consts::PI).abs() < 1e-9, "{lacking}");
}
