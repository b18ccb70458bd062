//! What an item does: operations that are known here and fit together, programs that the plan names.

use std::collections::BTreeMap;

use tidemill_ops::declare::{Declaration, Kind, Outputs};
use tidemill_proto::v1::{Argument, Item, Operation, Operations, Part, Program, part, value};

use super::Checker;
use crate::names;
use crate::settings::Target;

impl Checker<'_> {
    pub(super) fn check_chain(&mut self, item: &Item, operations: &Operations) {
        let address = item.address.as_str();
        self.hold(!operations.chain.is_empty(), || {
            format!("`{address}` has no operation")
        });
        // Names of values, and whether they gather.
        let mut values: BTreeMap<&str, (Option<Kind>, bool)> = item
            .inputs
            .iter()
            .map(|input| (input.name.as_str(), (None, input.many)))
            .collect();
        for operation in &operations.chain {
            let Some(declaration) = self.operations.iter().find(|known| known.name == operation.name) else {
                self.problem(format!(
                    "`{address}` uses the operation `{}`, which is not known here",
                    operation.name
                ));
                return;
            };
            self.hold(operation.version == declaration.version, || {
                format!(
                    "`{address}` uses version {} of `{}`; here it has version {}",
                    operation.version, operation.name, declaration.version
                )
            });
            let uses = (operation.uses_tags, operation.uses_labels);
            self.hold(uses == (declaration.uses_tags, declaration.uses_labels), || {
                format!(
                    "`{}` of `{address}` does not say rightly whether it uses tags and labels",
                    operation.name
                )
            });
            self.check_settings(address, operation, declaration);
            for binding in &operation.inputs {
                let port = declaration.inputs.iter().find(|port| port.name == binding.port);
                let value = values.get(binding.value.as_str());
                let right = port.zip(value).is_some_and(|(port, (kind, many))| {
                    port.many == *many && kind.is_none_or(|kind| kind == port.kind)
                });
                self.hold(right, || {
                    format!(
                        "`{}` of `{address}` cannot read `{}` as `{}`",
                        operation.name, binding.value, binding.port
                    )
                });
            }
            for port in declaration.inputs.iter().filter(|port| !port.optional) {
                self.hold(
                    operation.inputs.iter().any(|binding| binding.port == port.name),
                    || {
                        format!(
                            "`{}` of `{address}` has no `{}` to read",
                            operation.name, port.name
                        )
                    },
                );
            }
            let mut given = output_kinds(operation, declaration);
            for binding in &operation.outputs {
                match given.remove(&binding.port) {
                    Some(kind) if names::is_word(&binding.value) => {
                        values.insert(&binding.value, (Some(kind), false));
                    }
                    _ => self.problem(format!(
                        "`{}` of `{address}` does not give `{}`",
                        operation.name, binding.port
                    )),
                }
            }
        }
        for output in &item.outputs {
            let right = match values.get(output.name.as_str()) {
                Some((Some(kind), false)) => kind.writable().contains(&output.extension.as_str()),
                Some((None, false)) => true,
                _ => false,
            };
            self.hold(right && !output.folder, || {
                format!(
                    "no operation of `{address}` gives `{}` as `{}`",
                    output.name, output.extension
                )
            });
        }
    }

    fn check_settings(&mut self, address: &str, operation: &Operation, declaration: &Declaration) {
        let tags = std::mem::take(&mut self.tags);
        for field in &operation.settings {
            let Some(decl) = declaration.setting(&field.name) else {
                self.problem(format!(
                    "`{}` of `{address}` has no setting `{}`",
                    operation.name, field.name
                ));
                continue;
            };
            let target = Target {
                decl,
                operation: declaration.name,
                tags: &tags,
            };
            let result = field.value.as_ref().map(|value| target.recheck(value));
            match result {
                Some(Ok(())) => {}
                Some(Err(problem)) => self.problem(format!("{} in `{address}`", problem.message)),
                None => self.problem(format!(
                    "`{}` of `{}` in `{address}` has no value",
                    field.name, operation.name
                )),
            }
        }
        self.tags = tags;
        self.hold(
            operation.settings.is_sorted_by(|one, two| one.name < two.name),
            || format!("settings of `{}` in `{address}` are not in order", operation.name),
        );
        for decl in declaration
            .settings
            .iter()
            .filter(|decl| decl.default != tidemill_ops::declare::Default::Absent)
        {
            self.hold(
                operation.settings.iter().any(|field| field.name == decl.name),
                || {
                    format!(
                        "`{}` of `{address}` lacks the setting `{}`",
                        operation.name, decl.name
                    )
                },
            );
        }
    }

    pub(super) fn check_program(&mut self, item: &Item, program: &Program) {
        let address = item.address.as_str();
        let known = self.plan.tools.iter().any(|tool| tool.name == program.tool);
        self.hold(known, || {
            format!(
                "`{address}` runs `{}`, which is no tool of the plan",
                program.tool
            )
        });
        for Argument { parts } in &program.arguments {
            for Part { kind } in parts {
                let input = |name: &String| item.inputs.iter().find(|input| input.name == *name);
                let right = match kind {
                    Some(part::Kind::Text(text)) => !text.contains('\0'),
                    Some(part::Kind::Input(name)) => {
                        input(name).is_some_and(|input| !input.many || parts.len() == 1)
                    }
                    Some(part::Kind::InputList(name)) => input(name).is_some(),
                    Some(part::Kind::Output(name)) => item.outputs.iter().any(|output| output.name == *name),
                    None => false,
                };
                self.hold(right, || format!("an argument of `{address}` stands for nothing"));
            }
        }
    }
}

/// What an operation gives, by port.
fn output_kinds(operation: &Operation, declaration: &Declaration) -> BTreeMap<String, Kind> {
    match declaration.outputs {
        Outputs::Fixed(ports) => ports
            .iter()
            .map(|port| (port.name.to_owned(), port.kind))
            .collect(),
        Outputs::Named { setting, kind } => {
            let field = operation.settings.iter().find(|field| field.name == setting);
            let list = match field.and_then(|field| field.value.as_ref()?.kind.as_ref()) {
                Some(value::Kind::List(list)) => list.values.as_slice(),
                _ => &[],
            };
            let names = list.iter().filter_map(|value| match &value.kind {
                Some(value::Kind::Text(name)) => Some((name.clone(), kind)),
                _ => None,
            });
            names.collect()
        }
    }
}
