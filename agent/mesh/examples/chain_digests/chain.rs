//! A recipe as a dock prop gets it, from the model to the maps, and short digests of all that it writes.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use tidemill_mesh::chain::{ChainError, run_chain};
use tidemill_ops::declare::Default as Preset;
use tidemill_ops::{Call, Chain, ChainInput, ChainOutput, InputFile, Setting, TagColor};

/// An invented crate: planks of timber that touch and overlap, straps of iron.
fn model() -> String {
    let mut text = String::new();
    let mut corners = 0;
    let mut cuboid = |low: [f64; 3], high: [f64; 3], tag: &str| {
        for corner in 0..8 {
            let place = [0, 1, 2].map(|axis| {
                if corner >> axis & 1 == 1 {
                    high[axis]
                } else {
                    low[axis]
                }
            });
            // Writing to a string cannot fail.
            let _ = writeln!(text, "v {} {} {}", place[0], place[1], place[2]);
        }
        let _ = writeln!(text, "usemtl {tag}");
        for quad in [
            [0, 2, 3, 1],
            [4, 5, 7, 6],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 4, 6, 2],
            [1, 3, 7, 5],
        ] {
            let [a, b, c, d] = quad.map(|corner| corner + corners + 1);
            let _ = writeln!(text, "f {a} {b} {c} {d}");
        }
        corners += 8;
    };
    for side in 0..2 {
        let z = f64::from(side) * 0.46;
        for plank in 0..4 {
            let y = f64::from(plank) * 0.125;
            cuboid([0.0, y, z], [0.8, y + 0.123, z + 0.04], "timber");
            let x = f64::from(side) * 0.76;
            cuboid([x, y, 0.0], [x + 0.04, y + 0.123, 0.5], "timber");
        }
        let (front, back) = if side == 0 { (-0.01, 0.02) } else { (0.48, 0.51) };
        cuboid([0.06, 0.0, front], [0.12, 0.498, back], "iron");
        cuboid([0.68, 0.0, front], [0.74, 0.498, back], "iron");
    }
    cuboid([0.0, 0.0, 0.0], [0.8, 0.03, 0.5], "timber");
    cuboid([0.0, 0.47, 0.0], [0.8, 0.5, 0.5], "timber");
    text
}

fn call(op: &str, settings: &[(&str, Setting)], inputs: &[(&str, &str)], outputs: &[(&str, &str)]) -> Call {
    let declaration = tidemill_ops::find(op);
    let presets = declaration
        .map_or(&[][..], |declaration| declaration.settings)
        .iter()
        .filter_map(|setting| {
            let value = match setting.default {
                Preset::Required | Preset::Absent => return None,
                Preset::Number(number) => Setting::Number(number),
                Preset::Flag(flag) => Setting::Flag(flag),
                Preset::Word(word) => Setting::Text(word.to_owned()),
            };
            Some((setting.name.to_owned(), value))
        });
    let mut all: BTreeMap<String, Setting> = presets.collect();
    all.extend(
        settings
            .iter()
            .map(|(name, value)| ((*name).to_owned(), value.clone())),
    );
    let names = |pairs: &[(&str, &str)]| {
        pairs
            .iter()
            .map(|(port, value)| ((*port).to_owned(), (*value).to_owned()))
            .collect()
    };
    Call {
        op: op.to_owned(),
        version: declaration.map_or(0, |declaration| declaration.version),
        settings: all,
        inputs: names(inputs),
        outputs: names(outputs),
    }
}

const MAPS: [&str; 7] = [
    "tag-id",
    "normal",
    "position",
    "curvature",
    "occlusion",
    "height",
    "thickness",
];

fn recipe() -> Vec<Call> {
    let number = Setting::Number;
    let text = |word: &str| Setting::Text(word.to_owned());
    let high = [("mesh", "high")];
    let low = [("mesh", "low")];
    vec![
        call("remesh", &[("voxel", number(0.008))], &[("mesh", "model")], &high),
        call(
            "wear",
            &[
                ("depth", number(0.012)),
                ("seed", number(11.0)),
                ("on", text("timber")),
            ],
            &high,
            &high,
        ),
        call(
            "displace",
            &[
                ("amplitude", number(0.004)),
                ("frequency", number(12.0)),
                ("seed", number(11.0)),
                ("on", text("iron")),
            ],
            &high,
            &high,
        ),
        call("simplify", &[("triangles", number(3000.0))], &high, &low),
        call("unwrap", &[("size", number(256.0))], &low, &low),
        call(
            "bake",
            &[
                ("maps", Setting::List(MAPS.map(text).into())),
                ("size", number(256.0)),
                ("rays", number(16.0)),
            ],
            &[("high", "high"), ("low", "low")],
            &[],
        ),
        call(
            "picture",
            &[
                ("side", number(128.0)),
                ("turn-side", number(64.0)),
                ("views", number(3.0)),
            ],
            &[
                ("mesh", "low"),
                ("color", "tag-id"),
                ("normal", "normal"),
                ("occlusion", "occlusion"),
            ],
            &[],
        ),
    ]
}

/// Runs the recipe in a folder; gives name, length and digest of each file, one a line.
pub fn digests(folder: &Path, threads: usize) -> Result<String, ChainError> {
    let path = folder.join("model");
    let failed = |source| ChainError::WriteFile {
        path: path.clone(),
        source,
    };
    std::fs::write(&path, model()).map_err(failed)?;
    let maps = MAPS
        .iter()
        .chain(&["still", "turntable"])
        .map(|map| (*map, ".png"));
    let outputs: Vec<ChainOutput> = [("high", ".glb"), ("low", ".glb")]
        .into_iter()
        .chain(maps)
        .map(|(name, extension)| ChainOutput {
            name: name.to_owned(),
            path: folder.join(format!("{name}{extension}")),
            extension: extension.to_owned(),
        })
        .collect();
    let file = InputFile {
        path: path.clone(),
        extension: ".obj".to_owned(),
        label: String::new(),
        position: 0,
        companions: BTreeMap::new(),
    };
    let chain = Chain {
        calls: recipe(),
        inputs: vec![ChainInput {
            name: "model".to_owned(),
            many: false,
            files: vec![file],
            missing: [].into(),
            units: String::new(),
            up: String::new(),
        }],
        outputs: outputs.clone(),
        tags: vec![
            TagColor {
                name: "timber".to_owned(),
                rgb: [0xE6, 0x9F, 0x00],
            },
            TagColor {
                name: "iron".to_owned(),
                rgb: [0x56, 0xB4, 0xE9],
            },
        ],
        threads,
    };
    run_chain(&chain)?;
    let mut lines = String::new();
    for output in outputs {
        let bytes = std::fs::read(&output.path).map_err(failed)?;
        // Fowler, Noll & Vo's hash of 64 bits, variant 1a (from memory): enough to tell files apart that nobody forges.
        let digest = bytes.iter().fold(0xCBF2_9CE4_8422_2325_u64, |sum, byte| {
            (sum ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01B3)
        });
        let _ = writeln!(lines, "{} {} {digest:016x}", output.name, bytes.len());
    }
    Ok(lines)
}
