//! Small manifests and models for tests: the same shape as the demo, quick to run.

use crate::Sandbox;

/// A closed box with timber sides and an iron lid: `width` x 0.6 x 0.4 m, standing on the ground.
pub fn box_model(width: f64) -> String {
    format!(
        "# an invented box\n\
         v 0 0 0\nv {width} 0 0\nv {width} 0.6 0\nv 0 0.6 0\n\
         v 0 0 0.4\nv {width} 0 0.4\nv {width} 0.6 0.4\nv 0 0.6 0.4\n\
         usemtl timber\n\
         f 1 4 3 2\nf 5 6 7 8\nf 1 2 6 5\nf 1 5 8 4\nf 2 3 7 6\n\
         usemtl iron\n\
         f 4 8 7 3\n"
    )
}

/// The recipe in small: weathered, game, maps, an external program, a sheet for each family.
pub const RECIPE: &str = r##"[manifest]
name = "quay"

[variants]
models = "base/*.obj"
units = "m"
up = "y"
fields = "{family}-{size}"
name = "{stem}"
tags = { timber = "#E69F00", iron = "#56B4E9" }

[step.weathered]
from = { model = "{model}" }
ops = [
  { op = "remesh", voxel = 0.05 },
  { op = "wear", depth = 0.02, on = "timber" },
  { op = "displace", amplitude = 0.004, frequency = 6.0, on = "iron" },
]
makes = { mesh = "{variant}.weathered.glb" }
needs = { memory = "200 MiB", cores = 1 }

[step.game]
from = { mesh = "weathered.mesh" }
ops = [{ op = "simplify", triangles = 300 }, { op = "unwrap", size = 128, padding = 2 }]
makes = { mesh = "{variant}.game.glb" }

[step.maps]
from = { high = "weathered.mesh", low = "game.mesh" }
ops = [{ op = "bake", maps = ["tag-id", "curvature"], size = 128 }]
makes = { tag-id = "{variant}_id.png", curvature = "{variant}_curvature.png" }

[step.copied]
from = { map = "maps.tag-id" }
program = ["cp", "{map}", "{copy}"]
makes = { copy = "{variant}_id_copy.png" }

[step.sheet]
each = "family"
from = { maps = "copied.copy" }
ops = [{ op = "sheet", columns = 2, cell = 64 }]
makes = { sheet = "sheet-{family}.png" }
partial = true

[deliver]
to = "out/{family}"
what = ["game.mesh", "maps.tag-id", "maps.curvature", "copied.copy", "sheet.sheet"]
"##;

/// Names of the variants in [`quay`].
pub const VARIANTS: [&str; 4] = ["crate-large", "crate-small", "trough-large", "trough-small"];

/// Steps that run once for each variant in [`quay`].
pub const STEPS: [&str; 4] = ["weathered", "game", "maps", "copied"];

/// A project of four models in two families, with [`RECIPE`] as `manifest.toml`.
pub fn quay() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", RECIPE);
    for (name, width) in VARIANTS.iter().zip([1.0, 0.5, 1.2, 0.7]) {
        sandbox.write(&format!("base/{name}.obj"), box_model(width));
    }
    sandbox
}

/// A project, below `folder`, of `count` small text files that a program copies, one item each.
pub fn copies(folder: &std::path::Path, count: usize) -> Sandbox {
    let sandbox = Sandbox::below(folder);
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "copies"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.copy]
from = { file = "{model}" }
program = ["cp", "{file}", "{copy}"]
makes = { copy = "{variant}.copy.txt" }
needs = { memory = "4 MiB", cores = 1 }
"#,
    );
    for number in 0..count {
        sandbox.write(
            &format!("base/note-{number:06}.txt"),
            format!("bale {number} of an invented cargo\n"),
        );
    }
    sandbox
}
