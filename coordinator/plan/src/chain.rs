//! A chain of operations over named values, checked by type.
//!
//! At first the values are the step's inputs. Each operation reads the ones that its ports are bound to and adds
//! its outputs; at the end every declared output must be there with the right type.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use tidemill_ops::declare::{Declaration, Default, Kind, Outputs, SettingKind};
use tidemill_proto::v1::{Field, Operation, Value, value};

use crate::binding::{bind_inputs, bind_outputs};
use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{CallDecl, MakeDecl};
use crate::settings::{Given, Target};
use crate::variants::scope::{Names, Scope};

/// A named value of a chain, as far as it is known before anything runs.
#[derive(Debug, Clone)]
pub(crate) struct ChainValue {
    pub(crate) content: Content,
    /// Gathers files of several variants.
    pub(crate) many: bool,
}

/// What a value is.
#[derive(Debug, Clone)]
pub(crate) enum Content {
    /// An operation made it.
    Kind(Kind),
    /// Files with these extensions; for base models there may be several.
    Files(BTreeSet<String>),
    /// A folder.
    Folder,
    /// Something was wrong before; any use of it is taken for right.
    Unknown,
}

impl ChainValue {
    /// Whether it can be read as that kind; else what it is instead.
    pub(crate) fn fits(&self, kind: Kind) -> Result<(), String> {
        match &self.content {
            Content::Unknown => Ok(()),
            Content::Kind(own) if *own == kind => Ok(()),
            Content::Kind(own) => Err(format!("a {}", own.word())),
            Content::Folder => Err("a folder".to_owned()),
            Content::Files(extensions) => {
                match extensions
                    .iter()
                    .find(|extension| !kind.readable().contains(&extension.as_str()))
                {
                    None => Ok(()),
                    Some(extension) if extension.is_empty() => Err("a file without extension".to_owned()),
                    Some(extension) => Err(format!("a `{extension}` file")),
                }
            }
        }
    }
}

/// A compiled chain.
#[derive(Debug)]
pub(crate) struct Chain<'d> {
    pub(crate) calls: Vec<Call<'d>>,
}

/// One operation of a compiled chain.
#[derive(Debug)]
pub(crate) struct Call<'d> {
    pub(crate) declaration: &'d Declaration,
    /// `displace`, or `displace#2` for the second of its chain.
    pub(crate) label: String,
    /// With all settings that are the same for every item.
    pub(crate) operation: Operation,
    /// Settings that depend on the item: index in the declaration, where it stands, what it is made of.
    pub(crate) filled: Vec<(usize, Range<usize>, Given)>,
    /// Where each written setting stands, by index in the declaration.
    pub(crate) written: BTreeMap<usize, Range<usize>>,
}

/// What a chain is compiled with.
pub(crate) struct ChainContext<'c, 'd> {
    pub(crate) operations: &'d [Declaration],
    pub(crate) names: &'c Names,
    pub(crate) scope: Scope<'c>,
    pub(crate) tags: &'c [String],
}

impl<'d> ChainContext<'_, 'd> {
    /// Compiles a chain; `values` are those of `from`. `None` if an operation is unknown.
    pub(crate) fn compile(
        &self,
        calls: &[CallDecl],
        mut values: BTreeMap<String, ChainValue>,
        makes: &[MakeDecl],
        report: &mut Report<'_>,
    ) -> Option<Chain<'d>> {
        let mut compiled: Vec<Call<'d>> = Vec::with_capacity(calls.len());
        // After an unknown operation nobody knows what values there are.
        let mut sure = true;
        for call in calls {
            let Some(declaration) = self.operations.iter().find(|known| known.name == call.op.value) else {
                report
                    .error(
                        "unknown-operation",
                        &call.op.span,
                        format!("there is no operation `{}`", call.op.value),
                    )
                    .label("unknown operation")
                    .maybe_hint(nearest::hint(
                        &call.op.value,
                        self.operations.iter().map(|known| known.name),
                    ));
                sure = false;
                continue;
            };
            let earlier = compiled
                .iter()
                .filter(|other| other.declaration.name == declaration.name)
                .count();
            let label = match earlier {
                0 => declaration.name.to_owned(),
                n => format!("{}#{}", declaration.name, n + 1),
            };
            let mut new = self.compile_settings(call, declaration, label, report);
            if sure {
                new.operation.inputs = bind_inputs(call, declaration, &values, report);
            }
            match bind_outputs(call, declaration, &new.operation, report) {
                Some(outputs) => {
                    for (binding, kind) in outputs {
                        let value = ChainValue {
                            content: Content::Kind(kind),
                            many: false,
                        };
                        values.insert(binding.value.clone(), value);
                        new.operation.outputs.push(binding);
                    }
                }
                None => sure = false,
            }
            compiled.push(new);
        }
        if sure {
            check_makes(makes, &values, report);
        }
        sure.then_some(Chain { calls: compiled })
    }

    fn compile_settings(
        &self,
        call: &CallDecl,
        declaration: &'d Declaration,
        label: String,
        report: &mut Report<'_>,
    ) -> Call<'d> {
        let mut fields = Vec::with_capacity(declaration.settings.len());
        let mut filled = Vec::new();
        let mut written = BTreeMap::new();
        for (name, _) in &call.settings {
            if declaration.setting(&name.value).is_none() {
                let known = declaration
                    .settings
                    .iter()
                    .map(|setting| setting.name)
                    .chain(["in", "as"]);
                report
                    .error(
                        "unknown-setting",
                        &name.span,
                        format!("`{}` has no setting `{}`", declaration.name, name.value),
                    )
                    .label("unknown setting")
                    .maybe_hint(nearest::hint(&name.value, known));
            }
        }
        for (index, decl) in declaration.settings.iter().enumerate() {
            let target = Target {
                decl,
                operation: &label,
                tags: self.tags,
            };
            let Some((_, value)) = call.settings.iter().find(|(name, _)| name.value == decl.name) else {
                if decl.default == Default::Required {
                    report
                        .error(
                            "missing-setting",
                            &call.op.span,
                            format!("`{}` needs the setting `{}`", declaration.name, decl.name),
                        )
                        .label(format!("`{}` is missing", decl.name))
                        .hint(decl.summary);
                }
                fields.extend(default_value(decl.default).map(|value| Field {
                    name: decl.name.to_owned(),
                    value: Some(value),
                }));
                continue;
            };
            written.insert(index, value.span.clone());
            match target.compile(value, self.names, self.scope, report) {
                Given::Fixed(value) => fields.push(Field {
                    name: decl.name.to_owned(),
                    value: Some(value),
                }),
                Given::Broken => {}
                depends => filled.push((index, value.span.clone(), depends)),
            }
        }
        fields.sort_by(|one, two| one.name.cmp(&two.name));
        let operation = Operation {
            name: declaration.name.to_owned(),
            version: declaration.version,
            settings: fields,
            uses_tags: declaration.uses_tags,
            uses_labels: declaration.uses_labels,
            ..Operation::default()
        };
        Call {
            declaration,
            label,
            operation,
            filled,
            written,
        }
    }
}

/// The value that a default stands for; `None` where it stands for nothing.
pub(crate) fn default_value(default: Default) -> Option<Value> {
    let kind = match default {
        Default::Required | Default::Absent => return None,
        Default::Number(number) => value::Kind::Number(number),
        Default::Flag(flag) => value::Kind::Flag(flag),
        Default::Word(word) => value::Kind::Text(word.to_owned()),
    };
    Some(Value { kind: Some(kind) })
}

fn check_makes(makes: &[MakeDecl], values: &BTreeMap<String, ChainValue>, report: &mut Report<'_>) {
    for make in makes {
        let name = &make.name;
        let Some(value) = values.get(&name.value) else {
            report
                .error(
                    "unknown-value",
                    &name.span,
                    format!("no operation gives `{}`", name.value),
                )
                .label("nothing of this name at the end of the chain")
                .maybe_hint(nearest::hint(&name.value, values.keys().map(String::as_str)));
            continue;
        };
        if make.folder {
            report
                .error(
                    "wrong-extension",
                    &make.path.span,
                    format!("`{}` is a single file, not a folder", name.value),
                )
                .hint("remove the `/` at the end, and give it an extension");
            continue;
        }
        if value.many {
            report
                .error(
                    "gathered",
                    &name.span,
                    format!("`{}` is many files: it cannot be made as one", name.value),
                )
                .hint("an operation such as `sheet` makes one file of many");
            continue;
        }
        if !make.sound {
            continue;
        }
        let extension = crate::steps::fixed_extension(&make.path);
        let kind = match &value.content {
            Content::Kind(kind) => Some(*kind),
            // An input that no operation touched is written as what it was read as.
            Content::Files(extensions) => [Kind::Mesh, Kind::Map, Kind::Data].into_iter().find(|kind| {
                extensions
                    .iter()
                    .all(|extension| kind.readable().contains(&extension.as_str()))
            }),
            Content::Folder | Content::Unknown => None,
        };
        if let Some(kind) = kind
            && !kind.writable().contains(&extension.as_str())
        {
            let found = if extension.is_empty() {
                "no extension".to_owned()
            } else {
                format!("the extension `{extension}`")
            };
            report
                .error(
                    "wrong-extension",
                    &make.path.span,
                    format!("`{}` is a {}, but its path has {found}", name.value, kind.word()),
                )
                .hint(format!(
                    "a {} is written as {}",
                    kind.word(),
                    nearest::quoted(kind.writable())
                ));
        }
    }
}

/// Whether a setting's words become names of outputs.
pub(crate) fn names_outputs(declaration: &Declaration, setting: usize) -> bool {
    let decl = &declaration.settings[setting];
    matches!(declaration.outputs, Outputs::Named { setting, .. } if setting == decl.name)
        && matches!(decl.kind, SettingKind::Words(_))
}
