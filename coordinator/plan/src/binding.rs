//! Ports of an operation to the values of its chain: by name, by `in` and `as`, or because only one would do.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_ops::declare::{Declaration, Kind, Outputs, Port};
use tidemill_proto::v1::{Binding, Operation, value};

use crate::chain::{ChainValue, Content};
use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{At, CallDecl, Literal, RenameDecl};

/// Binds each input port to a value; what does not fit is an error.
pub(crate) fn bind_inputs(
    call: &CallDecl,
    declaration: &Declaration,
    values: &BTreeMap<String, ChainValue>,
    report: &mut Report<'_>,
) -> Vec<Binding> {
    let op = declaration.name;
    for (port, _) in &call.inputs {
        if !declaration.inputs.iter().any(|known| known.name == port.value) {
            let known = declaration.inputs.iter().map(|known| known.name);
            report
                .error(
                    "unknown-port",
                    &port.span,
                    format!("`{op}` has no input `{}`", port.value),
                )
                .maybe_hint(nearest::hint(&port.value, known));
        }
    }
    let mut bound = Vec::new();
    let mut sound = true;
    for port in declaration.inputs {
        let renamed = call.inputs.iter().find(|(name, _)| name.value == port.name);
        let (name, span) = match renamed {
            Some((_, value)) => (Some(value.value.as_str()), &value.span),
            None => (choose_value(port, declaration, values), &call.op.span),
        };
        match name.map(|name| (name, values.get(name))) {
            Some((name, Some(value))) => match check_value(port, name, value) {
                Ok(()) => bound.push(Binding {
                    port: port.name.to_owned(),
                    value: name.to_owned(),
                }),
                Err((code, problem, hint)) => {
                    sound = false;
                    report
                        .error(
                            code,
                            span,
                            format!("`{op}` reads `{name}` as `{}`, but {problem}", port.name),
                        )
                        .hint(hint);
                }
            },
            Some((name, None)) => {
                sound = false;
                report
                    .error(
                        "unknown-value",
                        span,
                        format!("`{op}` reads `{name}`, but there is no such value here"),
                    )
                    .maybe_hint(nearest::hint(name, values.keys().map(String::as_str)));
            }
            None if port.optional => {}
            None => {
                sound = false;
                report
                    .error(
                        "missing-input",
                        span,
                        format!(
                            "`{op}` reads {} `{}`, which is not there",
                            describe(port),
                            port.name
                        ),
                    )
                    .hint(missing_hint(port, values));
            }
        }
    }
    if sound && bound.is_empty() && !declaration.inputs.is_empty() {
        let ports: Vec<&str> = declaration.inputs.iter().map(|port| port.name).collect();
        report
            .error(
                "missing-input",
                &call.op.span,
                format!(
                    "`{op}` has nothing to read: none of {} is there",
                    nearest::quoted(&ports)
                ),
            )
            .hint("name one in `from`, or rename a value with `in = { … }`");
    }
    bound
}

/// The value of the port's own name, or else the only one that would do, or else the only one there is.
fn choose_value<'v>(
    port: &Port,
    declaration: &Declaration,
    values: &'v BTreeMap<String, ChainValue>,
) -> Option<&'v str> {
    if let Some((name, _)) = values.get_key_value(port.name) {
        return Some(name);
    }
    // A single map among ports for colour, normals and others is meant for one of them only: its name says which.
    let alike = |other: &&Port| other.kind == port.kind && other.many == port.many;
    if port.optional && declaration.inputs.iter().filter(alike).count() > 1 {
        return None;
    }
    let mut fitting = values
        .iter()
        .filter(|(name, value)| check_value(port, name, value).is_ok());
    match (fitting.next(), fitting.next()) {
        (Some((name, _)), None) => Some(name),
        // Nothing fits: the only value is named in the error that says why. An optional port stays empty.
        (None, _) if values.len() == 1 && !port.optional => values.keys().next().map(String::as_str),
        _ => None,
    }
}

/// Code, problem and hint.
type Mismatch = (&'static str, String, String);

fn check_value(port: &Port, name: &str, value: &ChainValue) -> Result<(), Mismatch> {
    let kind = port.kind.word();
    if let Err(found) = value.fits(port.kind) {
        let readable = nearest::quoted(port.kind.readable());
        return Err((
            "wrong-kind",
            format!("`{name}` is {found}"),
            format!("a {kind} is expected, read from {readable}"),
        ));
    }
    if matches!(value.content, Content::Unknown) || value.many == port.many {
        return Ok(());
    }
    Err(if port.many {
        (
            "not-gathered",
            format!("`{name}` is a single {kind}"),
            "it reads files of many variants: add `each = \"all\"`, or the name of a field, to the step"
                .to_owned(),
        )
    } else {
        (
            "gathered",
            format!("`{name}` is one {kind} for each variant of the group"),
            "it reads a single file: do this in a step for each variant, and gather behind it".to_owned(),
        )
    })
}

fn describe(port: &Port) -> String {
    if port.many {
        format!("many {} files as", port.kind.word())
    } else {
        format!("a {}", port.kind.word())
    }
}

fn missing_hint(port: &Port, values: &BTreeMap<String, ChainValue>) -> String {
    let names: Vec<&str> = values.keys().map(String::as_str).collect();
    if names.is_empty() {
        format!(
            "name it in `from`, as in `from = {{ {} = \"step.output\" }}`",
            port.name
        )
    } else {
        format!(
            "there are {}; choose with `in = {{ {} = \"…\" }}`",
            nearest::quoted(&names),
            port.name
        )
    }
}

/// Names and kinds of what an operation adds; `None` if they cannot be known.
pub(crate) fn bind_outputs(
    call: &CallDecl,
    declaration: &Declaration,
    operation: &Operation,
    report: &mut Report<'_>,
) -> Option<Vec<(Binding, Kind)>> {
    let ports: Vec<(String, Kind)> = match declaration.outputs {
        Outputs::Fixed(ports) => ports
            .iter()
            .map(|port| (port.name.to_owned(), port.kind))
            .collect(),
        Outputs::Named { setting, kind } => named_outputs(call, operation, setting, report)?
            .into_iter()
            .map(|name| (name, kind))
            .collect(),
    };
    let op = declaration.name;
    let renames: Vec<(&At<String>, &At<String>)> = match &call.outputs {
        RenameDecl::No => vec![],
        RenameDecl::Only(name) => match ports.as_slice() {
            [(port, kind)] => {
                return Some(vec![(
                    Binding {
                        port: port.clone(),
                        value: name.value.clone(),
                    },
                    *kind,
                )]);
            }
            _ => {
                report
                    .error(
                        "which-output",
                        &name.span,
                        format!(
                            "`{op}` has {} outputs here: which one is `{}`?",
                            ports.len(),
                            name.value
                        ),
                    )
                    .hint(format!(
                        "write `as = {{ {} = \"{}\" }}`",
                        ports.first().map_or("port", |(port, _)| port),
                        name.value
                    ));
                return None;
            }
        },
        RenameDecl::Ports(renames) => renames.iter().map(|(port, name)| (port, name)).collect(),
    };
    for (port, _) in &renames {
        if !ports.iter().any(|(known, _)| *known == port.value) {
            let known = ports.iter().map(|(known, _)| known.as_str());
            report
                .error(
                    "unknown-port",
                    &port.span,
                    format!("`{op}` has no output `{}` here", port.value),
                )
                .maybe_hint(nearest::hint(&port.value, known));
        }
    }
    let mut taken = BTreeSet::new();
    let mut bound = Vec::with_capacity(ports.len());
    for (port, kind) in ports {
        let renamed = renames.iter().find(|(from, _)| from.value == port);
        let value = renamed.map_or_else(|| port.clone(), |(_, to)| to.value.clone());
        if !taken.insert(value.clone()) {
            let span = renamed.map_or(&call.op.span, |(_, to)| &to.span);
            report.error(
                "duplicate-name",
                span,
                format!("two outputs of `{op}` are called `{value}`"),
            );
        }
        bound.push((Binding { port, value }, kind));
    }
    Some(bound)
}

fn named_outputs(
    call: &CallDecl,
    operation: &Operation,
    setting: &str,
    report: &mut Report<'_>,
) -> Option<Vec<String>> {
    let field = operation.settings.iter().find(|field| field.name == setting);
    if let Some(value::Kind::List(list)) = field.and_then(|field| field.value.as_ref()?.kind.as_ref()) {
        let names = list.values.iter().filter_map(|value| match &value.kind {
            Some(value::Kind::Text(name)) => Some(name.clone()),
            _ => None,
        });
        return Some(names.collect());
    }
    // With placeholders in it the outputs would differ from item to item.
    let written = call.settings.iter().find(|(name, _)| name.value == setting);
    if let Some((
        _,
        At {
            value: Literal::List(entries),
            span,
        },
    )) = written
        && entries
            .iter()
            .any(|entry| matches!(&entry.value, Literal::Text(text) if text.contains('{')))
    {
        report
            .error(
                "placeholder-not-here",
                span,
                format!("`{setting}` names outputs, which must be the same for every item"),
            )
            .hint("write the names out");
    }
    None
}
