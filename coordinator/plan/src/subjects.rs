//! What items are about: a variant, a group of variants, or all of them.

use std::cmp::Ordering;
use std::collections::HashMap;

use crate::diagnostics::Report;
use crate::names;
use crate::steps::{CompiledStep, Each};
use crate::variants::scope::Slot;
use crate::variants::{Population, Scalar, Variant};

/// The groups of one field.
#[derive(Debug)]
pub(crate) struct Groups {
    /// In the order of the field's values: numbers by size, texts by their bytes.
    pub(crate) groups: Vec<Group>,
    /// By variant: index of its group.
    pub(crate) of_variant: Vec<u32>,
}

/// Variants that have one value of a field.
#[derive(Debug)]
pub(crate) struct Group {
    /// `family=crate`
    pub(crate) subject: String,
    /// Indexes, ascending; at least one.
    pub(crate) variants: Vec<u32>,
}

/// Groups by name of the field, for all fields that some step has items for.
pub(crate) type GroupsByField = HashMap<String, Groups>;

/// Makes the groups; a value that cannot stand in an address is an error.
pub(crate) fn group(
    steps: &[CompiledStep<'_, '_>],
    population: &Population,
    report: &mut Report<'_>,
) -> GroupsByField {
    let mut by_field = GroupsByField::new();
    for step in steps {
        if let Each::Group(field, slot) = &step.each
            && !by_field.contains_key(field)
        {
            let groups = group_by(field, *slot, population);
            for group in &groups.groups {
                if let Some(problem) = names::variant_name_problem(&group.subject)
                    && let Some(each) = &step.decl.each
                {
                    report
                        .error(
                            "bad-group",
                            &each.span,
                            format!("the group `{}` {problem}", group.subject),
                        )
                        .hint("groups stand in addresses such as `family=crate/sheet`");
                }
            }
            by_field.insert(field.clone(), groups);
        }
    }
    check_subjects(&by_field, population, report);
    by_field
}

/// A variant that is called like a group, or like all, could not be told from it.
fn check_subjects(by_field: &GroupsByField, population: &Population, report: &mut Report<'_>) {
    let is_variant = |name: &str| {
        population
            .variants
            .binary_search_by(|variant| variant.name.as_str().cmp(name))
            .is_ok()
    };
    let mut groups: Vec<&str> = by_field
        .values()
        .flat_map(|groups| &groups.groups)
        .map(|group| group.subject.as_str())
        .collect();
    groups.push("all");
    groups.sort_unstable();
    for subject in groups.into_iter().filter(|subject| is_variant(subject)) {
        report
            .error(
                "bad-variant-name",
                &population.span,
                format!("a variant is called `{subject}`, which means several variants"),
            )
            .hint("call it otherwise with `name` in `[variants]`");
    }
}

fn group_by(field: &str, slot: Slot, population: &Population) -> Groups {
    let mut members: HashMap<&str, Vec<u32>> = HashMap::new();
    for (index, variant) in population.variants.iter().enumerate() {
        members
            .entry(slot.text(&population.models, variant))
            .or_default()
            .push(index as u32);
    }
    let mut sorted: Vec<(&str, Vec<u32>)> = members.into_iter().collect();
    let first = |members: &[u32]| &population.variants[members[0] as usize];
    sorted.sort_by(|one, two| {
        let numbers = number(slot, first(&one.1)).zip(number(slot, first(&two.1)));
        let by_size = numbers.map_or(Ordering::Equal, |(one, two)| one.total_cmp(&two));
        by_size.then_with(|| one.0.cmp(two.0))
    });
    let mut of_variant = vec![0; population.variants.len()];
    for (index, (_, variants)) in sorted.iter().enumerate() {
        for variant in variants {
            of_variant[*variant as usize] = index as u32;
        }
    }
    let groups = sorted.into_iter();
    let groups = groups.map(|(text, variants)| Group {
        subject: format!("{field}={text}"),
        variants,
    });
    Groups {
        groups: groups.collect(),
        of_variant,
    }
}

fn number(slot: Slot, variant: &Variant) -> Option<f64> {
    let Slot::Field(index) = slot else { return None };
    match variant.values[index].scalar {
        Scalar::Number(number) => Some(number),
        _ => None,
    }
}
