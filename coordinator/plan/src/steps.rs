//! Steps with everything looked up that does not depend on the single item.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_ops::declare::{Declaration, Kind};
use tidemill_proto::v1::{Companion, File, Needs, SeatUse};

use crate::chain::{Chain, ChainContext, ChainValue, Content};
use crate::diagnostics::Report;
use crate::graph::Graph;
use crate::nearest;
use crate::paths;
use crate::program::{self, CompiledProgram, FileNames};
use crate::read::needs::{DEFAULT_MEMORY_BYTES, DEFAULT_MILLICORES};
use crate::read::{ActionDecl, FromDecl, MakeDecl, Manifest, Piece, SourceDecl, StepDecl, Template};
use crate::survey::Survey;
use crate::variants::Population;
use crate::variants::scope::{CompiledTemplate, Scope, Slot};

/// For what a step has an item of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Each {
    Variant,
    /// Name of the field, and where variants have it.
    Group(String, Slot),
    All,
    /// Could not be read; said already.
    Broken,
}

impl Each {
    /// As the plan says it.
    pub(crate) fn word(&self) -> &str {
        match self {
            Self::Variant | Self::Broken => "variant",
            Self::Group(field, _) => field,
            Self::All => "all",
        }
    }

    pub(crate) fn scope(&self) -> Scope<'_> {
        match self {
            Self::Variant | Self::Broken => Scope::Variant,
            Self::Group(field, slot) => Scope::Group(field, *slot),
            Self::All => Scope::All,
        }
    }
}

/// A step that items can be made of.
#[derive(Debug)]
pub(crate) struct CompiledStep<'m, 'd> {
    pub(crate) decl: &'m StepDecl,
    pub(crate) each: Each,
    /// Sorted by name.
    pub(crate) inputs: Vec<CompiledInput>,
    pub(crate) action: Option<Action<'d>>,
    /// Sorted by name.
    pub(crate) outputs: Vec<CompiledOutput<'m>>,
    /// Sorted by name.
    pub(crate) env: Vec<(String, CompiledTemplate)>,
    pub(crate) needs: Needs,
}

/// What a step does.
#[derive(Debug)]
pub(crate) enum Action<'d> {
    Operations(Chain<'d>),
    Program(CompiledProgram),
}

/// One named input.
#[derive(Debug)]
pub(crate) struct CompiledInput {
    pub(crate) name: String,
    pub(crate) source: Source,
    pub(crate) many: bool,
}

/// Where an input comes from.
#[derive(Debug)]
pub(crate) enum Source {
    Model,
    File {
        file: File,
        extension: String,
    },
    Edge {
        step: usize,
        output: String,
        extension: String,
        reach: Reach,
    },
}

/// Which items of the upstream step an item reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Reach {
    /// The one with the same subject.
    Same,
    /// The one of the variant's own group.
    OwnGroup,
    /// The only one there is.
    Only,
    /// Those of all variants of the group.
    Members,
    /// All of them.
    Every,
}

/// One declared output.
#[derive(Debug)]
pub(crate) struct CompiledOutput<'m> {
    pub(crate) decl: &'m MakeDecl,
    /// `None`: said to be wrong already.
    pub(crate) path: Option<CompiledTemplate>,
    pub(crate) extension: String,
}

/// Compiles every step, in the order of the manifest.
pub(crate) fn compile<'m, 'd>(
    manifest: &'m Manifest,
    graph: &Graph,
    population: &Population,
    survey: &Survey,
    operations: &'d [Declaration],
    report: &mut Report<'_>,
) -> Vec<CompiledStep<'m, 'd>> {
    let eaches: Vec<Each> = manifest
        .steps
        .iter()
        .map(|step| read_each(step, population, report))
        .collect();
    let tags: Vec<String> = manifest
        .variants
        .tags
        .iter()
        .map(|tag| tag.name.value.clone())
        .collect();
    let compiler = Compiler {
        manifest,
        graph,
        population,
        survey,
        operations,
        eaches: &eaches,
        tags: &tags,
    };
    (0..manifest.steps.len())
        .map(|index| compiler.step(index, report))
        .collect()
}

struct Compiler<'c, 'm, 'd> {
    manifest: &'m Manifest,
    graph: &'c Graph,
    population: &'c Population,
    survey: &'c Survey,
    operations: &'d [Declaration],
    eaches: &'c [Each],
    tags: &'c [String],
}

impl<'m, 'd> Compiler<'_, 'm, 'd> {
    fn step(&self, index: usize, report: &mut Report<'_>) -> CompiledStep<'m, 'd> {
        let decl = &self.manifest.steps[index];
        let each = self.eaches[index].clone();
        let names = &self.population.names;
        let mut values = BTreeMap::new();
        let mut inputs = Vec::with_capacity(decl.from.len());
        for from in &decl.from {
            let (input, value) = self.input(from, &each, report);
            values.insert(from.name.value.clone(), value);
            inputs.extend(input);
        }
        inputs.sort_by(|one, two| one.name.cmp(&two.name));
        let scope = if each == Each::Broken {
            None
        } else {
            Some(each.scope())
        };
        let action = scope.and_then(|scope| match &decl.action {
            Some(ActionDecl::Operations(calls)) => {
                let context = ChainContext {
                    operations: self.operations,
                    names,
                    scope,
                    tags: self.tags,
                };
                context
                    .compile(calls, values.clone(), &decl.makes, report)
                    .map(Action::Operations)
            }
            Some(ActionDecl::Program(arguments)) => {
                let many = |name: &str| values.get(name).is_some_and(|value| value.many);
                let files = FileNames {
                    inputs: decl
                        .from
                        .iter()
                        .map(|from| (&from.name, many(&from.name.value)))
                        .collect(),
                    outputs: decl.makes.iter().map(|make| &make.name).collect(),
                };
                program::compile(arguments, &files, names, scope, report).map(Action::Program)
            }
            None => None,
        });
        let mut outputs: Vec<CompiledOutput<'m>> = decl
            .makes
            .iter()
            .map(|make| CompiledOutput {
                decl: make,
                path: scope.and_then(|scope| self.output_path(make, scope, report)),
                extension: if make.folder {
                    String::new()
                } else {
                    fixed_extension(&make.path)
                },
            })
            .collect();
        outputs.sort_by(|one, two| one.decl.name.value.cmp(&two.decl.name.value));
        let env = decl.env.iter().filter_map(|(name, template)| {
            Some((name.value.clone(), names.compile(template, scope?, report)?))
        });
        let mut env: Vec<(String, CompiledTemplate)> = env.collect();
        env.sort_by(|one, two| one.0.cmp(&two.0));
        let needs = self.needs(decl, report);
        CompiledStep {
            decl,
            each,
            inputs,
            action,
            outputs,
            env,
            needs,
        }
    }

    /// The input, unless it is broken, and what a chain may know of it.
    fn input(
        &self,
        from: &FromDecl,
        each: &Each,
        report: &mut Report<'_>,
    ) -> (Option<CompiledInput>, ChainValue) {
        let unknown = ChainValue {
            content: Content::Unknown,
            many: false,
        };
        let input = |source, many| {
            Some(CompiledInput {
                name: from.name.value.clone(),
                source,
                many,
            })
        };
        match &from.source {
            SourceDecl::Broken => (None, unknown),
            SourceDecl::Model => {
                if !self.population.names.with_models {
                    report
                        .error("no-models", &from.span, "the variants have no base models")
                        .hint(
                            "name them with `models` in `[variants]`, or in a column `model` of the CSV file",
                        );
                    return (None, unknown);
                }
                let many = matches!(each, Each::Group(..) | Each::All);
                let extensions: BTreeSet<String> = self
                    .population
                    .models
                    .iter()
                    .map(|model| paths::extension(&model.path))
                    .collect();
                let content = if extensions.is_empty() {
                    Content::Unknown
                } else {
                    Content::Files(extensions)
                };
                (input(Source::Model, many), ChainValue { content, many })
            }
            SourceDecl::File { path, folder } => match self.fixed_file(path, *folder, from, report) {
                Some(file) => {
                    let extension = if *folder {
                        String::new()
                    } else {
                        paths::extension(path)
                    };
                    let content = if *folder {
                        Content::Folder
                    } else {
                        Content::Files(BTreeSet::from([extension.clone()]))
                    };
                    (
                        input(Source::File { file, extension }, false),
                        ChainValue { content, many: false },
                    )
                }
                None => (None, unknown),
            },
            SourceDecl::Output(reference) => {
                let Some(step) = self.graph.step(&reference.step) else {
                    return (None, unknown);
                };
                let makes = &self.manifest.steps[step].makes;
                let make = makes.iter().find(|make| make.name.value == reference.output);
                let Some(reach) = self.reach(from, each, step, report) else {
                    return (None, unknown);
                };
                let many = matches!(reach, Reach::Members | Reach::Every);
                let Some(make) = make else {
                    return (None, ChainValue { many, ..unknown });
                };
                let extension = if make.folder {
                    String::new()
                } else {
                    fixed_extension(&make.path)
                };
                let by_operations =
                    matches!(self.manifest.steps[step].action, Some(ActionDecl::Operations(_)));
                let content = if make.folder {
                    Content::Folder
                } else if !make.sound || (by_operations && !is_of_a_kind(&extension)) {
                    // The step that makes it was complained about.
                    Content::Unknown
                } else {
                    Content::Files(BTreeSet::from([extension.clone()]))
                };
                let source = Source::Edge {
                    step,
                    output: reference.output.clone(),
                    extension,
                    reach,
                };
                (input(source, many), ChainValue { content, many })
            }
        }
    }

    fn reach(&self, from: &FromDecl, each: &Each, upstream: usize, report: &mut Report<'_>) -> Option<Reach> {
        Some(match (each, &self.eaches[upstream]) {
            (Each::Broken, _) | (_, Each::Broken) => return None,
            (_, Each::All) => Reach::Only,
            (Each::Variant, Each::Variant) => Reach::Same,
            (Each::Variant, Each::Group(..)) => Reach::OwnGroup,
            (Each::Group(..), Each::Variant) => Reach::Members,
            (Each::All, _) => Reach::Every,
            (Each::Group(own, _), Each::Group(other, _)) if own == other => Reach::Same,
            (Each::Group(own, _), Each::Group(other, _)) => {
                let name = &self.manifest.steps[upstream].name;
                let message = format!(
                    "this step has one item per `{own}`, but `{}` one per `{other}`",
                    name.value
                );
                report
                    .error("groups-differ", &from.span, message)
                    .related(&name.span, format!("one item per `{other}`"))
                    .hint("read from a step for each variant, or gather with `each = \"all\"`");
                return None;
            }
        })
    }

    fn fixed_file(&self, path: &str, folder: bool, from: &FromDecl, report: &mut Report<'_>) -> Option<File> {
        let found = self
            .survey
            .files
            .get(path)
            .or_else(|| self.survey.files.get(&format!("{path}/")));
        match found {
            Some(file) if file.folder == folder => {
                let mut companions: Vec<Companion> = file
                    .companions
                    .iter()
                    .map(|companion| Companion {
                        name: companion.name.clone(),
                        digest: companion.digest.to_vec(),
                        size: companion.size,
                    })
                    .collect();
                companions.sort_by(|one, two| one.name.cmp(&two.name));
                let path = if folder {
                    format!("{path}/")
                } else {
                    path.to_owned()
                };
                Some(File {
                    path,
                    digest: file.digest.to_vec(),
                    size: file.size,
                    companions,
                })
            }
            Some(file) => {
                let (found, hint) = if file.folder {
                    ("a folder", format!("write `{path}/` to read all of it"))
                } else {
                    ("a file", format!("write `{path}` without `/` at the end"))
                };
                report
                    .error("wrong-kind", &from.span, format!("`{path}` is {found}"))
                    .hint(hint);
                None
            }
            None => {
                let known = self.survey.files.keys().map(String::as_str);
                let near = nearest::nearest(path, known).map(|near| format!("did you mean `{near}`?"));
                report
                    .error(
                        "file-not-found",
                        &from.span,
                        format!("there is no {} `{path}`", if folder { "folder" } else { "file" }),
                    )
                    .hint("paths are relative to the manifest")
                    .maybe_hint(near);
                None
            }
        }
    }

    /// The path, unless it is wrong whatever the placeholders stand for.
    fn output_path(
        &self,
        make: &MakeDecl,
        scope: Scope<'_>,
        report: &mut Report<'_>,
    ) -> Option<CompiledTemplate> {
        if !make.sound {
            return None;
        }
        let compiled = self.population.names.compile(&make.path, scope, report)?;
        check_outline(&compiled, &make.path, "the path", report).then_some(compiled)
    }

    fn needs(&self, decl: &StepDecl, report: &mut Report<'_>) -> Needs {
        let needs = &decl.needs;
        let mut seats = Vec::with_capacity(needs.seats.len());
        for (name, count) in &needs.seats {
            match self
                .manifest
                .seats
                .iter()
                .find(|seat| seat.name.value == name.value)
            {
                None => {
                    let known = self.manifest.seats.iter().map(|seat| seat.name.as_str());
                    report
                        .error(
                            "unknown-seat",
                            &name.span,
                            format!("there is no seat `{}`", name.value),
                        )
                        .hint(format!(
                            "declare how many there are: `[seats]` and `{} = {count}`",
                            name.value
                        ))
                        .maybe_hint(nearest::hint(&name.value, known));
                }
                Some(seat) if *count > seat.count => {
                    report
                        .error(
                            "too-many-seats",
                            &name.span,
                            format!(
                                "`{}` can never run: it needs {count} of the seat `{}`, and there are {}",
                                decl.name.value, name.value, seat.count
                            ),
                        )
                        .related(&seat.name.span, "so many there are");
                }
                Some(_) => seats.push(SeatUse {
                    name: name.value.clone(),
                    count: *count,
                }),
            }
        }
        seats.sort_by(|one, two| one.name.cmp(&two.name));
        Needs {
            memory_bytes: needs.memory_bytes.unwrap_or(DEFAULT_MEMORY_BYTES),
            millicores: needs.millicores.unwrap_or(DEFAULT_MILLICORES),
            seats,
            offers: needs.offers.iter().cloned().collect(),
            declared: needs.declared,
            seconds: needs.seconds,
        }
    }
}

/// Whether operations know files with this extension.
fn is_of_a_kind(extension: &str) -> bool {
    [Kind::Mesh, Kind::Map, Kind::Data]
        .iter()
        .any(|kind| kind.readable().contains(&extension))
}

/// Checks a path with harmless text in the place of placeholders, so that what is wrong for every item is said once.
pub(crate) fn check_outline(
    compiled: &CompiledTemplate,
    template: &Template,
    what: &str,
    report: &mut Report<'_>,
) -> bool {
    let Some((code, problem)) = paths::output_problem(&compiled.outline("x")) else {
        return true;
    };
    report
        .error(code, &template.span, format!("{what} {problem}"))
        .hint("paths are relative, with `/` between folders, and must be good on Linux, macOS and Windows");
    false
}

/// The extension that a path has whatever its placeholders stand for; empty if there is none.
pub(crate) fn fixed_extension(template: &Template) -> String {
    match template.pieces.as_slice() {
        [Piece::Text(only)] => paths::extension(only),
        // A placeholder stands before: a leading dot does begin an extension.
        [.., Piece::Text(last)] => paths::extension(&format!("x{last}")),
        _ => String::new(),
    }
}

fn read_each(step: &StepDecl, population: &Population, report: &mut Report<'_>) -> Each {
    let Some(each) = &step.each else {
        return Each::Variant;
    };
    match each.as_str() {
        "variant" => Each::Variant,
        "all" => Each::All,
        name => match population.names.slot(name) {
            Some(slot @ (Slot::Field(_) | Slot::Stem)) => Each::Group(name.to_owned(), slot),
            Some(_) => {
                report
                    .error(
                        "unknown-field",
                        &each.span,
                        format!("`{name}` cannot be grouped by"),
                    )
                    .hint("use `stem` for one item per base model");
                Each::Broken
            }
            None => {
                if !population.names.unsure {
                    let known = population
                        .names
                        .fields
                        .iter()
                        .map(String::as_str)
                        .chain(["variant", "all"]);
                    report
                        .error("unknown-field", &each.span, format!("there is no field `{name}`"))
                        .label("unknown field")
                        .maybe_hint(nearest::hint(name, known));
                }
                Each::Broken
            }
        },
    }
}
