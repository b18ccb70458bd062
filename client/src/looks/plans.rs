//! What differs between the plans of two runs: settings, arguments, files, variants, steps. Pure.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_proto::v1::{FixedTool, Item, Plan, Value, item, part, source, value};

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
    changed.extend(of_the_whole(before, after));
    sort(&mut changed);
    PlanDifference {
        changed,
        added: is.difference(&was).cloned().collect(),
        removed: was.difference(&is).cloned().collect(),
    }
}

impl PlanDifference {
    /// Adds tools of which the runs fixed different versions, with the number of items of the later plan that use them.
    pub fn add_tools(&mut self, plan: &Plan, before: &[FixedTool], after: &[FixedTool]) {
        for is in after {
            let was = before.iter().find(|was| was.name == is.name);
            let Some(was) = was.filter(|was| was.exact != is.exact) else {
                continue; // a step that is new tells of its tool
            };
            let uses = |item: &&Item| match &item.action {
                Some(item::Action::Program(program)) => program.tool == is.name,
                _ => false,
            };
            self.changed.push(Changed {
                name: format!("tool.{}", is.name),
                before: was.exact.clone(),
                after: is.exact.clone(),
                items: plan.items.iter().filter(uses).count(),
            });
        }
        sort(&mut self.changed);
    }
}

/// What concerns most items first.
fn sort(changed: &mut [Changed]) {
    changed.sort_by(|a, b| b.items.cmp(&a.items).then_with(|| a.cmp(b)));
}

/// Steps that only one plan has, and tags of another colour.
fn of_the_whole(before: &Plan, after: &Plan) -> Vec<Changed> {
    let steps = |plan: &Plan| -> BTreeMap<String, usize> {
        let name = |item: &Item| plan.steps.get(item.step as usize).map(|step| step.name.clone());
        let mut counts = BTreeMap::new();
        for name in plan.items.iter().filter_map(name) {
            *counts.entry(format!("step.{name}")).or_default() += 1;
        }
        counts
    };
    let (was, is) = (steps(before), steps(after));
    let there = |is_there: bool| {
        if is_there {
            "there".to_owned()
        } else {
            String::new()
        }
    };
    let mut changed: Vec<Changed> = was
        .iter()
        .chain(&is)
        .filter(|(name, _)| was.contains_key(*name) != is.contains_key(*name))
        .map(|(name, items)| Changed {
            name: name.clone(),
            before: there(was.contains_key(name)),
            after: there(is.contains_key(name)),
            items: *items,
        })
        .collect();
    let tags = |plan: &Plan| -> BTreeMap<String, String> {
        let colors = plan.tags.iter();
        colors
            .map(|tag| (tag.name.clone(), format!("#{:06X}", tag.color)))
            .collect()
    };
    let (was, is) = (tags(before), tags(after));
    let uses = |item: &&Item| match &item.action {
        Some(item::Action::Operations(operations)) => operations.chain.iter().any(|one| one.uses_tags),
        _ => false,
    };
    let items = after.items.iter().filter(uses).count();
    for name in was.keys().chain(is.keys()).collect::<BTreeSet<_>>() {
        let of = |tags: &BTreeMap<String, String>| tags.get(name).cloned().unwrap_or_default();
        if of(&was) != of(&is) {
            changed.push(Changed {
                name: format!("tags.{name}"),
                before: of(&was),
                after: of(&is),
                items,
            });
        }
    }
    changed
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
    for input in item
        .inputs
        .iter()
        .filter(|input| !(input.units.is_empty() && input.up.is_empty()))
    {
        parts.insert(format!("{step}.{}.units", input.name), input.units.clone());
        parts.insert(format!("{step}.{}.up", input.name), input.up.clone());
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
    use tidemill_proto::v1::{Field, Operation, Operations, Program, Step, Tag, Variant};

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

    #[test]
    fn steps_colours_and_tools_are_named() {
        let before = plan(1.0, &["a", "b"]);
        let mut after = before.clone();
        after.steps[0].name = "worn".into();
        after.tags = vec![Tag {
            name: "iron".into(),
            color: 0x56_B4_E9,
        }];
        for (item, variant) in after.items.iter_mut().zip(["a", "b"]) {
            item.address = format!("{variant}/worn");
            item.action = Some(item::Action::Program(Program {
                tool: "oxipng".into(),
                ..Program::default()
            }));
        }
        let mut found = differences(&before, &after);
        let version = |exact: &str| {
            [FixedTool {
                name: "oxipng".into(),
                exact: exact.into(),
            }]
        };
        found.add_tools(&after, &version("9.1"), &version("9.2"));
        let told: Vec<String> = found
            .changed
            .iter()
            .map(|one| format!("{} {} -> {} ({})", one.name, one.before, one.after, one.items))
            .collect();
        assert_eq!(
            told,
            [
                "step.weathered there ->  (2)",
                "step.worn  -> there (2)",
                "tool.oxipng 9.1 -> 9.2 (2)",
                "tags.iron  -> #56B4E9 (0)",
            ]
        );
    }
}
