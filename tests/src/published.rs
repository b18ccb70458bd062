//! The published JSON Schema of `--json`, as the crate `jsonschema` reads it. Every line that a test looks at is held
//! against it, and closed: a field that the schema does not name is a failure too.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use jsonschema::Validator;
use serde_json::{Value, json};

use crate::Sandbox;

/// The kinds of lines, with what each may look like.
static KINDS: LazyLock<BTreeMap<String, Vec<Validator>>> = LazyLock::new(|| {
    let mut kinds: BTreeMap<String, Vec<Validator>> = BTreeMap::new();
    for mut alternative in of("json")["anyOf"].as_array().expect("alternatives").clone() {
        let words = kind_words(&alternative);
        // Figures of a file are many; the schema names what all of them have.
        if words != ["model", "map"] {
            alternative["additionalProperties"] = json!(false);
        }
        for word in words {
            let validator = jsonschema::validator_for(&alternative).expect("a sound schema");
            kinds.entry(word).or_default().push(validator);
        }
    }
    kinds
});

/// What `tidemill doc schema` prints: `json` or `manifest`.
pub fn of(what: &str) -> Value {
    let mut command = Sandbox::new().command(&["doc", "schema", what]);
    // The sandbox is gone by now, and not needed.
    let printed = command
        .current_dir(std::env::temp_dir())
        .output()
        .expect("run tidemill");
    assert!(
        printed.status.success(),
        "{}",
        String::from_utf8_lossy(&printed.stderr)
    );
    serde_json::from_slice(&printed.stdout).expect("a schema is JSON")
}

/// All kinds of lines.
pub fn kinds() -> Vec<String> {
    KINDS.keys().cloned().collect()
}

fn kind_words(alternative: &Value) -> Vec<String> {
    let kind = &alternative["properties"]["kind"];
    let words = match kind.get("const") {
        Some(word) => vec![word],
        None => kind["enum"]
            .as_array()
            .expect("a line has a kind")
            .iter()
            .collect(),
    };
    words
        .into_iter()
        .filter_map(Value::as_str)
        .map(str::to_owned)
        .collect()
}

/// Fails unless the line is as published.
pub fn check(line: &Value) {
    let kind = line["kind"].as_str().unwrap_or_default();
    let Some(validators) = KINDS.get(kind) else {
        panic!("a line of the kind {kind:?} is not published: {line}");
    };
    if validators.iter().any(|validator| validator.is_valid(line)) {
        return;
    }
    let problems: Vec<String> = validators
        .iter()
        .flat_map(|validator| validator.iter_errors(line).map(|error| error.to_string()))
        .collect();
    panic!("{line}\n{problems:#?}");
}
