//! `[deliver]`: which outputs are copied out, under which names, and what holds them back.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_proto::v1::{Delivery, DeliveryFile};

use crate::collisions::{Taken, name_both};
use crate::diagnostics::Report;
use crate::graph::Graph;
use crate::items::{ItemContext, Items};
use crate::paths;
use crate::read::{At, DeliverDecl, Template};
use crate::steps::{Each, Source, check_outline};
use crate::variants::scope::{CompiledTemplate, Scope};

/// Makes the delivery; `None` if nothing of the plan is to be delivered.
pub(crate) fn build(
    decl: &DeliverDecl,
    context: &ItemContext<'_, '_, '_>,
    graph: &Graph,
    items: &Items,
    report: &mut Report<'_>,
) -> Option<Delivery> {
    let deliverer = Deliverer { context, items };
    let what = find_what(decl, context, graph, report);
    let when = find_when(decl, context, graph, report);
    let to = deliverer.compile_to(decl.to.as_ref(), &what, report);
    let mut files = Vec::new();
    for (step, output) in what {
        let (Some(offset), Some(to)) = (items.offsets[step], to.get(context.steps[step].each.word())) else {
            continue;
        };
        let of_step = items.items.iter().enumerate().skip(offset as usize);
        // The items of one step stand together, and all of them are for the step's position in the plan.
        let position = items.items.get(offset as usize).map(|item| item.step);
        for (index, item) in of_step.take_while(|(_, item)| Some(item.step) == position) {
            let Some(made) = item.outputs.iter().find(|made| made.name == output) else {
                continue;
            };
            let variant = item
                .variants
                .first()
                .map(|index| &context.population.variants[*index as usize]);
            let models = &context.population.models;
            let folder = variant.map_or_else(|| to.outline(""), |variant| to.resolve(models, variant));
            let unit = item.address.rsplit_once('/').map_or("", |(subject, _)| subject);
            files.push(DeliveryFile {
                item: index as u32,
                output: output.to_owned(),
                path: format!("{folder}/{}", made.path),
                unit: unit.to_owned(),
                gates: deliverer.gates(&when, step, &item.variants),
            });
        }
    }
    files.sort_by(|one, two| one.path.cmp(&two.path).then(one.item.cmp(&two.item)));
    if let Some(to) = &decl.to {
        deliverer.check_paths(&files, to, report);
    }
    let when = when
        .into_iter()
        .map(|step| context.steps[step].decl.name.value.clone())
        .collect();
    (!files.is_empty()).then_some(Delivery { files, when })
}

/// Steps and outputs that are delivered, each once.
fn find_what<'w>(
    decl: &'w DeliverDecl,
    context: &ItemContext<'_, '_, '_>,
    graph: &Graph,
    report: &mut Report<'_>,
) -> Vec<(usize, &'w str)> {
    let mut found: Vec<(usize, &str)> = Vec::new();
    for reference in &decl.what {
        let Some(step) = graph.find(reference, &context.manifest.steps, report) else {
            continue;
        };
        if found.contains(&(step, &reference.output)) {
            let message = format!("`{}.{}` is named twice", reference.step, reference.output);
            report.error("duplicate-value", &reference.span, message);
        } else {
            found.push((step, &reference.output));
        }
    }
    found
}

/// Steps that hold back variants; those that are not in the plan hold nothing back.
fn find_when(
    decl: &DeliverDecl,
    context: &ItemContext<'_, '_, '_>,
    graph: &Graph,
    report: &mut Report<'_>,
) -> Vec<usize> {
    let mut found = Vec::new();
    for At { value: name, span } in &decl.when {
        match graph.step(name) {
            Some(step) if found.contains(&step) => {
                report.error("duplicate-value", span, format!("`{name}` is named twice"));
            }
            Some(step) => found.push(step),
            None => {
                let known = context.steps.iter().map(|step| step.decl.name.as_str());
                report
                    .error("unknown-step", span, format!("there is no step `{name}`"))
                    .label("unknown step")
                    .maybe_hint(crate::nearest::hint(name, known));
            }
        }
    }
    found.retain(|step| context.order.contains(step));
    found
}

struct Deliverer<'l, 'c, 'm, 'd> {
    context: &'l ItemContext<'c, 'm, 'd>,
    items: &'l Items,
}

impl Deliverer<'_, '_, '_, '_> {
    /// The folder, compiled once for each kind of item that is delivered.
    fn compile_to(
        &self,
        to: Option<&Template>,
        what: &[(usize, &str)],
        report: &mut Report<'_>,
    ) -> BTreeMap<String, CompiledTemplate> {
        let mut compiled = BTreeMap::new();
        let Some(to) = to else { return compiled };
        let mut tried = BTreeSet::new();
        // A bad folder is bad for every kind of item: it is said once.
        let mut sound = true;
        for (step, _) in what {
            let each = &self.context.steps[*step].each;
            if *each == Each::Broken || !tried.insert(each.word().to_owned()) {
                continue;
            }
            if let Some(template) = self.context.population.names.compile(to, each.scope(), report)
                && sound
            {
                sound = check_outline(&template, to, "the folder of the delivery", report);
                compiled.insert(each.word().to_owned(), template);
            }
        }
        if tried.is_empty() {
            // Nothing that is delivered is known: its names are looked at as a variant would use them.
            self.context.population.names.compile(to, Scope::Variant, report);
        }
        if sound { compiled } else { BTreeMap::new() }
    }

    /// Items that must be done before a file is delivered. A step for each variant holds back that variant only,
    /// never the group that it belongs to.
    fn gates(&self, when: &[usize], delivered: usize, variants: &[u32]) -> Vec<u32> {
        let own = &self.context.steps[delivered].each;
        let gates = when.iter().filter_map(|step| {
            let offset = self.items.offsets[*step]?;
            let first = *variants.first()? as usize;
            match (&self.context.steps[*step].each, own) {
                (Each::All, _) => Some(offset),
                (Each::Variant, Each::Variant) => Some(offset + first as u32),
                (Each::Group(field, _), Each::Variant) => {
                    Some(offset + self.context.groups.get(field)?.of_variant.get(first)?)
                }
                (Each::Group(field, _), Each::Group(same, _)) if field == same => {
                    Some(offset + self.context.groups.get(field)?.of_variant.get(first)?)
                }
                _ => None,
            }
        });
        let mut gates: Vec<u32> = gates.collect();
        gates.sort_unstable();
        gates
    }

    fn check_paths(&self, files: &[DeliveryFile], to: &Template, report: &mut Report<'_>) {
        let mut taken: Taken<Option<u32>> = Taken::with_capacity(files.len());
        let inputs = self.inputs();
        for path in &inputs {
            // Two inputs at one path are the survey's business.
            let _ = taken.take(None, path);
        }
        for file in files {
            let address = |item: u32| self.items.items[item as usize].address.as_str();
            if let Some((code, problem)) = paths::output_problem(&file.path) {
                let message = format!(
                    "`{}` would be delivered at `{}`, which {problem}",
                    address(file.item),
                    file.path
                );
                report.error(code, &to.span, message);
                continue;
            }
            if let Err(other) = taken.take(Some(file.item), &file.path) {
                if other
                    .owner
                    .is_some_and(|item| item != file.item && address(item) == address(file.item))
                {
                    // Two variants of one name: said already.
                    continue;
                }
                let both = name_both(&other.path, &file.path);
                let (code, message) = match other.owner {
                    Some(item) => {
                        let (one, two) = (address(item), address(file.item));
                        (
                            "delivery-collision",
                            format!("`{one}` and `{two}` would both be delivered at {both}"),
                        )
                    }
                    None => {
                        let own = address(file.item);
                        (
                            "delivery-over-input",
                            format!(
                                "`{own}` would be delivered at `{}`, over the input `{}`",
                                file.path, other.path
                            ),
                        )
                    }
                };
                report
                    .error(code, &to.span, message)
                    .hint("deliver into a folder of its own");
            }
        }
        for file in files {
            if let Some(other) = taken.above(&file.path) {
                let message = format!(
                    "`{}` would be delivered below `{}`, which is a file",
                    file.path, other.path
                );
                report.error("delivery-collision", &to.span, message);
            }
        }
    }

    /// Paths of files that the plan reads.
    fn inputs(&self) -> BTreeSet<&str> {
        let models = self
            .context
            .population
            .models
            .iter()
            .map(|model| model.path.as_str());
        let inputs = self.context.steps.iter().flat_map(|step| &step.inputs);
        let fixed = inputs.filter_map(|input| match &input.source {
            Source::File { file, .. } => Some(file.path.trim_end_matches('/')),
            _ => None,
        });
        models.chain(fixed).collect()
    }
}
