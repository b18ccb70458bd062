//! Items: each step for each of its subjects, with everything filled in.

use std::collections::{BTreeSet, HashSet};

use tidemill_proto::v1::{
    Companion, Edge, Field, File, Input, Item, Needs, Operations, Output, Source as PlanSource, Variable,
    item, source,
};

use crate::adjust::{Change, Override, Overrides};
use crate::chain::Chain;
use crate::diagnostics::Report;
use crate::paths;
use crate::read::Manifest;
use crate::settings::{Given, Target};
use crate::steps::{Action, CompiledInput, CompiledStep, Each, Reach, Source};
use crate::subjects::{Groups, GroupsByField};
use crate::survey::Survey;
use crate::tags;
use crate::variants::{Population, Variant};

/// Everything that items are made of.
pub(crate) struct ItemContext<'c, 'm, 'd> {
    pub(crate) manifest: &'m Manifest,
    pub(crate) survey: &'c Survey,
    pub(crate) population: &'c Population,
    pub(crate) steps: &'c [CompiledStep<'m, 'd>],
    pub(crate) groups: &'c GroupsByField,
    pub(crate) overrides: &'c Overrides,
    /// Steps of the plan in topological order, by index of the manifest.
    pub(crate) order: &'c [usize],
}

/// All items, and where those of each step begin.
#[derive(Debug)]
pub(crate) struct Items {
    pub(crate) items: Vec<Item>,
    /// By index of the manifest; `None` for a step that is not in the plan.
    pub(crate) offsets: Vec<Option<u32>>,
}

/// Makes all items; what is wrong with a single one is an error.
pub(crate) fn build(context: &ItemContext<'_, '_, '_>, report: &mut Report<'_>) -> Items {
    let variants = &context.population.variants;
    let tags: Vec<String> = context
        .manifest
        .variants
        .tags
        .iter()
        .map(|tag| tag.name.value.clone())
        .collect();
    let mut builder = Builder {
        context,
        items: Items {
            items: Vec::new(),
            offsets: vec![None; context.steps.len()],
        },
        matching: variants
            .iter()
            .map(|variant| context.overrides.matching(context.population, variant))
            .collect(),
        model_files: context
            .population
            .models
            .iter()
            .map(|model| model_file(&model.path, context.survey))
            .collect(),
        tags,
        said: HashSet::new(),
    };
    for (position, step) in context.order.iter().enumerate() {
        builder.items.offsets[*step] = Some(builder.items.items.len() as u32);
        match &context.steps[*step].each {
            Each::Variant | Each::Broken => {
                for (index, variant) in variants.iter().enumerate() {
                    builder.item(position, *step, &variant.name, vec![index as u32], report);
                }
            }
            Each::Group(field, _) => {
                for group in context.groups.get(field).map_or(&[][..], |groups| &groups.groups) {
                    builder.item(position, *step, &group.subject, group.variants.clone(), report);
                }
            }
            Each::All => {
                let all = (0..variants.len() as u32).collect();
                builder.item(position, *step, "all", all, report);
            }
        }
    }
    builder.items
}

fn model_file(path: &str, survey: &Survey) -> Option<File> {
    let file = survey.files.get(path)?;
    let companions = file.companions.iter().map(|companion| Companion {
        name: companion.name.clone(),
        digest: companion.digest.to_vec(),
        size: companion.size,
    });
    let mut companions: Vec<Companion> = companions.collect();
    companions.sort_by(|one, two| one.name.cmp(&two.name));
    Some(File {
        path: path.to_owned(),
        digest: file.digest.to_vec(),
        size: file.size,
        companions,
    })
}

struct Builder<'b, 'c, 'm, 'd> {
    context: &'b ItemContext<'c, 'm, 'd>,
    items: Items,
    /// By variant: the entries of `[[adjust]]` that match it.
    matching: Vec<Vec<usize>>,
    /// By model.
    model_files: Vec<Option<File>>,
    tags: Vec<String>,
    /// Place and problem: one slip is said once, not for every item.
    said: HashSet<(usize, String)>,
}

impl Builder<'_, '_, '_, '_> {
    fn item(
        &mut self,
        position: usize,
        index: usize,
        subject: &str,
        variants: Vec<u32>,
        report: &mut Report<'_>,
    ) {
        let step = &self.context.steps[index];
        // A group has at least one variant; a plan without variants has only items for all.
        let first = variants.first().map(|index| *index as usize);
        let variant = first.map(|index| &self.context.population.variants[index]);
        let mut needs = step.needs.clone();
        let mut retries = step.decl.retries;
        let mut time_limit_ms = step.decl.time_limit_ms;
        let overrides = &self.context.overrides.by_step[index];
        let applying: Vec<&Override> = overrides
            .iter()
            .filter(|item| match (item.entry, first) {
                (None, _) => true,
                (Some(entry), Some(first)) => self.matching[first].contains(&entry),
                (Some(_), None) => false,
            })
            .collect();
        for change in applying.iter().map(|item| &item.change) {
            match change {
                Change::Setting { .. } => {}
                Change::MemoryBytes(bytes) => set_memory(&mut needs, *bytes),
                Change::Millicores(millicores) => {
                    needs.millicores = *millicores;
                    needs.declared = true;
                }
                Change::Retries(number) => retries = *number,
                Change::TimeLimitMs(limit) => time_limit_ms = *limit,
            }
        }
        let action = match (&step.action, variant) {
            (Some(Action::Operations(chain)), variant) => {
                let operations = self.operations(chain, &applying, subject, variant, report);
                Some(item::Action::Operations(operations))
            }
            (Some(Action::Program(program)), variant) => Some(item::Action::Program(
                program.resolve(&self.context.population.models, variant),
            )),
            (None, _) => None,
        };
        let is_operations = matches!(step.action, Some(Action::Operations(_)));
        let inputs = step
            .inputs
            .iter()
            .map(|input| self.input(input, is_operations, &variants, first))
            .collect();
        let outputs = self.outputs(step, subject, variant, report);
        let models = &self.context.population.models;
        let environment = step.env.iter().map(|(name, template)| Variable {
            name: name.clone(),
            value: variant.map_or_else(
                || template.outline(""),
                |variant| template.resolve(models, variant),
            ),
        });
        let environment = environment.collect();
        self.items.items.push(Item {
            address: format!("{subject}/{}", step.decl.name.value),
            step: position as u32,
            variants,
            inputs,
            action,
            outputs,
            needs: Some(needs),
            retries,
            time_limit_ms,
            environment,
        });
    }

    fn operations(
        &mut self,
        chain: &Chain<'_>,
        applying: &[&Override],
        subject: &str,
        variant: Option<&Variant>,
        report: &mut Report<'_>,
    ) -> Operations {
        let mut operations = Operations {
            chain: chain.calls.iter().map(|call| call.operation.clone()).collect(),
        };
        let own = chain.calls.iter().enumerate();
        let own = own.flat_map(|(call, compiled)| {
            compiled
                .filled
                .iter()
                .map(move |(setting, span, given)| (call, *setting, span, given))
        });
        let changed = applying.iter().filter_map(|item| match &item.change {
            Change::Setting { call, setting, given } => Some((*call, *setting, &item.span, given)),
            _ => None,
        });
        for (call, setting, span, given) in own.chain(changed) {
            let compiled = &chain.calls[call];
            let decl = &compiled.declaration.settings[setting];
            let target = Target {
                decl,
                operation: &compiled.label,
                tags: &self.tags,
            };
            let filled = match (given, variant) {
                (Given::Fixed(value), _) => Some(Ok(value.clone())),
                (given, Some(variant)) => target.fill(given, &self.context.population.models, variant),
                (_, None) => None,
            };
            match filled {
                Some(Ok(value)) => {
                    let settings = &mut operations.chain[call].settings;
                    match settings.binary_search_by(|field| field.name.as_str().cmp(decl.name)) {
                        Ok(at) => settings[at].value = Some(value),
                        Err(at) => settings.insert(
                            at,
                            Field {
                                name: decl.name.to_owned(),
                                value: Some(value),
                            },
                        ),
                    }
                }
                Some(Err(problem)) if self.said.insert((span.start, problem.message.clone())) => {
                    report
                        .error(
                            problem.code,
                            span,
                            format!("{} (for `{subject}`)", problem.message),
                        )
                        .maybe_hint(problem.hint);
                }
                Some(Err(_)) | None => {}
            }
        }
        operations
    }

    fn input(
        &self,
        input: &CompiledInput,
        is_operations: bool,
        variants: &[u32],
        first: Option<usize>,
    ) -> Input {
        let mut units = (String::new(), String::new());
        let sources = match &input.source {
            Source::File { file, extension } => vec![PlanSource {
                from: Some(source::From::File(file.clone())),
                label: String::new(),
                extension: extension.clone(),
            }],
            Source::Model => {
                let sources: Vec<PlanSource> = variants
                    .iter()
                    .filter_map(|index| self.model_source(*index))
                    .collect();
                // A program gets the file as it is: what its numbers mean changes nothing.
                if is_operations
                    && sources
                        .iter()
                        .any(|source| tags::carries_no_unit(&source.extension))
                {
                    let decl = &self.context.manifest.variants;
                    units = (decl.units.clone(), decl.up.clone());
                }
                sources
            }
            Source::Edge {
                step,
                output,
                extension,
                reach,
            } => self.edges(*step, output, extension, *reach, variants, first),
        };
        Input {
            name: input.name.clone(),
            many: input.many,
            sources,
            units: units.0,
            up: units.1,
        }
    }

    fn model_source(&self, variant: u32) -> Option<PlanSource> {
        let variant = &self.context.population.variants[variant as usize];
        let file = self.model_files[variant.model?].clone()?;
        Some(PlanSource {
            label: variant.name.clone(),
            extension: paths::extension(&file.path),
            from: Some(source::From::File(file)),
        })
    }

    fn edges(
        &self,
        step: usize,
        output: &str,
        extension: &str,
        reach: Reach,
        variants: &[u32],
        first: Option<usize>,
    ) -> Vec<PlanSource> {
        // Upstream steps stand before, so their items are there; a plan holds all steps above a step.
        let Some(offset) = self.items.offsets[step] else {
            return Vec::new();
        };
        let upstream = &self.context.steps[step].each;
        let groups: Option<&Groups> = match upstream {
            Each::Group(field, _) => self.context.groups.get(field),
            _ => None,
        };
        let count = match (upstream, groups) {
            (Each::Group(..), Some(groups)) => groups.groups.len(),
            (Each::All, _) => 1,
            _ => self.context.population.variants.len(),
        };
        let group_of = |variant: usize| groups.and_then(|groups| groups.of_variant.get(variant)).copied();
        let positions: Vec<u32> = match (reach, first) {
            (Reach::Only, _) => vec![0],
            (Reach::Every, _) => (0..count as u32).collect(),
            (Reach::Members, _) => variants.to_vec(),
            (Reach::Same, Some(first)) if groups.is_none() => vec![first as u32],
            (Reach::Same | Reach::OwnGroup, Some(first)) => group_of(first).into_iter().collect(),
            (Reach::Same | Reach::OwnGroup, None) => Vec::new(),
        };
        let label = |position: u32| -> String {
            let position = position as usize;
            match (upstream, groups) {
                (Each::Group(..), Some(groups)) => groups.groups[position].subject.clone(),
                (Each::All, _) => "all".to_owned(),
                _ => self.context.population.variants[position].name.clone(),
            }
        };
        let sources = positions.into_iter().map(|position| PlanSource {
            from: Some(source::From::Edge(Edge {
                item: offset + position,
                output: output.to_owned(),
            })),
            label: label(position),
            extension: extension.to_owned(),
        });
        sources.collect()
    }

    fn outputs(
        &mut self,
        step: &CompiledStep<'_, '_>,
        subject: &str,
        variant: Option<&Variant>,
        report: &mut Report<'_>,
    ) -> Vec<Output> {
        let mut outputs = Vec::with_capacity(step.outputs.len());
        for output in &step.outputs {
            let Some(template) = &output.path else { continue };
            let models = &self.context.population.models;
            let path = variant.map_or_else(
                || template.outline(""),
                |variant| template.resolve(models, variant),
            );
            if let Some((code, problem)) = paths::output_problem(&path) {
                let address = format!("{subject}/{}", step.decl.name.value);
                report
                    .error(code, &output.decl.path.span, format!("the path `{path}` of `{address}` {problem}"))
                    .hint("a field of this variant does not make a good path: rename the file, or change the value");
                continue;
            }
            outputs.push(Output {
                name: output.decl.name.value.clone(),
                path,
                extension: output.extension.clone(),
                folder: output.decl.folder,
            });
        }
        outputs
    }
}

fn set_memory(needs: &mut Needs, bytes: u64) {
    needs.memory_bytes = bytes;
    needs.declared = true;
}

/// Names of the steps that feed a step, sorted.
pub(crate) fn upstream_names(upstream: BTreeSet<usize>, steps: &[CompiledStep<'_, '_>]) -> Vec<String> {
    let mut names: Vec<String> = upstream
        .into_iter()
        .map(|step| steps[step].decl.name.value.clone())
        .collect();
    names.sort();
    names
}
