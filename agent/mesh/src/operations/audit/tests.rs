use super::*;
use crate::Mesh;
use crate::operations::testing::{Written, call};
use crate::operations::unwrap::{Unwrapping, unwrap};
use crate::test_shapes::{cuboid, together};

fn block() -> Mesh {
    let parts = [
        cuboid([0.0; 3], [1.0; 3], "timber"),
        cuboid([2.0, 0.0, 0.0], [3.0, 1.0, 1.0], "iron"),
    ];
    let unwrapping = Unwrapping::plain(256, 4);
    unwrap(&together(&parts), &unwrapping).unwrap().mesh
}

fn with_maps(
    mesh: &Mesh,
    maps: &[(&'static str, Map)],
    settings: &[(&str, Written)],
) -> Result<Produced, OperationError> {
    let mut inputs: BTreeMap<&str, Value> = [("mesh", Value::Mesh(mesh.clone().into()))].into();
    for (port, map) in maps {
        inputs.insert(port, Value::Map(map.clone().into()));
    }
    run(&Context {
        call: &call("audit", settings),
        inputs,
        tags: &[],
    })
}

fn with(mesh: &Mesh, settings: &[(&str, Written)]) -> Result<Produced, OperationError> {
    with_maps(mesh, &[], settings)
}

fn json(produced: &Produced) -> serde_json::Value {
    let Value::Data(json) = &produced.outputs[0].1 else {
        panic!("no data")
    };
    serde_json::from_str(json).unwrap()
}

#[test]
fn a_mesh_within_its_budgets_passes_and_says_by_how_much() {
    let settings = [
        ("triangles", 24.0.into()),
        ("size", 256.0.into()),
        ("density_least", 1.0.into()),
        ("mean_density_most", 100.0.into()),
        ("overlap", 0.0.into()),
        ("padding", 4.0.into()),
        ("closed", true.into()),
        ("shares", ["iron 0.49 to 0.51", "timber at least 0.4"].into()),
        ("densities", ["iron at least 20"].into()),
        ("tags", ["iron", "timber"].into()),
        ("materials", "*i*".into()),
    ];
    let produced = with(&block(), &settings).unwrap();
    assert_eq!(produced.failure, None);
    let audit = json(&produced);
    assert_eq!(audit["pass"], true);
    let budgets = audit["budgets"].as_array().unwrap();
    assert_eq!(budgets.len(), 12, "{audit}");
    assert!(budgets.iter().all(|budget| budget["pass"] == true));
    assert_eq!(
        (&budgets[0]["figure"], &budgets[0]["most"]),
        (&24.0.into(), &24.0.into())
    );
    // Twelve square metres and at most 256 x 256 texels; all faces of a cube are alike.
    let density = produced.figures["mean_texels_per_m"];
    assert!(density > 30.0 && density < 256.0 / 12.0_f64.sqrt(), "{density}");
    assert!((produced.figures["least_texels_per_m"] / density - 1.0).abs() < 0.02);
    assert!((produced.figures["share_of_iron"] - 0.5).abs() < 1e-9);
    assert!(produced.figures["texels_between_charts"] < 16.0);
}

#[test]
fn every_broken_budget_is_named_with_its_figure_and_limit_and_all_are_kept() {
    let mut mesh = block();
    mesh.triangles.pop();
    mesh.face_tags.pop();
    let uvs = mesh.uvs.as_mut().unwrap();
    uvs.pop();
    uvs[1] = uvs[0];
    let settings = [
        ("triangles", 20.0.into()),
        ("size", 256.0.into()),
        ("density_least", 1000.0.into()),
        ("density_most", 2.0.into()),
        ("overlap", 0.0.into()),
        ("padding", 90.0.into()),
        ("closed", true.into()),
        ("shares", ["rope at least 0.1", "iron at most 0.9"].into()),
        ("tags", ["timber"].into()),
        ("materials", "MAT_*".into()),
    ];
    let produced = with(&mesh, &settings).unwrap();
    let failure = produced.failure.clone().unwrap();
    for part in [
        "breaks 10 of 11",
        "triangles is 23 (at most 20)",
        "closed is 0 (must be 1)",
        "(at least 1000)",
        "most texels per m is",
        "(at most 2)",
        "uv overlap is 0.",
        "texels between charts is",
        "texels to the border is",
        "share of rope is 0 (at least 0.1)",
        "faces of other tags is 11 (at most 0): iron",
        "materials unlike the pattern is 2 (at most 0): iron, timber",
    ] {
        assert!(failure.contains(part), "{part}: {failure}");
    }
    let audit = json(&produced);
    assert_eq!(audit["pass"], false);
    let budgets = audit["budgets"].as_array().unwrap();
    let broken = budgets.iter().filter(|budget| budget["pass"] == false);
    assert_eq!((broken.count(), budgets.len()), (10, 11));
}

#[test]
fn kept_uvs_may_overlap_and_lie_anywhere_and_only_limits_that_name_their_tag_look_at_them() {
    let mut mesh = block();
    let iron = mesh.tag_index("iron").unwrap();
    // A trim sheet: all faces of iron at one place, beyond the border, ten times as dense as the map allows.
    let uvs = mesh.uvs.as_mut().unwrap();
    for (face, uvs) in uvs.iter_mut().enumerate() {
        if mesh.face_tags[face] == iron {
            *uvs = [[0.5, 0.5], [3.0, 0.5], [0.5, 3.0]];
        }
    }
    let budgets = [
        ("size", 256.0.into()),
        ("overlap", 0.0.into()),
        ("padding", 4.0.into()),
        ("density_most", 100.0.into()),
        ("mean_density_most", 100.0.into()),
    ];
    let with_keep = |keep: &[(&str, Written)]| with(&mesh, &[&budgets[..], keep].concat());
    let all = with_keep(&[]).unwrap();
    assert!(all.failure.unwrap().contains("breaks 5 of 5"));
    let kept = with_keep(&[("keep", ["iron"].into())]).unwrap();
    assert_eq!(kept.failure, None);
    // The figures are those of a mesh that has no such faces.
    let timber: Vec<usize> = (0..mesh.triangles.len())
        .filter(|&face| mesh.face_tags[face] != iron)
        .collect();
    let alone = Mesh {
        triangles: timber.iter().map(|&face| mesh.triangles[face]).collect(),
        face_tags: timber.iter().map(|&face| mesh.face_tags[face]).collect(),
        uvs: Some(
            timber
                .iter()
                .map(|&face| mesh.uvs.as_ref().unwrap()[face])
                .collect(),
        ),
        ..mesh.clone()
    };
    assert_eq!(kept.figures, with(&alone, &budgets).unwrap().figures);
    let named = [
        ("keep", ["iron"].into()),
        ("densities", ["iron at most 100"].into()),
    ];
    let failure = with_keep(&named).unwrap().failure.unwrap();
    assert!(failure.contains("breaks 1 of 6") && failure.contains("most texels per m on iron"));
    let none_left = with_keep(&[("keep", ["iron", "timber"].into())]).unwrap_err();
    assert!(none_left.to_string().contains("leaves no face"), "{none_left}");
    let absent = with_keep(&[("keep", ["rope"].into())]).unwrap_err();
    assert!(matches!(absent, OperationError::TagAbsent { .. }), "{absent}");
}

#[test]
fn the_range_of_densities_is_that_of_faces_and_outliers_are_left_out() {
    let mut mesh = block();
    // One face of 24 alike gets a quarter of the texels: 1/24 of the area.
    let uvs = mesh.uvs.as_mut().unwrap();
    uvs[0] = uvs[0].map(|uv| uv.map(|coordinate| coordinate * 0.5));
    let range = |outliers: f64| {
        let settings = [
            ("size", 256.0.into()),
            ("density_least", 0.0.into()),
            ("density_most", 1.0e9.into()),
            ("outliers", outliers.into()),
        ];
        let figures = with(&mesh, &settings).unwrap().figures;
        (figures["least_texels_per_m"], figures["most_texels_per_m"])
    };
    let (least, most) = range(0.0);
    assert!((least / most - 0.5).abs() < 0.01, "{least} {most}");
    let (without, most) = range(0.05);
    assert!((without / most - 1.0).abs() < 0.01, "{without} {most}");
}

#[test]
fn sizes_of_maps_are_judged_each_by_its_name() {
    let map = |width, height| Map::filled(width, height, &[0], false);
    let settings = [
        ("powers_of_two", true.into()),
        ("map_size_least", 128.0.into()),
        ("map_size_most", 512.0.into()),
    ];
    let maps = [("tag-id", map(256, 512)), ("normal", map(1000, 1024))];
    let produced = with_maps(&block(), &maps, &settings).unwrap();
    let failure = produced.failure.unwrap();
    for part in [
        "breaks 2 of 6",
        "sides of normal that are no power of two is 1 (at most 0): 1000 px",
        "longer side of normal is 1024 (at most 512)",
    ] {
        assert!(failure.contains(part), "{part}: {failure}");
    }
}

#[test]
fn names_are_those_of_groups() {
    let text = "o UCX_crate_00\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\no crate\nf 3 2 1\n";
    let file = crate::read::ModelFile {
        bytes: text.as_bytes(),
        extension: ".obj",
        companions: &BTreeMap::new(),
    };
    let mesh = crate::read::read_mesh(&file, crate::read::Placement::default()).unwrap();
    let kept = with(&mesh, &[("names", "*crate*".into())]).unwrap();
    assert_eq!(kept.failure, None);
    let broken = with(&mesh, &[("names", "UCX_*".into())]).unwrap();
    assert!(broken.failure.unwrap().contains("is 1 (at most 0): crate"));
}

#[test]
fn budgets_that_cannot_be_judged_say_what_is_missing() {
    let plain = cuboid([0.0; 3], [1.0; 3], "timber");
    let cases: [(&[(&str, Written)], &str); 6] = [
        (&[], "no budget"),
        (&[("overlap", 0.0.into())], "unwrap"),
        (&[("padding", 2.0.into())], "unwrap"),
        (&[("powers_of_two", true.into())], "no map is given"),
        (&[("names", "a*".into())], "no node, group or object"),
        (&[("shares", ["timber"].into())], "at least"),
    ];
    for (settings, part) in cases {
        let refused = with(&plain, settings).unwrap_err().to_string();
        assert!(refused.contains(part), "{refused}");
    }
}
