//! What an operation sees of its call, and what it gives back.

use std::collections::BTreeMap;
use std::sync::Arc;

use tidemill_ops::{Call, Setting, TagColor};

use crate::value::{Gathered, Value};
use crate::{Map, Mesh, Model};

/// One call of an operation.
#[derive(Debug)]
pub struct Context<'a> {
    /// The call: settings by name.
    pub call: &'a Call,
    /// By port.
    pub inputs: BTreeMap<&'a str, Value>,
    /// The manifest's tags, in its order.
    pub tags: &'a [TagColor],
}

/// What an operation gives.
#[derive(Debug, Default)]
pub struct Produced {
    /// By port, or by name in the list setting.
    pub outputs: Vec<(String, Value)>,
    /// Measured figures for the report, by name; units in the names.
    pub figures: BTreeMap<String, f64>,
    /// Why the item fails although the outputs are there: what was measured breaks a limit.
    pub failure: Option<String>,
}

impl Produced {
    /// One mesh on the port `mesh`.
    pub fn mesh(mesh: Mesh) -> Self {
        Self {
            outputs: vec![("mesh".to_owned(), Value::Mesh(Arc::new(mesh)))],
            ..Self::default()
        }
    }

    /// One model on the port `mesh`.
    pub fn model(model: Model) -> Self {
        Self {
            outputs: vec![("mesh".to_owned(), Value::Model(Arc::new(model)))],
            ..Self::default()
        }
    }

    /// Adds a map on the port of that name.
    pub fn with_map(mut self, name: &str, map: Map) -> Self {
        self.outputs.push((name.to_owned(), Value::Map(Arc::new(map))));
        self
    }

    /// Adds data, as JSON text, on the port of that name.
    pub fn with_data(mut self, name: &str, json: String) -> Self {
        self.outputs.push((name.to_owned(), Value::Data(Arc::new(json))));
        self
    }

    /// Adds a measured figure.
    pub fn with_figure(mut self, name: &str, value: f64) -> Self {
        // A sum of nothing is -0.0, which people would read as a sign of something.
        self.figures.insert(name.to_owned(), value + 0.0);
        self
    }
}

/// Why an operation gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum OperationError {
    /// The call lacks a setting without default.
    #[error("the setting `{setting}` is missing; write `{setting} = …` in the operation")]
    SettingMissing {
        /// Its name.
        setting: String,
    },
    /// A setting holds the wrong kind of value.
    #[error("the setting `{setting}` must be {expected}")]
    SettingType {
        /// Its name.
        setting: String,
        /// What it takes, with its article.
        expected: &'static str,
    },
    /// The call lacks an input.
    #[error("the input `{port}` is missing; name the value with `in = {{ {port} = \"…\" }}`")]
    InputMissing {
        /// Its name.
        port: String,
    },
    /// An input holds the wrong kind of value.
    #[error("the input `{port}` must be {expected}")]
    InputType {
        /// Its name.
        port: String,
        /// What it takes, with its article.
        expected: &'static str,
    },
    /// The mesh carries no face of a tag that the call names.
    #[error("no face carries the tag `{tag}`; the mesh has {present}")]
    TagAbsent {
        /// The tag asked for.
        tag: String,
        /// The tags that are there, in words.
        present: String,
    },
    /// The operation cannot work on this input: what is wrong and what to do, in one or two sentences.
    #[error("{0}")]
    Unsuitable(String),
}

impl Context<'_> {
    /// A required number, or one whose default has been filled in.
    pub fn number(&self, setting: &str) -> Result<f64, OperationError> {
        self.optional_number(setting)?.ok_or_else(|| missing(setting))
    }

    /// A number that may be absent.
    pub fn optional_number(&self, setting: &str) -> Result<Option<f64>, OperationError> {
        match self.call.settings.get(setting) {
            None => Ok(None),
            Some(Setting::Number(number)) if number.is_finite() => Ok(Some(*number)),
            Some(_) => Err(wrong(setting, "a number")),
        }
    }

    /// A required whole number that is not negative, or one whose default has been filled in.
    pub fn whole(&self, setting: &str) -> Result<u64, OperationError> {
        let number = self.number(setting)?;
        // 2^53: beyond it an f64 no longer holds every whole number.
        if number.fract() == 0.0 && (0.0..=9_007_199_254_740_992.0).contains(&number) {
            Ok(number as u64)
        } else {
            Err(wrong(setting, "a whole number that is not negative"))
        }
    }

    /// Text, a word or a tag that may be absent.
    pub fn optional_text(&self, setting: &str) -> Result<Option<&str>, OperationError> {
        match self.call.settings.get(setting) {
            None => Ok(None),
            Some(Setting::Text(text)) => Ok(Some(text)),
            Some(_) => Err(wrong(setting, "text")),
        }
    }

    /// `true` or `false`; absent counts as `false`.
    pub fn flag(&self, setting: &str) -> Result<bool, OperationError> {
        match self.call.settings.get(setting) {
            None => Ok(false),
            Some(Setting::Flag(flag)) => Ok(*flag),
            Some(_) => Err(wrong(setting, "`true` or `false`")),
        }
    }

    /// A list of words.
    pub fn words(&self, setting: &str) -> Result<Vec<&str>, OperationError> {
        let expected = "a list of words";
        match self.call.settings.get(setting) {
            None => Err(missing(setting)),
            Some(Setting::List(list)) => list
                .iter()
                .map(|word| match word {
                    Setting::Text(text) => Ok(text.as_str()),
                    _ => Err(wrong(setting, expected)),
                })
                .collect(),
            Some(_) => Err(wrong(setting, expected)),
        }
    }

    /// A list of words that may be absent, which counts as empty.
    pub fn optional_words(&self, setting: &str) -> Result<Vec<&str>, OperationError> {
        if self.call.settings.contains_key(setting) {
            self.words(setting)
        } else {
            Ok(Vec::new())
        }
    }

    /// Tags with a number each, which may be absent; that counts as empty.
    pub fn tag_numbers(&self, setting: &str) -> Result<Vec<(&str, f64)>, OperationError> {
        let bad = || wrong(setting, "a table of tags and numbers");
        let pairs = match self.call.settings.get(setting) {
            None => return Ok(Vec::new()),
            Some(Setting::List(pairs)) => pairs,
            Some(_) => return Err(bad()),
        };
        let mut read = Vec::with_capacity(pairs.len());
        for pair in pairs {
            let Setting::List(pair) = pair else {
                return Err(bad());
            };
            match pair.as_slice() {
                [Setting::Text(tag), Setting::Number(number)] if number.is_finite() => {
                    read.push((tag.as_str(), *number));
                }
                _ => return Err(bad()),
            }
        }
        Ok(read)
    }

    /// The mesh on a port.
    pub fn mesh(&self, port: &str) -> Result<&Arc<Mesh>, OperationError> {
        match self.inputs.get(port) {
            None => Err(OperationError::InputMissing {
                port: port.to_owned(),
            }),
            Some(Value::Mesh(mesh)) => Ok(mesh),
            Some(Value::Model(model)) => Ok(&model.whole),
            Some(_) => Err(OperationError::InputType {
                port: port.to_owned(),
                expected: "a mesh",
            }),
        }
    }

    /// The mesh on a port with the named parts and the maps that it has already.
    pub fn model(&self, port: &str) -> Result<Model, OperationError> {
        match self.inputs.get(port) {
            Some(Value::Model(model)) => Ok(Model::clone(model)),
            _ => Ok(Model::plain(self.mesh(port)?.clone())),
        }
    }

    /// A map on a port that may be left out.
    pub fn optional_map(&self, port: &str) -> Result<Option<&Arc<Map>>, OperationError> {
        match self.inputs.get(port) {
            None => Ok(None),
            Some(Value::Map(map)) => Ok(Some(map)),
            Some(_) => Err(OperationError::InputType {
                port: port.to_owned(),
                expected: "a map",
            }),
        }
    }

    /// The gathered values on a port that may be left out.
    pub fn gathered(&self, port: &str) -> Result<Option<&Arc<Gathered>>, OperationError> {
        match self.inputs.get(port) {
            None => Ok(None),
            Some(Value::Many(gathered)) => Ok(Some(gathered)),
            Some(_) => Err(OperationError::InputType {
                port: port.to_owned(),
                expected: "a gathering input",
            }),
        }
    }
}

fn missing(setting: &str) -> OperationError {
    OperationError::SettingMissing {
        setting: setting.to_owned(),
    }
}

fn wrong(setting: &str, expected: &'static str) -> OperationError {
    OperationError::SettingType {
        setting: setting.to_owned(),
        expected,
    }
}
