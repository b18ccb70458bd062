//! The manifest's JSON Schema, for editors that complete and check TOML by one. Made from the same lists of keys and the
//! same declarations of operations that the check reads. It knows one file at a time and no folder, so it finds less
//! than the check does; what it refuses, the check refuses too.

use serde_json::{Map, Value, json};
use tidemill_ops::{Declaration, SettingDecl, SettingKind};

use crate::read::needs::{MOST_RETRIES, MOST_SEATS};
use crate::units::LENGTH_UNITS;

/// As JSON Schema 2020-12.
pub fn schema(operations: &[Declaration]) -> Value {
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A Tidemill manifest",
        "type": "object",
        "additionalProperties": false,
        "required": ["manifest", "variants", "step"],
        "properties": {
            "manifest": table(
                "Which manifest this is",
                json!({ "name": text("Names the runs, as in harbour-dock.12") }),
                &["name"],
            ),
            "variants": variants(),
            "step": {
                "description": "Steps by name",
                "type": "object",
                "minProperties": 1,
                "additionalProperties": step(operations),
            },
            "tool": named(
                "External programs by name, and which versions will do",
                table(
                    "One program",
                    json!({
                        "version": text("9.1.2 is exactly that one, 9.* any that begins so, * any"),
                        "program": text("Its plain name, where that is not the tool's"),
                    }),
                    &[],
                ),
            ),
            "adjust": {
                "description": "Other values for some variants; later entries win",
                "type": "array",
                "items": table(
                    "One adjustment",
                    json!({
                        "where": {
                            "description": "Fields and the value, or values, that they must have",
                            "type": "object",
                            "minProperties": 1,
                        },
                        "set": set(),
                    }),
                    &["where", "set"],
                ),
            },
            "draft": table("Values for a quick try-out, with --draft", json!({ "set": set() }), &["set"]),
            "seats": named("How many items may use each at once, as for licences", whole(1, MOST_SEATS)),
            "deliver": table(
                "Which outputs are copied where",
                json!({
                    "to": text("A folder, relative to the manifest; may hold fields"),
                    "what": { "type": "array", "minItems": 1, "items": output() },
                    "when": {
                        "description": "Variants are held back where one of these steps failed",
                        "type": "array",
                        "items": { "type": "string" },
                    },
                }),
                &["to", "what"],
            ),
        },
    })
}

fn variants() -> Value {
    let tag = json!({
        "anyOf": [
            color(),
            table("A tag", json!({ "color": color(), "required": { "type": "boolean" } }), &["color"]),
        ],
    });
    table(
        "Where variants come from and what they are called",
        json!({
            "models": text("A pattern of files: one variant for each"),
            "exclude": { "description": "Patterns of files that are none", "anyOf": [{ "type": "string" }, texts()] },
            "csv": text("A file with one variant in each row"),
            "units": { "description": "Of models that carry none", "enum": LENGTH_UNITS },
            "up": { "description": "The axis that points up in models that do not say", "enum": ["y", "z"] },
            "fields": text("How file names are read, as in {family}-{size}"),
            "newest": text("Of files that differ only there the highest counts, as in _v{number}"),
            "name": text("Names the variants, as in {stem}-s{seed}"),
            "tags": named("Face tags and their colours in ID maps", tag),
            "axes": named(
                "Every combination of values is a variant of its own",
                json!({ "type": "array", "minItems": 1, "items": { "type": ["string", "number", "boolean"] } }),
            ),
        }),
        &[],
    )
}

fn step(operations: &[Declaration]) -> Value {
    let mut step = table(
        "One step of the recipe",
        json!({
            "from": named(
                "Inputs by name",
                json!({
                    "anyOf": [
                        { "description": "The base model", "const": "{model}" },
                        output(),
                        table("A fixed file, or a folder with / at its end", json!({ "file": text("") }), &["file"]),
                    ],
                }),
            ),
            "ops": {
                "description": "Built-in operations, one after the other",
                "type": "array",
                "minItems": 1,
                "items": { "oneOf": operations.iter().map(call).collect::<Vec<_>>() },
            },
            "program": {
                "description": "An external program and its arguments; no shell is involved",
                "type": "array",
                "minItems": 1,
                "items": { "type": "string" },
            },
            "makes": named("Outputs by name, and their files", json!({ "type": "string", "minLength": 1 })),
            "needs": table(
                "What an item takes, as a first guess",
                json!({
                    "memory": text("As in 512 MiB"),
                    "cores": { "type": "number", "exclusiveMinimum": 0 },
                    "time": text("As in 10 min"),
                    "seats": named("Seats that it takes", whole(1, MOST_SEATS)),
                    "offers": { "description": "What the machine must offer", "type": "array", "items": { "type": "string" } },
                }),
                &[],
            ),
            "retries": whole(0, MOST_RETRIES),
            "time_limit": text("As in 10 min; the item is ended then"),
            "each": text("A field: one item for each of its values; all: one item over all"),
            "partial": { "description": "Runs over what is there when a variant failed", "type": "boolean" },
            "env": named("Environment of the program", json!({ "type": "string" })),
        }),
        &["makes"],
    );
    step["oneOf"] = json!([{ "required": ["ops"] }, { "required": ["program"] }]);
    step
}

fn call(operation: &Declaration) -> Value {
    let mut properties = Map::new();
    properties.insert("op".into(), json!({ "const": operation.name }));
    properties.insert(
        "in".into(),
        named("Which value each input reads", json!({ "type": "string" })),
    );
    properties.insert(
        "as".into(),
        json!({
            "description": "What its output is called, or each of its outputs",
            "anyOf": [{ "type": "string" }, { "type": "object", "additionalProperties": { "type": "string" } }],
        }),
    );
    for one in operation.settings {
        properties.insert(one.name.into(), setting(one));
    }
    let mut required = vec!["op"];
    let needed = operation.settings.iter();
    required.extend(
        needed
            .filter(|one| one.default == tidemill_ops::declare::Default::Required)
            .map(|one| one.name),
    );
    table(operation.summary, Value::Object(properties), &required)
}

fn setting(setting: &SettingDecl) -> Value {
    let value = match setting.kind {
        SettingKind::Number { least, most } => json!({ "type": "number", "minimum": least, "maximum": most }),
        SettingKind::Whole { least, most } => whole(least, most),
        SettingKind::Flag => json!({ "type": "boolean" }),
        SettingKind::Word(words) => json!({ "enum": words }),
        SettingKind::Words(words) => json!({
            "type": "array", "minItems": 1, "uniqueItems": true,
            "items": { "anyOf": [{ "enum": words }, placeholder()] },
        }),
        SettingKind::Tag | SettingKind::Text => json!({ "type": "string" }),
        SettingKind::Tags | SettingKind::TagLimits { .. } => texts(),
        SettingKind::TagNumbers { least, most } => json!({
            "type": "object",
            "minProperties": 1,
            "additionalProperties": { "anyOf": [{ "type": "number", "minimum": least, "maximum": most }, placeholder()] },
        }),
    };
    let unit = if setting.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", setting.unit)
    };
    json!({ "description": format!("{}{unit}", setting.summary), "anyOf": [value, placeholder()] })
}

/// A field of the variant in place of a value, as in `"{seed}"`.
fn placeholder() -> Value {
    json!({ "type": "string", "pattern": "\\{[^{}]+\\}" })
}

fn set() -> Value {
    json!({
        "description": "Settings by step, operation and name, as in game.simplify.triangles",
        "type": "object",
        "minProperties": 1,
    })
}

fn output() -> Value {
    json!({ "description": "An output of a step", "type": "string", "pattern": "^[^.{}]+\\.[^{}]+$" })
}

fn color() -> Value {
    json!({ "type": "string", "pattern": "^#[0-9A-Fa-f]{6}$" })
}

fn text(description: &str) -> Value {
    json!({ "description": description, "type": "string" })
}

fn texts() -> Value {
    json!({ "type": "array", "items": { "type": "string" } })
}

fn whole(least: i64, most: i64) -> Value {
    json!({ "type": "integer", "minimum": least, "maximum": most })
}

fn named(description: &str, each: Value) -> Value {
    json!({ "description": description, "type": "object", "additionalProperties": each })
}

fn table(description: &str, properties: Value, required: &[&str]) -> Value {
    json!({
        "description": description,
        "type": "object",
        "additionalProperties": false,
        "properties": properties,
        "required": required,
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::read;

    fn keys(table: &Value) -> BTreeSet<&str> {
        table["properties"]
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect()
    }

    #[test]
    fn it_knows_exactly_the_keys_that_the_check_knows() {
        let schema = schema(tidemill_ops::all());
        let set = |known: &[&'static str]| known.iter().copied().collect::<BTreeSet<_>>();
        assert_eq!(keys(&schema), set(&read::TABLES));
        assert_eq!(
            keys(&schema["properties"]["variants"]),
            set(&read::variants::KEYS)
        );
        let step = &schema["properties"]["step"]["additionalProperties"];
        assert_eq!(keys(step), set(&read::step::KEYS));
        assert_eq!(keys(&step["properties"]["needs"]), set(&read::needs::KEYS));
        let calls = step["properties"]["ops"]["items"]["oneOf"].as_array().unwrap();
        assert_eq!(calls.len(), tidemill_ops::all().len());
    }
}
