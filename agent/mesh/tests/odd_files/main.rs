//! Bad and odd model files, each with the outcome that is promised for it: a refusal that says where and why, or a mesh that
//! the whole chain from remeshing to baked maps takes, or an operation in it that refuses with a reason.
//!
//! - `shapes`: invented dock props, sound and unsound.
//! - `encode`: shapes as OBJ, PLY and glTF.
//! - `refused`, `taken`: the table of files and outcomes.

mod encode;
mod refused;
mod shapes;
mod taken;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use tidemill_mesh::Mesh;
use tidemill_mesh::chain::run_chain;
use tidemill_mesh::mesh::UNTAGGED;
use tidemill_mesh::read::{ModelFile, Placement, read_mesh, survey};
use tidemill_ops::declare::Default as Preset;
use tidemill_ops::{Call, Chain, ChainInput, ChainOutput, InputFile, Setting};

/// What must come of a file.
#[derive(Debug)]
pub enum Outcome {
    /// Reading ends in an error that holds this text.
    Refused(&'static str),
    /// It has so many triangles, and the whole chain makes a closed mesh within its budget, with UVs and maps.
    Asset(usize),
    /// It has so many triangles, and the chain ends at an operation with an error that holds this text.
    Stops(usize, &'static str, &'static str),
}

pub struct Odd {
    pub name: &'static str,
    pub extension: &'static str,
    pub bytes: Vec<u8>,
    /// Files beside it.
    pub companions: Vec<(&'static str, Vec<u8>)>,
    pub outcome: Outcome,
}

impl Odd {
    pub fn new(
        name: &'static str,
        extension: &'static str,
        bytes: impl Into<Vec<u8>>,
        outcome: Outcome,
    ) -> Self {
        Self {
            name,
            extension,
            bytes: bytes.into(),
            companions: Vec::new(),
            outcome,
        }
    }

    pub fn beside(mut self, name: &'static str, bytes: Vec<u8>) -> Self {
        self.companions.push((name, bytes));
        self
    }

    fn companions_in(&self, folder: &Path) -> BTreeMap<String, PathBuf> {
        let companions = self.companions.iter().enumerate().map(|(number, (name, bytes))| {
            let path = folder.join(number.to_string());
            std::fs::write(&path, bytes).expect("a file");
            ((*name).to_owned(), path)
        });
        companions.collect()
    }
}

const BUDGET: f64 = 400.0;
const VOXELS: f32 = 32.0;

fn preset(preset: &Preset) -> Option<Setting> {
    match *preset {
        Preset::Required | Preset::Absent => None,
        Preset::Number(number) => Some(Setting::Number(number)),
        Preset::Flag(flag) => Some(Setting::Flag(flag)),
        Preset::Word(word) => Some(Setting::Text(word.to_owned())),
    }
}

/// Reads, remeshes, reduces, unwraps and bakes in a folder; gives the low mesh.
fn run(odd: &Odd, mesh: &Mesh, folder: &Path) -> Result<Mesh, String> {
    let model = folder.join("model");
    std::fs::write(&model, &odd.bytes).expect("a file");
    let longest = mesh
        .bounds()
        .map_or(0.0, |bounds| bounds.size().into_iter().fold(0.0, f32::max));
    let call = |op: &str, settings: &[(&str, Setting)], inputs: &[(&str, &str)], outputs: &[(&str, &str)]| {
        let declaration = tidemill_ops::find(op).expect("a declared operation");
        let mut all: BTreeMap<String, Setting> = declaration
            .settings
            .iter()
            .filter_map(|setting| Some((setting.name.to_owned(), preset(&setting.default)?)))
            .collect();
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
            version: declaration.version,
            settings: all,
            inputs: names(inputs),
            outputs: names(outputs),
        }
    };
    let number = Setting::Number;
    let maps = ["normal", "curvature", "occlusion"].map(|map| Setting::Text(map.to_owned()));
    let calls = vec![
        call(
            "remesh",
            &[(
                "voxel",
                number(f64::from((longest / VOXELS).max(f32::MIN_POSITIVE))),
            )],
            &[("mesh", "mesh")],
            &[("mesh", "high")],
        ),
        call(
            "simplify",
            &[("triangles", number(BUDGET))],
            &[("mesh", "high")],
            &[("mesh", "low")],
        ),
        call(
            "unwrap",
            &[("size", number(128.0)), ("padding", number(2.0))],
            &[("mesh", "low")],
            &[("mesh", "low")],
        ),
        call(
            "bake",
            &[
                ("maps", Setting::List(maps.into())),
                ("size", number(128.0)),
                ("samples", number(1.0)),
                ("rays", number(8.0)),
            ],
            &[("high", "high"), ("low", "low")],
            &[],
        ),
    ];
    let output = |name: &str, extension: &str| ChainOutput {
        name: name.to_owned(),
        path: folder.join(name),
        extension: extension.to_owned(),
    };
    let chain = Chain {
        calls,
        inputs: vec![ChainInput {
            name: "mesh".to_owned(),
            many: false,
            files: vec![InputFile {
                path: model,
                extension: odd.extension.to_owned(),
                label: odd.name.to_owned(),
                position: 0,
                companions: odd.companions_in(folder),
            }],
            missing: [].into(),
            units: String::new(),
            up: String::new(),
        }],
        outputs: vec![
            output("low", ".glb"),
            output("normal", ".png"),
            output("curvature", ".png"),
            output("occlusion", ".png"),
        ],
        tags: Vec::new(),
        threads: 1,
    };
    run_chain(&chain).map_err(|error| error.to_string())?;
    for map in ["normal", "curvature", "occlusion"] {
        let bytes = std::fs::read(folder.join(map)).expect("a map");
        let map = tidemill_mesh::Map::from_png(&bytes).expect("a sound map");
        assert_eq!((map.width, map.height), (128, 128));
    }
    let bytes = std::fs::read(folder.join("low")).expect("a mesh");
    let file = ModelFile {
        bytes: &bytes,
        extension: ".glb",
        companions: &BTreeMap::new(),
    };
    read_mesh(&file, Placement::default()).map_err(|error| format!("what was written: {error}"))
}

/// What is wrong with the outcome of a file, if anything.
fn problem(odd: &Odd) -> Option<String> {
    let folder = tempfile::tempdir().expect("a folder");
    let companions = odd.companions_in(folder.path());
    let file = ModelFile {
        bytes: &odd.bytes,
        extension: odd.extension,
        companions: &companions,
    };
    let read = read_mesh(&file, Placement::default()).map_err(|error| error.to_string());
    let surveyed = survey(&odd.bytes, odd.extension);
    let (triangles, stop) = match (&odd.outcome, &read) {
        (Outcome::Refused(text), Err(error)) if error.contains(text) => return None,
        (Outcome::Refused(_), other) => {
            return Some(format!("{:?}", other.as_ref().map(|mesh| mesh.triangles.len())));
        }
        (_, Err(error)) => return Some(error.clone()),
        (Outcome::Asset(triangles), Ok(_)) => (*triangles, None),
        (Outcome::Stops(triangles, op, text), Ok(_)) => (*triangles, Some((*op, *text))),
    };
    let mesh = read.expect("handled above");
    if mesh.triangles.len() != triangles {
        return Some(format!("it has {} triangles", mesh.triangles.len()));
    }
    match surveyed {
        Ok(facts) if facts.triangles as usize == triangles => {}
        other => return Some(format!("the survey says {other:?}")),
    }
    match (run(odd, &mesh, folder.path()), stop) {
        (Err(error), Some((op, text))) if error.contains(&format!("`{op}`")) && error.contains(text) => None,
        (Ok(low), None) => {
            let wrong = low.triangles.len() > BUDGET as usize
                || !low.is_closed()
                || low.uvs.is_none()
                || low.volume() <= 0.0
                || mesh.face_tags.contains(&UNTAGGED) != low.face_tags.contains(&UNTAGGED);
            wrong.then(|| {
                let (count, closed, volume) = (low.triangles.len(), low.is_closed(), low.volume());
                format!("the result has {count} triangles, closed: {closed}, {volume} m³")
            })
        }
        (other, _) => Some(format!("{:?}", other.map(|mesh| mesh.triangles.len()))),
    }
}

#[test]
fn every_odd_file_ends_as_promised() {
    let all: Vec<Odd> = refused::table().into_iter().chain(taken::table()).collect();
    assert!(all.len() >= 80, "{}", all.len());
    let mut names: Vec<&str> = all.iter().map(|odd| odd.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), all.len(), "two files of one name");
    let problems: Vec<String> = all
        .par_iter()
        .filter_map(|odd| {
            Some(format!(
                "{} should be {:?}: {}",
                odd.name,
                odd.outcome,
                problem(odd)?
            ))
        })
        .collect();
    assert!(problems.is_empty(), "{}", problems.join("\n"));
}
