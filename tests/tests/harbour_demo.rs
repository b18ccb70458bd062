//! The demo, end to end, in the way the README starts it; and what others' tools say of its results.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::LazyLock;

use tidemill_tests::{Outcome, Sandbox, outside};

/// The tags of the demo's manifest.
const TAGS: [(&str, &str); 2] = [("timber", "#E69F00"), ("iron", "#56B4E9")];

/// What one variant delivers, as endings behind its name.
const DELIVERABLES: [&str; 5] = [".game.glb", ".far.glb", "_id.png", "_curvature.png", ".card.txt"];

struct Demo {
    sandbox: Sandbox,
    outcome: Outcome,
    variants: Vec<String>,
}

/// One run of the demo, shared by the tests of this file.
static DEMO: LazyLock<Demo> = LazyLock::new(|| {
    let sandbox = Sandbox::harbour();
    let variants = sandbox
        .files("base")
        .iter()
        .filter_map(|file| file.strip_suffix(".obj"))
        .map(|stem| format!("{stem}-s11"))
        .collect();
    let outcome = sandbox.tidemill(&["run", "harbour.toml", "--json"]);
    Demo {
        sandbox,
        outcome,
        variants,
    }
});

fn family(variant: &str) -> &str {
    variant.split('-').next().expect("a family")
}

fn delivered(ending: &str) -> Vec<PathBuf> {
    let path = |variant: &String| {
        DEMO.sandbox
            .project()
            .join("out")
            .join(family(variant))
            .join(format!("{variant}{ending}"))
    };
    DEMO.variants.iter().map(path).collect()
}

/// Outputs of a step, copied out of the store under names with an extension, as (address, file).
fn stored(step: &str, output: &str, extension: &str) -> Vec<(String, PathBuf)> {
    let folder = DEMO.sandbox.root().join("stored");
    std::fs::create_dir_all(&folder).unwrap();
    let mut files = Vec::new();
    for (address, row) in DEMO.sandbox.items(&DEMO.outcome.run()) {
        if !address.ends_with(&format!("/{step}")) {
            continue;
        }
        let outputs = row["outputs"].as_array().expect("outputs");
        let made = outputs
            .iter()
            .find(|made| made["name"] == output)
            .expect("the output");
        let digest = made["digest"].as_str().expect("a digest");
        let blob = DEMO
            .sandbox
            .data()
            .join("store/blobs")
            .join(&digest[..2])
            .join(digest);
        let file = folder.join(format!("{}{extension}", address.replace('/', "_")));
        std::fs::copy(&blob, &file).unwrap_or_else(|error| panic!("{}: {error}", blob.display()));
        files.push((address, file));
    }
    assert!(!files.is_empty());
    files
}

#[test]
fn it_delivers_exactly_the_declared_files() {
    assert_eq!(DEMO.outcome.code, 0, "{:?}", DEMO.outcome);
    let families: BTreeSet<&str> = DEMO.variants.iter().map(|variant| family(variant)).collect();
    assert!(
        DEMO.variants.len() >= 9 && families.len() >= 3,
        "{:?}",
        DEMO.variants
    );
    let mut declared: Vec<String> = families
        .iter()
        .map(|family| format!("{family}/sheet-{family}.png"))
        .collect();
    for variant in &DEMO.variants {
        declared.extend(DELIVERABLES.map(|ending| format!("{}/{variant}{ending}", family(variant))));
    }
    declared.sort();
    assert_eq!(DEMO.sandbox.files("out"), declared);
}

#[test]
fn each_expensive_step_ran_exactly_once() {
    let items = DEMO.sandbox.items(&DEMO.outcome.run());
    for variant in &DEMO.variants {
        let row = &items[&format!("{variant}/weathered")];
        assert_eq!(
            (row["state"].as_str(), row["attempts"].as_u64()),
            (Some("done"), Some(1)),
            "{row}"
        );
    }
    let weathered = items
        .keys()
        .filter(|address| address.ends_with("/weathered"))
        .count();
    assert_eq!(weathered, DEMO.variants.len());
}

/// Source: the Khronos glTF validator, npm `gltf-validator`.
#[test]
fn delivered_meshes_have_no_error_and_no_warning_in_the_khronos_validator() {
    let files: Vec<PathBuf> = [delivered(".game.glb"), delivered(".far.glb")].concat();
    let mut all = files.clone();
    all.extend(
        stored("weathered", "mesh", ".glb")
            .into_iter()
            .map(|(_, file)| file),
    );
    for report in outside::validate_gltf(&all) {
        assert_eq!(
            (report["errors"].as_u64(), report["warnings"].as_u64()),
            (Some(0), Some(0)),
            "{report}"
        );
    }
    let budgets = BTreeMap::from([("bollard", 5000), ("crate", 4500)]);
    for report in outside::validate_gltf(&files) {
        let file = report["file"].as_str().unwrap();
        let budget = if file.ends_with(".far.glb") {
            if file.contains("crate") { 1200 } else { 600 }
        } else {
            *budgets
                .iter()
                .find(|(family, _)| file.contains(*family))
                .map_or(&6000, |(_, budget)| budget)
        };
        let triangles = report["triangles"].as_u64().unwrap();
        assert!(triangles <= budget && triangles > 0, "{report}");
    }
}

/// Source: `trimesh` (PyPI) on the same files.
#[test]
fn weathered_surfaces_are_closed_and_measure_the_same_elsewhere() {
    let files = stored("weathered", "mesh", ".glb");
    let paths: Vec<PathBuf> = files.iter().map(|(_, file)| file.clone()).collect();
    for ((address, file), theirs) in files.iter().zip(outside::measure_meshes(&paths)) {
        let outcome = DEMO
            .sandbox
            .tidemill(&["inspect", &file.to_string_lossy(), "--json"]);
        let ours = outcome.json().remove(0);
        assert_eq!(theirs["closed"], true, "{address}: {theirs}");
        assert_eq!(theirs["consistent"], true, "{address}: {theirs}");
        for count in ["triangles", "euler"] {
            assert_eq!(
                ours[count].as_i64(),
                theirs[count].as_i64(),
                "{address} {count}: {ours} {theirs}"
            );
        }
        assert_eq!(ours["closed"], true, "{address}");
        for measure in ["area", "volume"] {
            let (a, b) = (ours[measure].as_f64().unwrap(), theirs[measure].as_f64().unwrap());
            assert!(
                (a - b).abs() <= 1e-4 * b.abs() && b > 0.0,
                "{address} {measure}: {a} {b}"
            );
        }
    }
}

/// Source: decoded by Pillow, areas and texels counted with `numpy` (PyPI).
#[test]
fn id_maps_hold_only_tag_colours_in_the_shares_of_the_faces() {
    for (glb, png) in delivered(".game.glb").iter().zip(delivered("_id.png")) {
        let report = outside::id_map_shares(glb, &png, &TAGS);
        assert_eq!(
            report["strangers"].as_array().map(Vec::len),
            Some(0),
            "{}: {report}",
            png.display()
        );
        assert!(
            report["covered"].as_f64().unwrap() > 0.25,
            "{}: {report}",
            png.display()
        );
        for (tag, shares) in report["shares"].as_object().unwrap() {
            let (faces, map) = (shares["faces"].as_f64().unwrap(), shares["map"].as_f64().unwrap());
            assert!(
                (faces - map).abs() <= 0.01,
                "{} {tag}: {faces} of the faces, {map} of the map",
                png.display()
            );
        }
    }
}

/// Source: the program `b3sum` of the BLAKE3 authors.
#[test]
fn every_stored_blob_has_the_name_that_b3sum_gives() {
    assert_eq!(DEMO.outcome.code, 0);
    let mut blobs = Vec::new();
    for shard in std::fs::read_dir(DEMO.sandbox.data().join("store/blobs")).unwrap() {
        for blob in std::fs::read_dir(shard.unwrap().path()).unwrap() {
            blobs.push(blob.unwrap().path());
        }
    }
    assert!(blobs.len() > 60, "{}", blobs.len());
    for (blob, name) in blobs.iter().zip(outside::b3sum(&blobs)) {
        assert_eq!(blob.file_name().unwrap().to_string_lossy(), name);
    }
}

#[test]
fn a_second_run_reuses_every_item() {
    let items = DEMO.sandbox.items(&DEMO.outcome.run()).len() as u64;
    let second = DEMO.sandbox.tidemill(&["run", "harbour.toml", "--json"]);
    assert_eq!(second.code, 0, "{second:?}");
    assert_eq!((second.count("reused"), second.count("done")), (items, 0));
}

#[test]
fn the_committed_base_models_are_what_the_generator_writes() {
    let generator = tidemill_tests::sandbox::binary("examples/harbour_models");
    let mut command = std::process::Command::new(generator);
    command
        .arg("--check")
        .current_dir(tidemill_tests::sandbox::repository());
    let outcome = tidemill_tests::sandbox::finish(command);
    assert_eq!(outcome.code, 0, "{outcome:?}");
}
