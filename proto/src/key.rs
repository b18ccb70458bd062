//! The key: a digest over everything that can change an item's result.
//!
//! The parts are kept by name, so that `why` can say which of them changed. In the key: the format version,
//! operations with their versions and settings, a program's arguments (input and output placeholders
//! unresolved) and its tool's exact version, the digests of all inputs under their names, names and
//! extensions of outputs, the chosen environment. Not in it: paths, variant and step names (unless a setting
//! uses them), the run, the machine, the time, needs, retries.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write as _;

use crate::Digest;
use crate::v1::{Item, Operation, Plan, Program, Tag, Value, item, part, source, value};

/// Raised when the meaning of a key changes; old results are then no longer found.
pub const KEY_FORMAT: u32 = 1;

/// The digest over an item's [`KeyParts`]. Equal keys, equal results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(pub Digest);

/// Everything that can change an item's result, by name.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct KeyParts(BTreeMap<String, String>);

/// What an upstream item made, under the name that it declared.
pub type MadeOutputs = BTreeMap<String, Digest>;

/// Why a key cannot be computed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum KeyError {
    /// An upstream item of an input has no result.
    #[error("input {input} has no result to read")]
    InputUnknown {
        /// Name of the input.
        input: String,
    },
    /// The run has no exact version for a program.
    #[error("no version is known for the program {tool}")]
    ToolUnknown {
        /// The tool's name.
        tool: String,
    },
    /// The plan is damaged.
    #[error("damaged plan: {0}")]
    Damaged(&'static str),
}

impl KeyParts {
    /// Gathers the parts of `item`.
    ///
    /// `made` answers what the item at an index of the plan made (`None`: nothing, it failed); `tools` maps a
    /// tool's name to the exact version that the run fixed. A source without a result is an error unless the
    /// step is partial.
    pub fn gather(
        plan_tags: &[Tag],
        partial: bool,
        item: &Item,
        made: &dyn Fn(u32, &str) -> Option<Digest>,
        tools: &HashMap<String, String>,
    ) -> Result<Self, KeyError> {
        let mut parts = Self::default();
        parts.set("format", KEY_FORMAT.to_string());
        match item
            .action
            .as_ref()
            .ok_or(KeyError::Damaged("an item without an action"))?
        {
            item::Action::Operations(operations) => {
                for (position, operation) in operations.chain.iter().enumerate() {
                    parts.add_operation(position, &operations.chain, operation);
                }
                if operations.chain.iter().any(|operation| operation.uses_tags) {
                    for tag in plan_tags {
                        parts.set(format!("tag {}", tag.name), format!("#{:06X}", tag.color));
                    }
                    let order: Vec<&str> = plan_tags.iter().map(|tag| tag.name.as_str()).collect();
                    parts.set("tags", order.join(", "));
                }
            }
            item::Action::Program(program) => parts.add_program(program, tools)?,
        }
        let labels = match item.action.as_ref() {
            Some(item::Action::Operations(operations)) => operations.chain.iter().any(|op| op.uses_labels),
            _ => false,
        };
        for input in &item.inputs {
            for (index, source) in input.sources.iter().enumerate() {
                let name = if input.many {
                    format!("input {}[{index}]", input.name)
                } else {
                    format!("input {}", input.name)
                };
                let digest = match source
                    .from
                    .as_ref()
                    .ok_or(KeyError::Damaged("a source without origin"))?
                {
                    source::From::File(file) => {
                        for companion in &file.companions {
                            let digest = Digest::from_slice(&companion.digest)
                                .map_err(|_| KeyError::Damaged("a companion without digest"))?;
                            parts.set(format!("{name} beside {}", companion.name), digest.to_string());
                        }
                        Some(
                            Digest::from_slice(&file.digest)
                                .map_err(|_| KeyError::Damaged("a file without digest"))?,
                        )
                    }
                    source::From::Edge(edge) => made(edge.item, &edge.output),
                };
                match digest {
                    Some(digest) => parts.set(name.clone(), format!("{digest}{}", source.extension)),
                    None if partial => parts.set(name.clone(), "missing"),
                    None => {
                        return Err(KeyError::InputUnknown {
                            input: input.name.clone(),
                        });
                    }
                }
                if labels {
                    parts.set(format!("{name} label"), source.label.clone());
                }
            }
            if !input.units.is_empty() {
                parts.set(format!("input {} units", input.name), input.units.clone());
            }
            if !input.up.is_empty() {
                parts.set(format!("input {} up", input.name), input.up.clone());
            }
        }
        for output in &item.outputs {
            let kind = if output.folder {
                "folder"
            } else {
                output.extension.as_str()
            };
            parts.set(format!("output {}", output.name), kind);
        }
        for variable in &item.environment {
            parts.set(format!("env {}", variable.name), variable.value.clone());
        }
        Ok(parts)
    }

    fn add_operation(&mut self, position: usize, chain: &[Operation], operation: &Operation) {
        // `displace.amplitude` reads well; a second `displace` of the same chain is `displace#2.amplitude`.
        let earlier = chain[..position]
            .iter()
            .filter(|other| other.name == operation.name)
            .count();
        let label = match earlier {
            0 => operation.name.clone(),
            n => format!("{}#{}", operation.name, n + 1),
        };
        self.set(format!("op {position}"), label.clone());
        self.set(format!("{label} version"), operation.version.to_string());
        for setting in &operation.settings {
            let text = setting.value.as_ref().map(value_text).unwrap_or_default();
            self.set(format!("{label}.{}", setting.name), text);
        }
        for binding in &operation.inputs {
            self.set(format!("{label} reads {}", binding.port), binding.value.clone());
        }
        for binding in &operation.outputs {
            self.set(format!("{label} gives {}", binding.port), binding.value.clone());
        }
    }

    fn add_program(&mut self, program: &Program, tools: &HashMap<String, String>) -> Result<(), KeyError> {
        let exact = tools.get(&program.tool).ok_or_else(|| KeyError::ToolUnknown {
            tool: program.tool.clone(),
        })?;
        self.set(format!("tool {}", program.tool), exact.clone());
        self.set("arguments", program.arguments.len().to_string());
        for (index, argument) in program.arguments.iter().enumerate() {
            let mut text = String::new();
            for part in &argument.parts {
                // Placeholders are marked by a control character that text is escaped from, so that the
                // text "{map}" and the placeholder {map} differ.
                let _ = match part.kind.as_ref() {
                    Some(part::Kind::Text(literal)) => {
                        write!(text, "{}", literal.replace('\u{1}', "\u{1}\u{1}"))
                    }
                    Some(part::Kind::Input(name)) => write!(text, "\u{1}input {name}\u{2}"),
                    Some(part::Kind::InputList(name)) => write!(text, "\u{1}list {name}\u{2}"),
                    Some(part::Kind::Output(name)) => write!(text, "\u{1}output {name}\u{2}"),
                    None => return Err(KeyError::Damaged("an argument part without content")),
                };
            }
            self.set(format!("argument {}", index + 1), text);
        }
        Ok(())
    }

    fn set(&mut self, name: impl Into<String>, value: impl Into<String>) {
        self.0.insert(name.into(), value.into());
    }

    /// The key: BLAKE3 over the parts in name order, each text behind its length, so that no two different
    /// sets of parts share an encoding.
    pub fn key(&self) -> Key {
        let mut hasher = blake3::Hasher::new_derive_key("tidemill item key");
        for (name, value) in &self.0 {
            for text in [name, value] {
                hasher.update(&(text.len() as u64).to_le_bytes());
                hasher.update(text.as_bytes());
            }
        }
        Key(hasher.finalize().into())
    }

    /// Name and value of each part, in name order.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value.as_str()))
    }

    /// The value of one part.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(String::as_str)
    }

    /// Parts that differ from `earlier`: name, value before, value after.
    pub fn changes_since<'a>(
        &'a self,
        earlier: &'a Self,
    ) -> Vec<(&'a str, Option<&'a str>, Option<&'a str>)> {
        let mut names: Vec<&str> = self
            .0
            .keys()
            .chain(earlier.0.keys())
            .map(String::as_str)
            .collect();
        names.sort_unstable();
        names.dedup();
        names
            .into_iter()
            .map(|name| (name, earlier.get(name), self.get(name)))
            .filter(|(_, before, after)| before != after)
            .collect()
    }
}

/// A value as it stands in a key and in messages: numbers in their shortest exact form.
pub fn value_text(value: &Value) -> String {
    match value.kind.as_ref() {
        None => String::new(),
        Some(value::Kind::Number(number)) => number_text(*number),
        Some(value::Kind::Text(text)) => text.clone(),
        Some(value::Kind::Flag(flag)) => flag.to_string(),
        Some(value::Kind::List(list)) => {
            let texts: Vec<String> = list.values.iter().map(value_text).collect();
            format!("[{}]", texts.join(", "))
        }
    }
}

/// Shortest text that reads back as the same number; whole numbers without a point; no negative zero.
pub fn number_text(number: f64) -> String {
    if number == 0.0 {
        "0".to_owned()
    } else {
        format!("{number}")
    }
}

/// Addresses of the items that feed `item`, each once, in plan order.
pub fn upstream_of<'a>(plan: &'a Plan, item: &Item) -> Vec<&'a str> {
    let mut indexes: Vec<u32> = item
        .inputs
        .iter()
        .flat_map(|input| &input.sources)
        .filter_map(|source| match source.from.as_ref() {
            Some(source::From::Edge(edge)) => Some(edge.item),
            _ => None,
        })
        .collect();
    indexes.sort_unstable();
    indexes.dedup();
    indexes
        .into_iter()
        .filter_map(|index| plan.items.get(index as usize))
        .map(|item| item.address.as_str())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::v1::{Argument, Edge, Field, File, Input, Operations, Output, Part, Source};

    fn number(name: &str, value: f64) -> Field {
        Field {
            name: name.into(),
            value: Some(Value {
                kind: Some(value::Kind::Number(value)),
            }),
        }
    }

    fn displaced(amplitude: f64) -> Item {
        Item {
            address: "crate-small/weathered".into(),
            inputs: vec![Input {
                name: "model".into(),
                sources: vec![Source {
                    from: Some(source::From::File(File {
                        path: "base/crate-small.obj".into(),
                        digest: Digest::of(b"model").to_vec(),
                        size: 5,
                        companions: vec![],
                    })),
                    label: "crate-small".into(),
                    extension: ".obj".into(),
                }],
                units: "m".into(),
                ..Input::default()
            }],
            action: Some(item::Action::Operations(Operations {
                chain: vec![Operation {
                    name: "displace".into(),
                    version: 1,
                    settings: vec![number("amplitude", amplitude)],
                    ..Operation::default()
                }],
            })),
            outputs: vec![Output {
                name: "mesh".into(),
                path: "crate-small.glb".into(),
                extension: ".glb".into(),
                folder: false,
            }],
            ..Item::default()
        }
    }

    fn parts(item: &Item) -> KeyParts {
        KeyParts::gather(&[], false, item, &|_, _| None, &HashMap::new()).unwrap()
    }

    #[test]
    fn a_changed_setting_is_named() {
        let (before, after) = (parts(&displaced(0.004)), parts(&displaced(0.006)));
        assert_ne!(before.key(), after.key());
        let changes = after.changes_since(&before);
        assert_eq!(
            changes,
            vec![("displace.amplitude", Some("0.004"), Some("0.006"))]
        );
    }

    #[test]
    fn paths_and_names_do_not_count() {
        let one = displaced(0.004);
        let mut two = one.clone();
        two.address = "crate-tiny/rough".into();
        two.outputs[0].path = "elsewhere/x.glb".into();
        if let Some(source::From::File(file)) = two.inputs[0].sources[0].from.as_mut() {
            file.path = "moved/y.obj".into();
        }
        two.inputs[0].sources[0].label = "crate-tiny".into();
        two.retries = 3;
        assert_eq!(parts(&one).key(), parts(&two).key());
    }

    #[test]
    fn a_placeholder_is_not_its_own_text() {
        let program = |kind: part::Kind| Item {
            action: Some(item::Action::Program(Program {
                tool: "cp".into(),
                arguments: vec![Argument {
                    parts: vec![Part { kind: Some(kind) }],
                }],
            })),
            ..Item::default()
        };
        let tools = HashMap::from([("cp".to_owned(), "9".to_owned())]);
        let key = |item: &Item| {
            KeyParts::gather(&[], false, item, &|_, _| None, &tools)
                .unwrap()
                .key()
        };
        let input = program(part::Kind::Input("map".into()));
        let text = program(part::Kind::Text("\u{1}input map\u{2}".into()));
        assert_ne!(key(&input), key(&text));
        assert_eq!(
            KeyParts::gather(&[], false, &input, &|_, _| None, &HashMap::new()),
            Err(KeyError::ToolUnknown { tool: "cp".into() })
        );
    }

    #[test]
    fn a_missing_source_counts_only_for_a_partial_item() {
        let mut item = displaced(0.004);
        item.inputs[0].sources[0].from = Some(source::From::Edge(Edge {
            item: 0,
            output: "mesh".into(),
        }));
        let gather = |partial| KeyParts::gather(&[], partial, &item, &|_, _| None, &HashMap::new());
        assert!(matches!(gather(false), Err(KeyError::InputUnknown { .. })));
        assert_eq!(gather(true).unwrap().get("input model"), Some("missing"));
    }

    #[test]
    fn numbers_have_one_text() {
        assert_eq!(number_text(-0.0), "0");
        assert_eq!(number_text(4000.0), "4000");
        assert_eq!(number_text(0.004), "0.004");
    }
}
