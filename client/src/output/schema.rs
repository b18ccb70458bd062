//! The JSON Schema of what `--json` prints, made from the printed types themselves.

use schemars::generate::{SchemaGenerator, SchemaSettings};
use schemars::{JsonSchema, Schema, json_schema};
use serde_json::{Value, json};
use tidemill_proto::state;

use super::history_json::{HistorySums, RunFigures, StepTook, Trend};
use super::json::{Agent, Counts, Delivered, Error, Item, Joined, ReportFile, Run, SignOff, Summary, Why};
use super::store_json::{BadBlob, Swept, ThinnedObject, Usage, Verified};
use crate::commands::{check, compare, forecast, log, page, plan, stay};
use crate::manifest::DiagnosticObject;

impl JsonSchema for Counts {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Counts".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let words = state::ALL.map(state::word);
        let properties: serde_json::Map<String, Value> = words
            .iter()
            .map(|word| ((*word).to_owned(), json!({ "type": "integer", "minimum": 0 })))
            .collect();
        json_schema!({ "type": "object", "properties": properties, "required": words })
    }

    fn inline_schema() -> bool {
        true
    }
}

/// One line of `--json` is any one of these; `kind` says which.
pub fn schema() -> Value {
    let mut generator = SchemaSettings::draft2020_12()
        .with(|settings| settings.inline_subschemas = true)
        .into_generator();
    let mut lines = vec![
        one::<Error>(&mut generator),
        one::<DiagnosticObject>(&mut generator),
        one::<check::VariantObject>(&mut generator),
        one::<check::StepObject>(&mut generator),
        one::<check::CheckObject>(&mut generator),
        one::<plan::PlannedObject>(&mut generator),
        one::<plan::PlanSummary>(&mut generator),
        one::<Run>(&mut generator),
        one::<Item>(&mut generator),
        one::<Why>(&mut generator),
        one::<log::LogLine>(&mut generator),
        one::<Agent>(&mut generator),
        one::<Delivered>(&mut generator),
        one::<Summary>(&mut generator),
        one::<RunFigures>(&mut generator),
        one::<StepTook>(&mut generator),
        one::<Trend>(&mut generator),
        one::<HistorySums>(&mut generator),
        one::<ReportFile>(&mut generator),
        one::<SignOff>(&mut generator),
        one::<compare::ChangedObject>(&mut generator),
        one::<compare::VariantObject>(&mut generator),
        one::<compare::OutputObject>(&mut generator),
        one::<compare::StepObject>(&mut generator),
        one::<forecast::ForecastObject>(&mut generator),
        one::<Usage>(&mut generator),
        one::<BadBlob>(&mut generator),
        one::<Verified>(&mut generator),
        one::<Swept>(&mut generator),
        one::<ThinnedObject>(&mut generator),
        one::<Joined>(&mut generator),
        one::<page::PageObject>(&mut generator),
        one::<stay::StayObject>(&mut generator),
    ];
    // Figures of a file are many, and told by their names; a script picks what it knows.
    lines.push(json!({
        "description": "`kind = \"model\"` or `kind = \"map\"`: the figures of one file",
        "type": "object",
        "properties": { "kind": { "enum": ["model", "map"] }, "path": { "type": "string" } },
        "required": ["kind", "path"],
    }));
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A line of tidemill --json",
        "description": "Fields may be added, never renamed or taken away. Times are Unix time in milliseconds, 0: not yet.",
        "anyOf": lines,
    })
}

fn one<T: JsonSchema>(generator: &mut SchemaGenerator) -> Value {
    let mut schema = T::json_schema(generator).to_value();
    if let Some(object) = schema.as_object_mut() {
        object.remove("$schema");
    }
    schema
}
