//! `[[adjust]]` and `[draft]`: values that other values override for some variants.

use std::collections::{BTreeSet, HashSet};
use std::ops::Range;

use crate::chain::names_outputs;
use crate::diagnostics::Report;
use crate::graph::Graph;
use crate::nearest;
use crate::read::needs;
use crate::read::{At, Literal, Manifest, SetDecl};
use crate::settings::{Given, Target};
use crate::steps::{Action, CompiledStep, Each};
use crate::variants::scope::Slot;
use crate::variants::{Population, Variant};

/// All overrides, by step.
#[derive(Debug, Default)]
pub(crate) struct Overrides {
    /// By index of the step; in the order in which they are applied.
    pub(crate) by_step: Vec<Vec<Override>>,
    /// By entry: a field and the texts that it may have.
    conditions: Vec<Vec<(Slot, HashSet<String>)>>,
}

/// One override.
#[derive(Debug)]
pub(crate) struct Override {
    /// The entry of `[[adjust]]`; none for `[draft]`.
    pub(crate) entry: Option<usize>,
    pub(crate) change: Change,
    /// Of the value.
    pub(crate) span: Range<usize>,
}

/// What an override changes.
#[derive(Debug)]
pub(crate) enum Change {
    /// Indexes of the operation in its chain and of the setting in its declaration.
    Setting {
        call: usize,
        setting: usize,
        given: Given,
    },
    MemoryBytes(u64),
    Millicores(u32),
    Retries(u32),
    TimeLimitMs(u64),
}

impl Overrides {
    /// Entries that match a variant, in their order.
    pub(crate) fn matching(&self, population: &Population, variant: &Variant) -> Vec<usize> {
        let matches = |conditions: &Vec<(Slot, HashSet<String>)>| {
            conditions
                .iter()
                .all(|(slot, texts)| texts.contains(slot.text(&population.models, variant)))
        };
        let entries = self.conditions.iter().enumerate();
        entries
            .filter(|(_, conditions)| matches(conditions))
            .map(|(entry, _)| entry)
            .collect()
    }
}

/// Looks up what each entry matches and changes; entries of `[draft]` are checked even where they do not apply.
pub(crate) fn compile(
    manifest: &Manifest,
    steps: &[CompiledStep<'_, '_>],
    graph: &Graph,
    population: &Population,
    draft: bool,
    report: &mut Report<'_>,
) -> Overrides {
    let mut overrides = Overrides {
        by_step: steps.iter().map(|_| Vec::new()).collect(),
        conditions: Vec::new(),
    };
    let tags: Vec<String> = manifest
        .variants
        .tags
        .iter()
        .map(|tag| tag.name.value.clone())
        .collect();
    let compiler = Compiler {
        steps,
        graph,
        population,
        tags: &tags,
    };
    for (entry, adjust) in manifest.adjusts.iter().enumerate() {
        let conditions = compiler.conditions(entry, manifest, report);
        overrides.conditions.push(conditions);
        let fields: BTreeSet<&str> = adjust
            .conditions
            .iter()
            .map(|condition| condition.field.as_str())
            .collect();
        for set in &adjust.set {
            if let Some((step, change)) = compiler.change(set, report)
                && compiler.fits_group(step, &fields, set, report)
            {
                overrides.by_step[step].push(Override {
                    entry: Some(entry),
                    change,
                    span: set.value.span.clone(),
                });
            }
        }
    }
    for set in &manifest.draft {
        if let Some((step, change)) = compiler.change(set, report)
            && draft
        {
            overrides.by_step[step].push(Override {
                entry: None,
                change,
                span: set.value.span.clone(),
            });
        }
    }
    overrides
}

struct Compiler<'c, 'm, 'd> {
    steps: &'c [CompiledStep<'m, 'd>],
    graph: &'c Graph,
    population: &'c Population,
    tags: &'c [String],
}

impl Compiler<'_, '_, '_> {
    fn conditions(
        &self,
        entry: usize,
        manifest: &Manifest,
        report: &mut Report<'_>,
    ) -> Vec<(Slot, HashSet<String>)> {
        let adjust = &manifest.adjusts[entry];
        let names = &self.population.names;
        let mut conditions = Vec::with_capacity(adjust.conditions.len());
        let mut sound = true;
        for condition in &adjust.conditions {
            match names.slot(&condition.field.value) {
                Some(slot) => {
                    conditions.push((slot, condition.texts.iter().cloned().collect::<HashSet<_>>()))
                }
                None => {
                    sound = false;
                    if !names.unsure {
                        let known = names.known(crate::variants::scope::Scope::Variant);
                        report
                            .error(
                                "unknown-field",
                                &condition.field.span,
                                format!("there is no field `{}`", condition.field.value),
                            )
                            .label("unknown field")
                            .maybe_hint(nearest::hint(
                                &condition.field.value,
                                known.iter().map(String::as_str),
                            ));
                    }
                }
            }
        }
        let matches = |variant: &Variant| {
            conditions
                .iter()
                .all(|(slot, texts)| texts.contains(slot.text(&self.population.models, variant)))
        };
        if sound && !self.population.variants.is_empty() && !self.population.variants.iter().any(matches) {
            // The values that there are say more than the entry does.
            let hint = conditions
                .iter()
                .zip(&adjust.conditions)
                .find_map(|((slot, texts), condition)| {
                    let there: BTreeSet<&str> = self
                        .population
                        .variants
                        .iter()
                        .map(|variant| slot.text(&self.population.models, variant))
                        .collect();
                    let stranger = condition
                        .texts
                        .iter()
                        .find(|text| !there.contains(text.as_str()))?;
                    debug_assert!(
                        texts.contains(stranger),
                        "the texts were copied from the condition"
                    );
                    nearest::hint(stranger, there.iter().copied())
                        .map(|hint| format!("{}: {hint}", condition.field.value))
                });
            report
                .error(
                    "adjust-matches-nothing",
                    &adjust.span,
                    "this adjustment matches no variant",
                )
                .maybe_hint(hint);
        }
        conditions
    }

    /// A group's item can only be adjusted as a whole.
    fn fits_group(
        &self,
        step: usize,
        fields: &BTreeSet<&str>,
        set: &SetDecl,
        report: &mut Report<'_>,
    ) -> bool {
        let (field, hint) = match &self.steps[step].each {
            Each::Variant | Each::Broken => return true,
            Each::Group(field, _) => (Some(field.as_str()), format!("let `where` name only `{field}`")),
            Each::All => (None, "change the step itself: it has only one item".to_owned()),
        };
        if fields.iter().all(|name| Some(*name) == field) {
            return true;
        }
        let name = &self.steps[step].decl.name;
        report
            .error(
                "adjust-too-fine",
                &set.key.span,
                format!("`{}` has no item of its own for what `where` says", name.value),
            )
            .related(
                &name.span,
                format!("one item per `{}`", self.steps[step].each.word()),
            )
            .hint(hint);
        false
    }

    fn change(&self, set: &SetDecl, report: &mut Report<'_>) -> Option<(usize, Change)> {
        let parts: Vec<&str> = set.key.value.split('.').collect();
        let step = match self.graph.step(parts[0]) {
            Some(step) => step,
            None => {
                let known = self.steps.iter().map(|step| step.decl.name.as_str());
                self.unknown(
                    &set.key,
                    format!("there is no step `{}`", parts[0]),
                    parts[0],
                    known.collect(),
                    report,
                );
                return None;
            }
        };
        let value = &set.value;
        let change = match parts.as_slice() {
            [_, "needs", "memory"] => {
                needs::memory(&text(value, "an amount of memory as text", report)?, report)
                    .map(Change::MemoryBytes)
            }
            [_, "needs", "cores"] => needs::millicores(
                &At::new(number(value, "cores", report)?, value.span.clone()),
                report,
            )
            .map(Change::Millicores),
            [_, "retries"] => {
                let retries = number(value, "retries", report)?;
                if retries.fract() != 0.0 || !(0.0..=needs::MOST_RETRIES as f64).contains(&retries) {
                    let message = format!(
                        "retries must be a whole number between 0 and {}, not {retries}",
                        needs::MOST_RETRIES
                    );
                    report.error("out-of-range", &value.span, message);
                    return None;
                }
                Some(Change::Retries(retries as u32))
            }
            [_, "time_limit"] => {
                needs::time(&text(value, "a span of time as text", report)?, report).map(Change::TimeLimitMs)
            }
            [_, "needs", other] => {
                self.unknown(
                    &set.key,
                    format!("`needs` has no `{other}` that could be adjusted"),
                    other,
                    vec!["memory", "cores"],
                    report,
                );
                None
            }
            [_, operation, setting] => self.setting(step, operation, setting, set, report),
            _ => {
                report
                    .error("unknown-target", &set.key.span, format!("`{}` names nothing that could be set", set.key.value))
                    .hint("write `step.operation.setting`, `step.needs.memory`, `step.needs.cores`, `step.retries` or `step.time_limit`");
                None
            }
        };
        change.map(|change| (step, change))
    }

    fn setting(
        &self,
        step: usize,
        operation: &str,
        setting: &str,
        set: &SetDecl,
        report: &mut Report<'_>,
    ) -> Option<Change> {
        let compiled = &self.steps[step];
        let step_name = &compiled.decl.name.value;
        let chain = match &compiled.action {
            Some(Action::Operations(chain)) => chain,
            Some(Action::Program(_)) => {
                report
                    .error(
                        "unknown-target",
                        &set.key.span,
                        format!("`{step_name}` runs a program, which has no operations"),
                    )
                    .hint("what differs between variants can be put into an argument as a placeholder");
                return None;
            }
            // What is wrong with the step was said.
            None => return None,
        };
        let Some(call) = chain.calls.iter().position(|call| call.label == operation) else {
            let known = chain.calls.iter().map(|call| call.label.as_str()).collect();
            self.unknown(
                &set.key,
                format!("`{step_name}` has no operation `{operation}`"),
                operation,
                known,
                report,
            );
            return None;
        };
        let declaration = chain.calls[call].declaration;
        let Some(index) = declaration.settings.iter().position(|decl| decl.name == setting) else {
            let known = declaration.settings.iter().map(|decl| decl.name).collect();
            self.unknown(
                &set.key,
                format!("`{operation}` has no setting `{setting}`"),
                setting,
                known,
                report,
            );
            return None;
        };
        if names_outputs(declaration, index) {
            report
                .error("adjust-outputs", &set.key.span, format!("`{setting}` names the outputs of `{operation}`, which must be the same for every item"))
                .hint("make a step of its own for what only some variants need");
            return None;
        }
        let target = Target {
            decl: &declaration.settings[index],
            operation,
            tags: self.tags,
        };
        let given = target.compile(&set.value, &self.population.names, compiled.each.scope(), report);
        (!matches!(given, Given::Broken)).then_some(Change::Setting {
            call,
            setting: index,
            given,
        })
    }

    fn unknown(
        &self,
        key: &At<String>,
        message: String,
        name: &str,
        known: Vec<&str>,
        report: &mut Report<'_>,
    ) {
        report
            .error("unknown-target", &key.span, message)
            .label("names nothing")
            .maybe_hint(nearest::hint(name, known));
    }
}

fn text(value: &At<Literal>, wanted: &str, report: &mut Report<'_>) -> Option<At<String>> {
    match &value.value {
        Literal::Text(text) => Some(At::new(text.clone(), value.span.clone())),
        other => {
            report.error(
                "wrong-type",
                &value.span,
                format!("this must be {wanted}, not {}", other.type_word()),
            );
            None
        }
    }
}

fn number(value: &At<Literal>, what: &str, report: &mut Report<'_>) -> Option<f64> {
    match &value.value {
        Literal::Number(number) => Some(*number),
        other => {
            report.error(
                "wrong-type",
                &value.span,
                format!("{what} must be a number, not {}", other.type_word()),
            );
            None
        }
    }
}
