//! Several variants on one set of maps, through a real run: looked at by the Khronos glTF validator (npm `gltf-validator`), Pillow
//! (PyPI) and a rasteriser and sampler in `numpy`.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::path::PathBuf;

use tidemill_tests::{Sandbox, outside};

const RECIPE: &str = r##"[manifest]
name = "one-set"

[variants]
models = "base/crate-*.obj"
units = "m"
fields = "{family}-{size}"
name = "{stem}"
tags = { timber = "#E69F00", iron = "#56B4E9" }

[step.high]
from = { mesh = "{model}" }
ops = [
  { op = "remesh", voxel = 0.02 },
  { op = "displace", amplitude = 0.01, frequency = 10.0 },
]
makes = { mesh = "{variant}.high.glb" }

[step.game]
from = { mesh = "high.mesh" }
ops = [
  { op = "simplify", triangles = 1500 },
  { op = "unwrap", size = 512, padding = 4 },
]
makes = { mesh = "{variant}.game.glb" }

[step.maps]
from = { high = "high.mesh", low = "game.mesh" }
ops = [{ op = "bake", maps = ["tag-id", "normal", "position"], size = 512 }]
makes = { tag-id = "{variant}_id.png", normal = "{variant}_normal.png", position = "{variant}_position.png" }

[step.set]
each = "family"
from = { meshes = "game.mesh", tag-id = "maps.tag-id", normal = "maps.normal", position = "maps.position" }
ops = [
  { op = "pack", size = 1024, padding = 8 },
  { op = "dress", name = "{family}", in = { color = "tag-id" }, as = "dressed" },
]
makes = { mesh = "{family}.glb", dressed = "{family}.dressed.glb", tag-id = "{family}_id.png", normal = "{family}_normal.png", position = "{family}_position.png" }

[deliver]
to = "out"
what = ["game.mesh", "maps.tag-id", "maps.normal", "maps.position", "set.mesh", "set.dressed", "set.tag-id", "set.normal", "set.position"]
"##;

#[test]
fn one_set_of_maps_shows_on_every_variant_what_its_own_maps_showed() {
    let demo = Sandbox::harbour();
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", RECIPE);
    for file in [
        "crate-small.obj",
        "crate-medium.obj",
        "crate-large.obj",
        "harbour.mtl",
    ] {
        sandbox.write(&format!("base/{file}"), demo.read(&format!("base/{file}")));
    }
    let run = sandbox.run(&[]);
    assert_eq!((run.code, run.count("done")), (0, 10), "{run:?}");
    let out = |name: String| -> PathBuf { sandbox.project().join("out").join(name) };
    for report in outside::validate_gltf(&[out("crate.glb".into()), out("crate.dressed.glb".into())]) {
        assert_eq!(
            (&report["errors"], &report["warnings"]),
            (&0.into(), &0.into()),
            "{report}"
        );
    }
    let dressed = outside::read_dressed(&[out("crate.dressed.glb".into())]).remove(0);
    assert_eq!(
        dressed["nodes"],
        serde_json::json!(["crate-large", "crate-medium", "crate-small"]),
        "{dressed}"
    );
    assert_eq!(dressed["materials"].as_array().unwrap().len(), 1);
    assert_eq!(dressed["images"].as_array().unwrap().len(), 2);
    for (kind, map, most, least_unmatched) in [
        ("id", "id", 0.02, 0.1),
        ("direction", "normal", 3.0, 6.0),
        ("value", "position", 0.012, 0.2),
    ] {
        let old: Vec<(PathBuf, PathBuf)> = ["large", "medium", "small"]
            .map(|size| {
                (
                    out(format!("crate-{size}.game.glb")),
                    out(format!("crate-{size}_{map}.png")),
                )
            })
            .to_vec();
        let new = (out("crate.glb".into()), out(format!("crate_{map}.png")));
        let row = outside::compare_pack(kind, (&new.0, &new.1), &old);
        println!("{row}");
        assert_eq!(row["faces_left"], 0, "{row}");
        assert_eq!(row["overlapping_texels"], 0, "{row}");
        assert_eq!(row["outside"], 0, "{row}");
        assert!(row["covered"].as_f64().unwrap() > 0.3, "{row}");
        let densities: Vec<f64> = row["densities"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| one.as_f64().unwrap())
            .collect();
        let (least, most_dense) = densities
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(least, most), &one| {
                (least.min(one), most.max(one))
            });
        assert!(densities.len() == 3 && most_dense / least < 1.001, "{row}");
        assert!(row["apart"].as_f64().unwrap() <= most, "{row}");
        assert!(
            row["apart_unmatched"].as_f64().unwrap() >= least_unmatched,
            "the points differ: {row}"
        );
        if kind == "id" {
            assert_eq!(row["new_colours"], 0, "{row}");
        }
    }
}
