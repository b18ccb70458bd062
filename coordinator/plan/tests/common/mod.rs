//! Invented surveys, and short ways to ask for a plan.
#![allow(dead_code)] // Each test program uses its own part.
#![allow(clippy::unwrap_used)] // These are tests, though none of these functions is one.

use std::collections::BTreeMap;

use tidemill_plan::{Companion, Diagnostics, ModelFacts, Options, Planned, Survey, SurveyedFile};
use tidemill_proto::Digest;
use tidemill_proto::v1::{Item, Plan, Value, item, value};

pub const DOCK: &str = include_str!("../manifests/dock.toml");

/// A manifest with these variants and steps.
pub fn manifest(variants: &str, rest: &str) -> String {
    format!("[manifest]\nname = \"quay\"\n[variants]\n{variants}\n{rest}\n")
}

/// A manifest whose variants are unwrapped by `game`; `maps` bakes these maps of them, with further settings of `bake`.
pub fn baked(variants: &str, maps: &[&str], settings: &str, rest: &str) -> String {
    let makes: Vec<String> = maps
        .iter()
        .map(|map| format!("{map} = \"{{variant}}_{map}.png\""))
        .collect();
    manifest(
        variants,
        &format!(
            r#"[step.game]
from = {{ mesh = "{{model}}" }}
ops = [{{ op = "unwrap" }}]
makes = {{ mesh = "{{variant}}.game.glb" }}
[step.maps]
from = {{ high = "{{model}}", low = "game.mesh" }}
ops = [{{ op = "bake", maps = {maps:?}{settings} }}]
makes = {{ {} }}
{rest}"#,
            makes.join(", ")
        ),
    )
}

/// A file that was not read as a model.
pub fn plain_file(path: &str) -> SurveyedFile {
    SurveyedFile {
        digest: Digest::of(path.as_bytes()),
        size: path.len() as u64,
        model: None,
        companions: Vec::new(),
        folder: false,
    }
}

/// A sound model: tags timber and iron, one metre and a half long.
pub fn model(path: &str) -> SurveyedFile {
    let facts = ModelFacts {
        triangles: 12,
        vertices: 8,
        tags: BTreeMap::from([("timber".to_owned(), 8), ("iron".to_owned(), 4)]),
        untagged: 0,
        bounds: Some(([0.0, 0.0, 0.0], [1.0, 1.5, 0.5])),
    };
    let companions = vec![Companion {
        name: "dock.mtl".into(),
        digest: Digest::of(b"mtl"),
        size: 3,
    }];
    SurveyedFile {
        model: Some(Ok(facts)),
        companions,
        ..plain_file(path)
    }
}

/// A survey that holds sound models at these paths.
pub fn models(paths: &[&str]) -> Survey {
    Survey {
        files: paths
            .iter()
            .map(|path| ((*path).to_owned(), model(path)))
            .collect(),
        texts: BTreeMap::new(),
    }
}

/// The models of the dock.
pub fn dock() -> Survey {
    models(&[
        "base/bollard-large.obj",
        "base/bollard-small.obj",
        "base/crate-large.obj",
        "base/crate-small.obj",
    ])
}

pub fn plan_with(text: &str, survey: &Survey, options: &Options) -> Result<Planned, Diagnostics> {
    tidemill_plan::plan(text, "dock.toml", survey, tidemill_ops::all(), options)
}

pub fn plan(text: &str, survey: &Survey) -> Plan {
    let planned = plan_with(text, survey, &Options::default()).unwrap();
    tidemill_plan::recheck(&planned.plan, tidemill_ops::all()).unwrap();
    planned.plan
}

pub fn find<'p>(plan: &'p Plan, address: &str) -> &'p Item {
    let item = plan.items.iter().find(|item| item.address == address);
    item.unwrap_or_else(|| {
        let addresses: Vec<&str> = plan.items.iter().map(|item| item.address.as_str()).collect();
        panic!("no item {address} among {addresses:?}")
    })
}

/// A setting of an item's operation.
pub fn setting(item: &Item, operation: usize, name: &str) -> Option<value::Kind> {
    let Some(item::Action::Operations(operations)) = &item.action else {
        panic!("{} runs a program", item.address)
    };
    let fields = &operations.chain[operation].settings;
    fields
        .iter()
        .find(|field| field.name == name)?
        .value
        .as_ref()?
        .kind
        .clone()
}

pub fn number(value: f64) -> Option<value::Kind> {
    Some(value::Kind::Number(value))
}

pub fn field<'p>(plan: &'p Plan, variant: &str, name: &str) -> &'p Value {
    let variant = plan.variants.iter().find(|known| known.name == variant).unwrap();
    variant
        .fields
        .iter()
        .find(|field| field.name == name)
        .unwrap()
        .value
        .as_ref()
        .unwrap()
}
