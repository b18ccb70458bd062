//! What goes into a game beside the mesh: maps inside its file, and collision shapes. Checked by the Khronos glTF validator
//! (npm `gltf-validator`), Pillow, `scipy` (Qhull) and `trimesh` (PyPI).

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::PathBuf;

use serde_json::Value;
use sha2::{Digest as _, Sha256};
use tidemill_tests::{Sandbox, outside};

const RECIPE: &str = r##"[manifest]
name = "bumps"

[variants]
models = "base/bollard-small.obj"
units = "m"
fields = "{family}-{size}"
name = "{stem}"
tags = { timber = "#E69F00", iron = "#56B4E9" }

[step.game]
from = { mesh = "{model}" }
ops = [{ op = "simplify", triangles = 400 }, { op = "unwrap", size = 128, padding = 2 }]
makes = { mesh = "{variant}.game.glb" }

[step.maps]
from = { high = "{model}", low = "game.mesh" }
ops = [{ op = "bake", maps = ["tag-id", "normal", "occlusion"], size = 128 }]
makes = { tag-id = "{variant}_id.png", normal = "{variant}_normal.png", occlusion = "{variant}_occlusion.png" }

[step.dressed]
from = { mesh = "game.mesh", color = "maps.tag-id", normal = "maps.normal", occlusion = "maps.occlusion" }
ops = [{ op = "dress", name = "{variant}" }]
makes = { mesh = "{variant}.dressed.glb" }

[step.packed]
from = { high = "{model}", low = "game.mesh" }
ops = [{ op = "bake", maps = ["occlusion", "thickness", "curvature", "packed"], size = 128, packed-red = "occlusion", packed-green = "thickness", packed-blue = "curvature" }]
makes = { packed = "{variant}_orm.png", occlusion = "{variant}_r.png", thickness = "{variant}_g.png", curvature = "{variant}_b.png" }

[step.rough]
from = { mesh = "game.mesh", occlusion = "packed.packed" }
ops = [{ op = "dress", in = { occlusion = "occlusion", roughness-metal = "occlusion" }, roughness = 1.0, metal = 1.0 }]
makes = { mesh = "{variant}.rough.glb" }

[step.bump]
from = { mesh = "{model}" }
ops = [{ op = "collide", hulls = 6, triangles = 40, name = "{variant}-#" }]
makes = { mesh = "{variant}.bump.glb" }

[step.hull]
from = { mesh = "{model}" }
ops = [{ op = "collide", triangles = 2000 }]
makes = { mesh = "{variant}.hull.glb" }

[step.box]
from = { mesh = "{model}" }
ops = [{ op = "collide", form = "box", name = "box" }]
makes = { mesh = "{variant}.box.glb" }

[deliver]
to = "out"
what = ["dressed.mesh", "rough.mesh", "packed.packed", "packed.occlusion", "packed.thickness", "packed.curvature", "bump.mesh", "hull.mesh", "box.mesh", "maps.tag-id", "maps.normal", "maps.occlusion"]
"##;

#[test]
fn dressed_meshes_hold_their_maps_and_collision_shapes_are_convex_and_around_the_model() {
    let demo = Sandbox::harbour();
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", RECIPE);
    for file in ["bollard-small.obj", "harbour.mtl"] {
        sandbox.write(&format!("base/{file}"), demo.read(&format!("base/{file}")));
    }
    let run = sandbox.run(&[]);
    assert_eq!((run.code, run.count("done")), (0, 8), "{run:?}");
    let out = |name: &str| sandbox.project().join("out").join(format!("bollard-small{name}"));
    let shapes: Vec<PathBuf> = [".bump.glb", ".hull.glb", ".box.glb"].map(out).to_vec();

    let mut all = shapes.clone();
    all.extend([out(".dressed.glb"), out(".rough.glb")]);
    for report in outside::validate_gltf(&all) {
        assert_eq!(
            (&report["errors"], &report["warnings"]),
            (&0.into(), &0.into()),
            "{report}"
        );
    }

    let dressed = outside::read_dressed(&[out(".dressed.glb")]).remove(0);
    let material = &dressed["materials"][0];
    assert_eq!(dressed["materials"].as_array().unwrap().len(), 1, "{dressed}");
    assert_eq!(material["name"], "bollard-small");
    let picture = |place: &Value| {
        let source = &dressed["textures"][place["index"].as_u64().unwrap() as usize];
        dressed["images"][source.as_u64().unwrap() as usize].clone()
    };
    for (place, file) in [
        (&material["pbrMetallicRoughness"]["baseColorTexture"], "_id.png"),
        (&material["normalTexture"], "_normal.png"),
        (&material["occlusionTexture"], "_occlusion.png"),
    ] {
        let picture = picture(place);
        assert_eq!(picture["size"], serde_json::json!([128, 128]), "{file}");
        let delivered = Sha256::digest(std::fs::read(out(file)).unwrap());
        let words: String = delivered.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(picture["sha256"], words, "{file} is inside as it was baked");
    }

    // Roughness in green and metal in blue, as another reader sees them: each channel is the map that was packed into it.
    let rough = outside::read_dressed(&[out(".rough.glb")]).remove(0);
    let pbr = &rough["materials"][0]["pbrMetallicRoughness"];
    assert_eq!(
        (
            &pbr["metallicRoughnessTexture"]["index"],
            &rough["images"].as_array().unwrap().len()
        ),
        (&rough["materials"][0]["occlusionTexture"]["index"], &1),
        "one picture for both: {rough}"
    );
    let means: Vec<f64> = ["_r.png", "_g.png", "_b.png"]
        .map(|name| mean_of(&out(name)))
        .into();
    for (channel, mean) in means.iter().enumerate() {
        let seen = rough["channels"][channel].as_f64().unwrap();
        assert!(
            (seen - mean).abs() < 1e-6,
            "channel {channel}: {seen}, not {mean}"
        );
    }
    assert!(
        (means[0] - means[1]).abs() > 1.0
            && (means[1] - means[2]).abs() > 1.0
            && (means[0] - means[2]).abs() > 1.0,
        "maps so alike would hide a mistake: {means:?}"
    );

    let measured = outside::measure_hulls(&sandbox.project().join("base/bollard-small.obj"), &shapes);
    for shape in &measured {
        for node in shape["nodes"].as_array().unwrap() {
            let (own, hull) = (node["own"].as_f64().unwrap(), node["hull"].as_f64().unwrap());
            assert_eq!(node["closed"], true, "{shape}");
            assert!(
                own > 0.0 && (own / hull - 1.0).abs() < 1e-4,
                "convex and outward: {node}"
            );
        }
    }
    let volume = |shape: &Value| -> f64 {
        shape["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|node| node["own"].as_f64().unwrap())
            .sum()
    };
    let [bump, hull, around] = [&measured[0], &measured[1], &measured[2]];
    let model_hull = hull["model_hull"].as_f64().unwrap();
    assert!(
        (volume(hull) / model_hull - 1.0).abs() < 1e-4,
        "the hull that Qhull makes: {hull}"
    );
    assert!(hull["outside"].as_f64().unwrap() < 1e-5 && around["outside"].as_f64().unwrap() < 1e-5);
    assert_eq!(around["nodes"][0]["triangles"], 12);
    // Six hulls lie closer than one; each keeps within its triangles.
    let nodes = bump["nodes"].as_array().unwrap();
    assert!((2..=6).contains(&nodes.len()), "{bump}");
    assert!(
        nodes.iter().all(|node| node["triangles"].as_u64().unwrap() <= 40),
        "{bump}"
    );
    assert!(
        nodes.iter().any(|node| node["name"] == "bollard-small-1"),
        "{bump}"
    );
    assert!(
        volume(bump) < 0.8 * model_hull,
        "{} of {model_hull}",
        volume(bump)
    );
}

/// The mean sample of a map of one channel.
fn mean_of(file: &std::path::Path) -> f64 {
    let map = tidemill_mesh::Map::from_png(&std::fs::read(file).unwrap()).unwrap();
    assert_eq!(map.channels, 1);
    match &map.data {
        tidemill_mesh::map::Samples::Eight(samples) => {
            samples.iter().map(|sample| f64::from(*sample)).sum::<f64>() / samples.len() as f64
        }
        tidemill_mesh::map::Samples::Sixteen(_) => panic!("8 bits"),
    }
}
