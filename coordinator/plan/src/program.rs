//! A program's arguments: text, files that are staged for it, and paths at which it must write.

use std::collections::BTreeSet;

use tidemill_proto::v1::{Argument, Part, Program, part};

use crate::diagnostics::Report;
use crate::names::is_word;
use crate::read::{At, Piece, Template};
use crate::variants::scope::{Names, Scope, Slot};
use crate::variants::{ModelFile, Variant};

/// A program with its arguments.
#[derive(Debug)]
pub(crate) struct CompiledProgram {
    /// The tool's name.
    pub(crate) tool: String,
    arguments: Vec<Vec<ArgumentPart>>,
    /// The whole, if it is the same for every item.
    fixed: Option<Program>,
}

#[derive(Debug)]
enum ArgumentPart {
    Slot(Slot),
    Part(part::Kind),
}

/// What a step's files are called.
pub(crate) struct FileNames<'f> {
    /// Name, and whether it gathers.
    pub(crate) inputs: Vec<(&'f At<String>, bool)>,
    pub(crate) outputs: Vec<&'f At<String>>,
}

/// Compiles the arguments behind the program's name.
pub(crate) fn compile(
    arguments: &[At<String>],
    files: &FileNames<'_>,
    names: &Names,
    scope: Scope<'_>,
    report: &mut Report<'_>,
) -> Option<CompiledProgram> {
    check_clashes(files, names, scope, report);
    let mut compiled = Vec::with_capacity(arguments.len());
    let mut mentioned = BTreeSet::new();
    let mut sound = true;
    for argument in arguments.iter().skip(1) {
        let Some(template) = Template::parse(argument, report) else {
            sound = false;
            continue;
        };
        let mut parts = Vec::with_capacity(template.pieces.len());
        for piece in &template.pieces {
            let part = match piece {
                Piece::Text(text) => Some(ArgumentPart::Part(part::Kind::Text(text.clone()))),
                Piece::Name(name) => {
                    mentioned.insert(name.value.clone());
                    placeholder(name, &template, files, names, scope, report)
                }
            };
            match part {
                Some(part) => parts.push(part),
                None => sound = false,
            }
        }
        compiled.push(parts);
    }
    for output in files
        .outputs
        .iter()
        .filter(|output| sound && is_word(&output.value) && !mentioned.contains(&output.value))
    {
        report
            .remark(
                "unmentioned-output",
                &output.span,
                format!("no argument tells the program where to write `{}`", output.value),
            )
            .hint(format!(
                "it is expected at `out/{}` with its extension; say so with `{{{}}}`",
                output.value, output.value
            ));
    }
    if !sound {
        return None;
    }
    let tool = arguments.first()?.value.clone();
    let mut program = CompiledProgram {
        tool,
        arguments: compiled,
        fixed: None,
    };
    let depends = program
        .arguments
        .iter()
        .flatten()
        .any(|part| matches!(part, ArgumentPart::Slot(_)));
    if !depends {
        program.fixed = Some(program.build(|_| ""));
    }
    Some(program)
}

impl CompiledProgram {
    /// The program for one item.
    pub(crate) fn resolve(&self, models: &[ModelFile], variant: Option<&Variant>) -> Program {
        match (&self.fixed, variant) {
            (Some(program), _) => program.clone(),
            (None, Some(variant)) => self.build(|slot| slot.text(models, variant)),
            // Only a step for all variants has none, and its arguments take no fields.
            (None, None) => self.build(|_| ""),
        }
    }

    fn build<'t>(&self, text_of: impl Fn(Slot) -> &'t str) -> Program {
        let arguments = self.arguments.iter().map(|parts| {
            let mut built: Vec<Part> = Vec::with_capacity(parts.len());
            for part in parts {
                let text = match part {
                    ArgumentPart::Slot(slot) => text_of(*slot),
                    ArgumentPart::Part(part::Kind::Text(text)) => text,
                    ArgumentPart::Part(kind) => {
                        built.push(Part {
                            kind: Some(kind.clone()),
                        });
                        continue;
                    }
                };
                // Neighbouring texts are one, so that a number written out and one filled in make the same key.
                if let Some(Part {
                    kind: Some(part::Kind::Text(last)),
                }) = built.last_mut()
                {
                    last.push_str(text);
                } else {
                    built.push(Part {
                        kind: Some(part::Kind::Text(text.to_owned())),
                    });
                }
            }
            Argument { parts: built }
        });
        Program {
            tool: self.tool.clone(),
            arguments: arguments.collect(),
        }
    }
}

fn placeholder(
    name: &At<String>,
    argument: &Template,
    files: &FileNames<'_>,
    names: &Names,
    scope: Scope<'_>,
    report: &mut Report<'_>,
) -> Option<ArgumentPart> {
    if let Some(list) = name.value.strip_suffix(".list") {
        if files.inputs.iter().any(|(input, _)| input.value == list) {
            return Some(ArgumentPart::Part(part::Kind::InputList(list.to_owned())));
        }
        let known: Vec<String> = files
            .inputs
            .iter()
            .map(|(input, _)| format!("{}.list", input.value))
            .collect();
        report
            .error(
                "unknown-placeholder",
                &name.span,
                format!("`{{{}}}` lists no input", name.value),
            )
            .label("unknown placeholder")
            .maybe_hint(crate::nearest::hint(
                &name.value,
                known.iter().map(String::as_str),
            ));
        return None;
    }
    if let Some((input, many)) = files.inputs.iter().find(|(input, _)| input.value == name.value) {
        if *many && argument.as_single().is_none() {
            report
                .error("gathered", &name.span, format!("`{{{}}}` is many files: it cannot be part of an argument", input.value))
                .hint(format!("let it be an argument of its own, or write `{{{}.list}}` for a text file that lists them", input.value));
            return None;
        }
        return Some(ArgumentPart::Part(part::Kind::Input(input.value.clone())));
    }
    if files.outputs.iter().any(|output| output.value == name.value) {
        return Some(ArgumentPart::Part(part::Kind::Output(name.value.clone())));
    }
    let others: Vec<&str> = files
        .inputs
        .iter()
        .map(|(input, _)| input.as_str())
        .chain(files.outputs.iter().map(|output| output.as_str()))
        .collect();
    names.find(name, scope, &others, report).map(ArgumentPart::Slot)
}

/// In arguments inputs, outputs and fields share their names, so each must be only one of them.
fn check_clashes(files: &FileNames<'_>, names: &Names, scope: Scope<'_>, report: &mut Report<'_>) {
    for output in &files.outputs {
        if let Some((input, _)) = files.inputs.iter().find(|(input, _)| input.value == output.value) {
            report
                .error(
                    "name-clash",
                    &output.span,
                    format!("`{}` is an input and an output of this program", output.value),
                )
                .related(&input.span, "the input")
                .hint(format!(
                    "rename one of them, so that `{{{}}}` means one file",
                    output.value
                ));
        }
    }
    let all = files
        .inputs
        .iter()
        .map(|(input, _)| *input)
        .chain(files.outputs.iter().copied());
    for name in all {
        // `model` is the usual name of an input that is the model.
        if name.value != "model" && names.known(scope).contains(&name.value) {
            report
                .error(
                    "name-clash",
                    &name.span,
                    format!("`{}` is the name of a field, too", name.value),
                )
                .hint("rename the input or output, so that the placeholder means one thing");
        }
    }
}
