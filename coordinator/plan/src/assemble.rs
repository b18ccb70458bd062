//! The whole way from a manifest to a plan, in the order in which things become known.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use globset::GlobBuilder;
use tidemill_ops::declare::Declaration;
use tidemill_proto::v1::{Field, Plan, Seat, Step, Tag, Tool, Variant as PlanVariant};

use crate::Options;
use crate::collisions::{Taken, name_both};
use crate::diagnostics::Report;
use crate::graph::Graph;
use crate::items::{self, ItemContext, Items};
use crate::nearest;
use crate::read::{ActionDecl, Manifest};
use crate::steps::{self, Action, CompiledStep};
use crate::survey::Survey;
use crate::variants::{self, Population};
use crate::{adjust, deliver, machines, second_look, subjects, tags};

/// Version of the plan's meaning; the coordinator refuses another one.
pub(crate) const PLAN_FORMAT: u32 = 1;

/// Makes the plan. It is only worth anything if the report has no error afterwards.
pub(crate) fn assemble(
    manifest: &Manifest,
    survey: &Survey,
    operations: &[Declaration],
    options: &Options,
    report: &mut Report<'_>,
) -> Plan {
    let mut population = variants::expand(&manifest.variants, survey, report);
    let graph = Graph::new(&manifest.steps, report);
    let steps = steps::compile(manifest, &graph, &population, survey, operations, report);
    let overrides = adjust::compile(manifest, &steps, &graph, &population, options.draft, report);
    select(&mut population, options, report);
    tags::check(
        &manifest.variants,
        &population,
        survey,
        tags::ModelUse::of(&manifest.steps, operations),
        report,
    );
    let groups = subjects::group(&steps, &population, report);
    let order = choose_steps(&graph, &steps, options, report);
    machines::check(
        order.iter().map(|index| &steps[*index]),
        &options.machines,
        report,
    );
    let context = ItemContext {
        manifest,
        survey,
        population: &population,
        steps: &steps,
        groups: &groups,
        overrides: &overrides,
        order: &order,
    };
    let items = items::build(&context, report);
    second_look::look(&context, &items, report);
    check_collisions(&items, &order, &steps, report);
    let delivery = manifest
        .deliver
        .as_ref()
        .and_then(|decl| deliver::build(decl, &context, &graph, &items, report));
    let tools = tools(manifest, &steps, &order, report);
    let plan_steps = order.iter().map(|index| {
        let step = &steps[*index];
        Step {
            name: step.decl.name.value.clone(),
            each: step.each.word().to_owned(),
            partial: step.decl.partial,
            upstream: items::upstream_names(graph.upstream_of(*index), &steps),
            operations: matches!(step.action, Some(Action::Operations(_))),
        }
    });
    let plan_tags = manifest.variants.tags.iter();
    let plan_tags = plan_tags.map(|tag| Tag {
        name: tag.name.value.clone(),
        color: tag.color,
    });
    let mut seats: Vec<Seat> = manifest
        .seats
        .iter()
        .map(|seat| Seat {
            name: seat.name.value.clone(),
            count: seat.count,
        })
        .collect();
    seats.sort_by(|one, two| one.name.cmp(&two.name));
    Plan {
        format: PLAN_FORMAT,
        manifest: manifest.name.clone(),
        steps: plan_steps.collect(),
        tools,
        seats,
        delivery,
        tags: plan_tags.collect(),
        draft: options.draft,
        until: options.until.clone().unwrap_or_default(),
        only: options
            .only
            .iter()
            .cloned()
            .collect::<BTreeSet<String>>()
            .into_iter()
            .collect(),
        variants: plan_variants(&population),
        items: items.items,
    }
}

fn plan_variants(population: &Population) -> Vec<PlanVariant> {
    let fields = &population.names.fields;
    let variants = population.variants.iter().map(|variant| PlanVariant {
        name: variant.name.clone(),
        fields: fields
            .iter()
            .zip(&variant.values)
            .map(|(name, value)| Field {
                name: name.clone(),
                value: Some(value.to_value()),
            })
            .collect(),
        model: variant
            .model
            .map_or(String::new(), |model| population.models[model].path.clone()),
    });
    variants.collect()
}

/// Keeps the variants that `--only` asks for.
fn select(population: &mut Population, options: &Options, report: &mut Report<'_>) {
    if options.only.is_empty() {
        return;
    }
    let mut keep = vec![false; population.variants.len()];
    for pattern in &options.only {
        let glob = match GlobBuilder::new(pattern).backslash_escape(false).build() {
            Ok(glob) => glob.compile_matcher(),
            Err(error) => {
                let message = format!("`--only {pattern}` cannot be read: {}", error.kind());
                report.error_elsewhere("bad-pattern", message);
                continue;
            }
        };
        let mut any = false;
        for (variant, keep) in population.variants.iter().zip(&mut keep) {
            if glob.is_match(&variant.name) {
                *keep = true;
                any = true;
            }
        }
        if !any && !population.variants.is_empty() {
            let names = population.variants.iter().map(|variant| variant.name.as_str());
            report
                .error_elsewhere(
                    "only-matches-nothing",
                    format!("`--only {pattern}` matches no variant"),
                )
                .hint("patterns are about names of variants, as in `--only 'crate-*'`")
                .maybe_hint(nearest::nearest(pattern, names).map(|near| format!("did you mean `{near}`?")));
        }
    }
    let mut keep = keep.into_iter();
    population.variants.retain(|_| keep.next().unwrap_or(false));
}

/// The steps of the plan in their order: all, or those that `--until` needs.
fn choose_steps(
    graph: &Graph,
    steps: &[CompiledStep<'_, '_>],
    options: &Options,
    report: &mut Report<'_>,
) -> Vec<usize> {
    let Some(until) = &options.until else {
        return graph.order.clone();
    };
    let Some(step) = graph.step(until) else {
        let known = steps.iter().map(|step| step.decl.name.as_str());
        report
            .error_elsewhere(
                "unknown-step",
                format!("`--until {until}`: there is no step `{until}`"),
            )
            .maybe_hint(nearest::hint(until, known));
        return graph.order.clone();
    };
    let kept = graph.closure(step);
    graph
        .order
        .iter()
        .copied()
        .filter(|step| kept.contains(step))
        .collect()
}

fn check_collisions(items: &Items, order: &[usize], steps: &[CompiledStep<'_, '_>], report: &mut Report<'_>) {
    let outputs = || {
        items.items.iter().enumerate().flat_map(|(index, item)| {
            item.outputs
                .iter()
                .enumerate()
                .map(move |(output, made)| ((index, output), made.path.as_str()))
        })
    };
    let address = |(item, _): (usize, usize)| items.items[item].address.as_str();
    let span = |(item, output): (usize, usize)| -> Range<usize> {
        let item = &items.items[item];
        let step = &steps[order[item.step as usize]];
        let name = &item.outputs[output].name;
        let found = step.outputs.iter().find(|known| known.decl.name.value == *name);
        found.map_or_else(
            || step.decl.name.span.clone(),
            |found| found.decl.path.span.clone(),
        )
    };
    let mut taken: Taken<(usize, usize)> = Taken::with_capacity(items.items.len());
    for (owner, path) in outputs() {
        if let Err(other) = taken.take(owner, path) {
            if other.owner.0 != owner.0 && address(other.owner) == address(owner) {
                // Two variants of one name: said already.
                continue;
            }
            let both = name_both(&other.path, path);
            let message = if other.owner.0 == owner.0 {
                format!("`{}` declares two outputs at {both}", address(owner))
            } else {
                format!(
                    "`{}` and `{}` both make {both}",
                    address(other.owner),
                    address(owner)
                )
            };
            let entry = report.error("output-collision", &span(owner), message).hint(
                "one would silently be lost: put what tells them apart into the path, such as `{variant}`",
            );
            if span(other.owner) != span(owner) {
                entry.related(&span(other.owner), "the other one");
            }
        }
    }
    for (owner, path) in outputs() {
        if let Some(other) = taken.above(path) {
            let (one, two) = (address(owner), address(other.owner));
            let message = format!(
                "`{one}` makes `{path}` below `{}`, which `{two}` makes",
                other.path
            );
            report
                .error("output-collision", &span(owner), message)
                .hint("no path can be a file and a folder");
        }
    }
}

/// Every program that a step of the plan names. A tool section that no step uses is remarked on.
fn tools(
    manifest: &Manifest,
    steps: &[CompiledStep<'_, '_>],
    order: &[usize],
    report: &mut Report<'_>,
) -> Vec<Tool> {
    let named = |step: &CompiledStep<'_, '_>| match &step.decl.action {
        Some(ActionDecl::Program(arguments)) => arguments.first().map(|program| program.value.clone()),
        _ => None,
    };
    let used: BTreeSet<String> = steps.iter().filter_map(named).collect();
    for tool in manifest
        .tools
        .iter()
        .filter(|tool| !used.contains(&tool.name.value))
    {
        report
            .remark(
                "unused-tool",
                &tool.name.span,
                format!("no step uses the tool `{}`", tool.name.value),
            )
            .maybe_hint(
                nearest::nearest(&tool.name.value, used.iter().map(String::as_str))
                    .map(|near| format!("did you mean `{near}`?")),
            );
    }
    let declared: BTreeMap<&str, _> = manifest
        .tools
        .iter()
        .map(|tool| (tool.name.as_str(), tool))
        .collect();
    let in_plan: BTreeSet<String> = order.iter().filter_map(|step| named(&steps[*step])).collect();
    let tools = in_plan.into_iter().map(|name| match declared.get(name.as_str()) {
        Some(tool) => Tool {
            program: tool.program.clone(),
            version: tool.version.clone(),
            name,
        },
        None => Tool {
            program: name.clone(),
            version: String::new(),
            name,
        },
    });
    tools.collect()
}
