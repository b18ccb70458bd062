//! What differs between the plans of two runs: settings, arguments, files, variants, steps. Pure.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_proto::v1::{Item, Plan, Value, item, part, source, value};

/// One setting, argument or file that differs, with the number of items that it differs for.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Changed {
    /// `weathered.displace.amplitude`, `base/crate.obj`.
    pub name: String,
    /// As people read it; empty: was not there.
    pub before: String,
    /// Empty: is no longer there.
    pub after: String,
    /// How many items.
    pub items: usize,
}

/// What differs.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PlanDifference {
    /// What concerns most items first.
    pub changed: Vec<Changed>,
    /// Names of variants that only the later run has.
    pub added: Vec<String>,
    /// Names of variants that only the earlier run has.
    pub removed: Vec<String>,
}

/// Compares two plans, the earlier first.
pub fn differences(before: &Plan, after: &Plan) -> PlanDifference {
    let names = |plan: &Plan| {
        plan.variants
            .iter()
            .map(|variant| variant.name.clone())
            .collect::<BTreeSet<_>>()
    };
    let (was, is) = (names(before), names(after));
    let later: BTreeMap<&str, &Item> = after
        .items
        .iter()
        .map(|item| (item.address.as_str(), item))
        .collect();
    let mut counts: BTreeMap<(String, String, String), usize> = BTreeMap::new();
    for item in &before.items {
        let Some(other) = later.get(item.address.as_str()) else {
            continue;
        };
        let (was, is) = (parts(before, item), parts(after, other));
        for name in was.keys().chain(is.keys()).collect::<BTreeSet<_>>() {
            let (was, is) = (
                was.get(name).cloned().unwrap_or_default(),
                is.get(name).cloned().unwrap_or_default(),
            );
            if was != is {
                *counts.entry((name.clone(), was, is)).or_default() += 1;
            }
        }
    }
    let mut changed: Vec<Changed> = counts
        .into_iter()
        .map(|((name, before, after), items)| Changed {
            name,
            before,
            after,
            items,
        })
        .collect();
    changed.sort_by(|a, b| b.items.cmp(&a.items).then_with(|| a.cmp(b)));
    PlanDifference {
        changed,
        added: is.difference(&was).cloned().collect(),
        removed: was.difference(&is).cloned().collect(),
    }
}

/// All that a person may have changed about an item, by name.
fn parts(plan: &Plan, item: &Item) -> BTreeMap<String, String> {
    let step = plan
        .steps
        .get(item.step as usize)
        .map_or("", |step| step.name.as_str());
    let mut parts = BTreeMap::new();
    match &item.action {
        Some(item::Action::Operations(operations)) => {
            let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
            let names: Vec<&str> = operations
                .chain
                .iter()
                .map(|operation| operation.name.as_str())
                .collect();
            parts.insert(format!("{step}.ops"), names.join(", "));
            for operation in &operations.chain {
                let times = seen.entry(&operation.name).or_default();
                *times += 1;
                let which = if *times > 1 {
                    format!("#{times}")
                } else {
                    String::new()
                };
                for setting in &operation.settings {
                    let name = format!("{step}.{}{which}.{}", operation.name, setting.name);
                    parts.insert(name, shown(setting.value.as_ref()));
                }
            }
        }
        Some(item::Action::Program(program)) => {
            for (index, argument) in program.arguments.iter().enumerate() {
                let text: String = argument
                    .parts
                    .iter()
                    .map(|part| match &part.kind {
                        Some(part::Kind::Text(text)) => text.clone(),
                        Some(part::Kind::Input(name) | part::Kind::Output(name)) => format!("{{{name}}}"),
                        Some(part::Kind::InputList(name)) => format!("{{{name}.list}}"),
                        None => String::new(),
                    })
                    .collect();
                parts.insert(format!("{step}.program[{}]", index + 1), text);
            }
            parts.insert(format!("{step}.program[0]"), program.tool.clone());
        }
        None => {}
    }
    for source in item.inputs.iter().flat_map(|input| &input.sources) {
        if let Some(source::From::File(file)) = &source.from {
            let digest = tidemill_proto::Digest::from_slice(&file.digest);
            parts.insert(
                file.path.clone(),
                digest.map(|digest| digest.short()).unwrap_or_default(),
            );
        }
    }
    for variable in &item.environment {
        parts.insert(format!("{step}.env.{}", variable.name), variable.value.clone());
    }
    parts
}

fn shown(value: Option<&Value>) -> String {
    match value.and_then(|value| value.kind.as_ref()) {
        Some(value::Kind::Number(number)) => number.to_string(),
        Some(value::Kind::Text(text)) => text.clone(),
        Some(value::Kind::Flag(flag)) => flag.to_string(),
        Some(value::Kind::List(list)) => {
            let values: Vec<String> = list.values.iter().map(|value| shown(Some(value))).collect();
            format!("[{}]", values.join(", "))
        }
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::{Field, Operation, Operations, Step, Variant};

    fn plan(amplitude: f64, variants: &[&str]) -> Plan {
        let operation = Operation {
            name: "displace".into(),
            settings: vec![Field {
                name: "amplitude".into(),
                value: Some(Value {
                    kind: Some(value::Kind::Number(amplitude)),
                }),
            }],
            ..Operation::default()
        };
        Plan {
            variants: variants
                .iter()
                .map(|name| Variant {
                    name: (*name).into(),
                    ..Variant::default()
                })
                .collect(),
            steps: vec![Step {
                name: "weathered".into(),
                ..Step::default()
            }],
            items: variants
                .iter()
                .map(|name| Item {
                    address: format!("{name}/weathered"),
                    action: Some(item::Action::Operations(Operations {
                        chain: vec![operation.clone()],
                    })),
                    ..Item::default()
                })
                .collect(),
            ..Plan::default()
        }
    }

    #[test]
    fn one_changed_number_is_named_once_with_its_items() {
        let found = differences(&plan(0.004, &["a", "b", "c"]), &plan(0.006, &["b", "c", "d"]));
        let expected = Changed {
            name: "weathered.displace.amplitude".into(),
            before: "0.004".into(),
            after: "0.006".into(),
            items: 2,
        };
        assert_eq!(found.changed, [expected]);
        assert_eq!(
            (found.added, found.removed),
            (vec!["d".to_owned()], vec!["a".to_owned()])
        );
        assert_eq!(
            differences(&plan(1.0, &["a"]), &plan(1.0, &["a"])),
            PlanDifference::default()
        );
    }
}
