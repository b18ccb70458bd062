//! `check`: what a manifest declares, and the size of every model in metres.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Map, Value as JsonValue};
use tidemill_mesh::mesh::Bounds;
use tidemill_mesh::read::Placement;
use tidemill_proto::key::value_text;
use tidemill_proto::v1::{Plan, Variant};

use super::base_sheet;
use crate::arguments::Check;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::manifest::{Prepared, missing_programs, prepare};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::settings::{Place, Settings};

/// Checks a manifest; nothing is run.
pub fn check(arguments: &Check, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    if let Some(sheet) = &arguments.sheet {
        base_sheet::draw(&arguments.manifest.manifest, sheet, settings, printer)?;
    }
    let arguments = &arguments.manifest;
    let prepared = prepare(&arguments.manifest, &arguments.choice, settings, printer)?;
    let variants: Vec<VariantObject> = prepared
        .plan
        .variants
        .iter()
        .map(|variant| describe(&prepared, variant))
        .collect();
    let steps = steps(&prepared.plan);
    if printer.is_json() {
        for variant in &variants {
            printer.object(variant);
        }
        for step in &steps {
            printer.object(step);
        }
        printer.object(&CheckObject::of(&prepared.plan));
    } else {
        print_tables(&prepared, &variants, &steps, printer);
    }
    if settings.place == Place::Own
        && let Some(missing) = missing_programs(&prepared, std::env::var_os("PATH").as_deref())
    {
        return Err(crate::manifest::shown(&missing, printer));
    }
    Ok(ExitStatus::AllDone)
}

/// `kind = "variant"`.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct VariantObject {
    #[schemars(extend("const" = "variant"))]
    kind: &'static str,
    name: String,
    model: String,
    fields: Map<String, JsonValue>,
    /// Width, height and depth in metres, +Y up.
    size: Option<[f32; 3]>,
    triangles: Option<u64>,
    tags: BTreeMap<String, u64>,
}

/// `kind = "step"`.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct StepObject {
    #[schemars(extend("const" = "step"))]
    kind: &'static str,
    name: String,
    each: String,
    reads: Vec<String>,
    items: usize,
}

/// `kind = "check"`: the counts, as the last line.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct CheckObject<'a> {
    #[schemars(extend("const" = "check"))]
    kind: &'static str,
    manifest: &'a str,
    variants: usize,
    steps: usize,
    items: usize,
    deliveries: usize,
    tools: Vec<&'a str>,
}

impl<'a> CheckObject<'a> {
    fn of(plan: &'a Plan) -> Self {
        Self {
            kind: "check",
            manifest: &plan.manifest,
            variants: plan.variants.len(),
            steps: plan.steps.len(),
            items: plan.items.len(),
            deliveries: plan.delivery.as_ref().map_or(0, |delivery| delivery.files.len()),
            tools: plan.tools.iter().map(|tool| tool.name.as_str()).collect(),
        }
    }
}

fn describe(prepared: &Prepared, variant: &Variant) -> VariantObject {
    let facts = prepared
        .surveyed
        .survey
        .files
        .get(&variant.model)
        .and_then(|file| file.model.as_ref()?.as_ref().ok());
    let fields = variant.fields.iter().map(|field| {
        let text = field.value.as_ref().map(value_text).unwrap_or_default();
        (field.name.clone(), JsonValue::from(text))
    });
    VariantObject {
        kind: "variant",
        name: variant.name.clone(),
        model: variant.model.clone(),
        fields: fields.collect(),
        size: facts.and_then(|facts| size_in_metres(prepared, &variant.model, facts.bounds?)),
        triangles: facts.map(|facts| facts.triangles),
        tags: facts.map(|facts| facts.tags.clone()).unwrap_or_default(),
    }
}

/// glTF is in metres with +Y up by its specification; other formats are what the manifest says.
fn size_in_metres(prepared: &Prepared, model: &str, bounds: ([f64; 3], [f64; 3])) -> Option<[f32; 3]> {
    let lower = model.to_lowercase();
    let placement = match lower.ends_with(".glb") || lower.ends_with(".gltf") {
        true => Placement::default(),
        false => Placement::parse(&prepared.wanted.units, &prepared.wanted.up).ok()?,
    };
    let corner = |corner: [f64; 3]| corner.map(|coordinate| coordinate as f32);
    let bounds = Bounds {
        least: corner(bounds.0),
        most: corner(bounds.1),
    };
    Some(placement.bounds(bounds).size())
}

fn steps(plan: &Plan) -> Vec<StepObject> {
    let of_step = |index: usize| {
        plan.items
            .iter()
            .filter(move |item| item.step as usize == index)
            .count()
    };
    plan.steps
        .iter()
        .enumerate()
        .map(|(index, step)| StepObject {
            kind: "step",
            name: step.name.clone(),
            each: step.each.clone(),
            reads: step.upstream.clone(),
            items: of_step(index),
        })
        .collect()
}

fn print_tables(prepared: &Prepared, variants: &[VariantObject], steps: &[StepObject], printer: &Printer) {
    let plan = &prepared.plan;
    if !variants.is_empty() {
        let mut rows = table::with_heads(&["variant", "model", "size in m", ">triangles", "tags"]);
        for variant in variants {
            let size = variant
                .size
                .map(|size| size.map(|length| format!("{length:.3}")).join(" x "));
            let tags: Vec<String> = variant
                .tags
                .iter()
                .map(|(tag, faces)| format!("{tag} {faces}"))
                .collect();
            rows.add_row([
                variant.name.clone(),
                variant.model.clone(),
                size.unwrap_or_default(),
                variant
                    .triangles
                    .map(|triangles| triangles.to_string())
                    .unwrap_or_default(),
                tags.join(", "),
            ]);
        }
        printer.data(table::text(&rows));
        printer.data("");
    }
    let mut rows = table::with_heads(&["step", "for each", "reads", ">items"]);
    for step in steps {
        rows.add_row([
            step.name.clone(),
            step.each.clone(),
            step.reads.join(", "),
            step.items.to_string(),
        ]);
    }
    printer.data(table::text(&rows));
    printer.data("");
    let counts = CheckObject::of(plan);
    printer.data(format_args!(
        "{}: {}, {}, {}, {} to deliver",
        plan.manifest,
        human::count(counts.variants, "variant", "variants"),
        human::count(counts.steps, "step", "steps"),
        human::count(counts.items, "item", "items"),
        human::count(counts.deliveries, "file", "files"),
    ));
}
