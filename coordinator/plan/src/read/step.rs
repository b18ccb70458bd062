//! `[step.NAME]`: what it reads, does and makes.

use std::ops::Range;

use toml::de::DeValue;

use super::literal::{self, At, Literal, Node};
use super::needs::{self, NeedsDecl};
use super::section::{Section, as_table};
use super::template::Template;
use super::variants::check_input_path;
use crate::diagnostics::Report;
use crate::names;

/// One step as it is written.
#[derive(Debug)]
pub(crate) struct StepDecl {
    pub(crate) name: At<String>,
    pub(crate) each: Option<At<String>>,
    /// In the order of the manifest.
    pub(crate) from: Vec<FromDecl>,
    pub(crate) action: Option<ActionDecl>,
    pub(crate) makes: Vec<MakeDecl>,
    pub(crate) needs: NeedsDecl,
    pub(crate) retries: u32,
    /// 0: none.
    pub(crate) time_limit_ms: u64,
    pub(crate) partial: bool,
    /// Name and value.
    pub(crate) env: Vec<(At<String>, Template)>,
}

/// One named input.
#[derive(Debug)]
pub(crate) struct FromDecl {
    pub(crate) name: At<String>,
    /// Of the value.
    pub(crate) span: Range<usize>,
    pub(crate) source: SourceDecl,
}

/// Where an input comes from.
#[derive(Debug)]
pub(crate) enum SourceDecl {
    /// `"{model}"`
    Model,
    /// `"step.output"`
    Output(OutputRef),
    /// `{ file = "presets/x.json" }`, a folder if `/` stood at its end (here it does not).
    File { path: String, folder: bool },
    /// Could not be read; said already.
    Broken,
}

/// `"step.output"`
#[derive(Debug, Clone)]
pub(crate) struct OutputRef {
    pub(crate) step: String,
    pub(crate) output: String,
    pub(crate) span: Range<usize>,
}

/// What a step does.
#[derive(Debug)]
pub(crate) enum ActionDecl {
    Operations(Vec<CallDecl>),
    /// The program's name, and its arguments.
    Program(Vec<At<String>>),
}

/// One operation of a chain.
#[derive(Debug)]
pub(crate) struct CallDecl {
    pub(crate) op: At<String>,
    pub(crate) settings: Vec<(At<String>, At<Literal>)>,
    /// Port and value of the chain.
    pub(crate) inputs: Vec<(At<String>, At<String>)>,
    pub(crate) outputs: RenameDecl,
}

/// `as` of an operation.
#[derive(Debug)]
pub(crate) enum RenameDecl {
    No,
    /// `as = "name"`
    Only(At<String>),
    /// `as = { port = "name" }`
    Ports(Vec<(At<String>, At<String>)>),
}

/// One declared output.
#[derive(Debug)]
pub(crate) struct MakeDecl {
    pub(crate) name: At<String>,
    /// Without the `/` that marks a folder.
    pub(crate) path: Template,
    /// The path could be read.
    pub(crate) sound: bool,
    pub(crate) folder: bool,
}

pub(crate) const KEYS: [&str; 10] = [
    "from",
    "ops",
    "program",
    "makes",
    "needs",
    "retries",
    "time_limit",
    "each",
    "partial",
    "env",
];

pub(super) fn read(name: At<String>, node: &Node<'_>, report: &mut Report<'_>) -> Option<StepDecl> {
    if !names::is_word(&name.value) {
        let problem = if name.value.contains('/') {
            "holds a `/`"
        } else {
            "is no plain name"
        };
        report
            .error(
                "bad-name",
                &name.span,
                format!("the step's name `{}` {problem}", name.value),
            )
            .hint("use letters, digits, `-` and `_`");
    }
    let title = format!("[step.{}]", name.value);
    let table = as_table(node, &format!("`step.{}`", name.value), report)?;
    let section = Section::closed(title, node.span(), table, &KEYS, report);
    let action = read_action(&section, report);
    let is_program = matches!(action, Some(ActionDecl::Program(_)));
    Some(StepDecl {
        each: section.text("each", report),
        from: read_from(&section, report),
        makes: read_makes(&section, report),
        needs: needs::read(&section, report),
        retries: section
            .whole("retries", 0..needs::MOST_RETRIES + 1, report)
            .map_or(0, |retries| retries.value as u32),
        time_limit_ms: section
            .text("time_limit", report)
            .and_then(|text| needs::time(&text, report))
            .unwrap_or(0),
        partial: section.flag("partial", report).unwrap_or(false),
        env: read_env(&section, is_program, report),
        action,
        name,
    })
}

fn read_action(section: &Section<'_>, report: &mut Report<'_>) -> Option<ActionDecl> {
    match (section.get("ops"), section.get("program")) {
        (Some(ops), None) => read_ops(ops, section, report),
        (None, Some(program)) => read_program(program, section, report),
        (Some(ops), Some(program)) => {
            report
                .error("ops-and-program", &program.span(), format!("{} has both `ops` and `program`", section.title))
                .related(&ops.span(), "operations here")
                .hint("make two steps of it: one with `ops`, one with `program` that reads what the first makes");
            None
        }
        (None, None) => {
            report
                .error(
                    "no-action",
                    &section.span,
                    format!("{} has neither `ops` nor `program`", section.title),
                )
                .hint("add `ops = [{ op = \"…\" }]` for built-in operations, or `program = [\"…\"]`");
            None
        }
    }
}

fn read_ops(node: &Node<'_>, section: &Section<'_>, report: &mut Report<'_>) -> Option<ActionDecl> {
    let DeValue::Array(array) = node.get_ref() else {
        literal::wrong_type(node, &section.name_of("ops"), "a list of operations", report);
        return None;
    };
    if array.is_empty() {
        report
            .error(
                "no-action",
                &node.span(),
                format!("{} has no operation in `ops`", section.title),
            )
            .hint("add one, as in `ops = [{ op = \"inspect\" }]`");
        return None;
    }
    let calls: Vec<Option<CallDecl>> = array
        .iter()
        .map(|call| read_call(call, section, report))
        .collect();
    // A chain with an unreadable link is not followed further: what comes behind would be guesswork.
    let calls = calls.into_iter().collect::<Option<Vec<_>>>()?;
    Some(ActionDecl::Operations(calls))
}

fn read_call(node: &Node<'_>, section: &Section<'_>, report: &mut Report<'_>) -> Option<CallDecl> {
    let what = format!("each operation of {}", section.title);
    let table = as_table(node, &what, report)?;
    let call = Section::open(format!("the operation in {}", section.title), node.span(), table);
    let op = call
        .required("op", report)
        .and_then(|node| literal::text(node, &call.name_of("op"), report));
    let mut settings = Vec::new();
    let mut sound = true;
    for (key, node) in call.entries() {
        if ["op", "in", "as"].contains(&key.as_str()) {
            continue;
        }
        match literal::setting(node, &format!("`{}`", key.value), report) {
            Some(value) => settings.push((key, value)),
            None => sound = false,
        }
    }
    let inputs = read_bindings(&call, "in", report);
    let outputs = match call.get("as").map(|node| (node, node.get_ref())) {
        None => RenameDecl::No,
        Some((node, DeValue::String(text))) => RenameDecl::Only(At::new(text.to_string(), node.span())),
        Some((_, DeValue::Table(_))) => RenameDecl::Ports(read_bindings(&call, "as", report)),
        Some((node, _)) => {
            literal::wrong_type(node, &call.name_of("as"), "a name, or a table of names", report);
            sound = false;
            RenameDecl::No
        }
    };
    let call = CallDecl {
        op: op?,
        settings,
        inputs,
        outputs,
    };
    let new_names: Vec<&At<String>> = match &call.outputs {
        RenameDecl::No => vec![],
        RenameDecl::Only(name) => vec![name],
        RenameDecl::Ports(ports) => ports.iter().map(|(_, name)| name).collect(),
    };
    for name in new_names {
        check_value_name(name, report);
    }
    sound.then_some(call)
}

fn read_bindings(section: &Section<'_>, key: &str, report: &mut Report<'_>) -> Vec<(At<String>, At<String>)> {
    let Some(table) = section.table(key, section.name_of(key), report) else {
        return Vec::new();
    };
    let entries = table.entries().into_iter();
    entries
        .filter_map(|(port, node)| {
            let what = table.name_of(&port.value);
            literal::text(node, &what, report).map(|value| (port, value))
        })
        .collect()
}

fn read_program(node: &Node<'_>, section: &Section<'_>, report: &mut Report<'_>) -> Option<ActionDecl> {
    let arguments = literal::texts(node, &section.name_of("program"), report)?;
    let Some(program) = arguments.first() else {
        if matches!(node.get_ref(), DeValue::Array(array) if array.is_empty()) {
            report
                .error(
                    "empty-program",
                    &node.span(),
                    format!("{} names no program", section.title),
                )
                .hint("as in `program = [\"oxipng\", \"{map}\", \"--out\", \"{small}\"]`");
        }
        return None;
    };
    if let Some(problem) = names::program_name_problem(&program.value) {
        let code = if program.value.is_empty() {
            "empty-program"
        } else {
            "bad-program-name"
        };
        report
            .error(
                code,
                &program.span,
                format!("the program's name `{}` {problem}", program.value),
            )
            .hint("give a plain name; each workstation finds the program itself, and no shell is involved");
    }
    Some(ActionDecl::Program(arguments))
}

fn read_from(section: &Section<'_>, report: &mut Report<'_>) -> Vec<FromDecl> {
    let Some(from) = section.table("from", format!("`from` of {}", section.title), report) else {
        return Vec::new();
    };
    let mut read = Vec::new();
    for (name, node) in from.entries() {
        check_value_name(&name, report);
        let what = from.name_of(&name.value);
        let source = match node.get_ref() {
            DeValue::String(text) => {
                read_reference(&At::new(text.to_string(), node.span()), report).unwrap_or(SourceDecl::Broken)
            }
            DeValue::Table(table) => {
                let file = Section::closed(what.clone(), node.span(), table, &["file"], report);
                read_file(&file, report).unwrap_or(SourceDecl::Broken)
            }
            _ => {
                literal::wrong_type(node, &what, "text or `{ file = \"…\" }`", report);
                SourceDecl::Broken
            }
        };
        read.push(FromDecl {
            name,
            span: node.span(),
            source,
        });
    }
    read
}

fn read_reference(text: &At<String>, report: &mut Report<'_>) -> Option<SourceDecl> {
    if text.value == "{model}" {
        return Some(SourceDecl::Model);
    }
    read_output_ref(text, report).map(SourceDecl::Output)
}

/// Reads `"step.output"`.
pub(super) fn read_output_ref(text: &At<String>, report: &mut Report<'_>) -> Option<OutputRef> {
    if let Some((step, output)) = text.value.split_once('.')
        && names::is_word(step)
        && names::is_word(output)
    {
        return Some(OutputRef {
            step: step.to_owned(),
            output: output.to_owned(),
            span: text.span.clone(),
        });
    }
    let looks_like_a_file = text.value.contains('/') || text.value.split_once('.').is_some();
    let hint = if text.value.contains('{') {
        "only `{model}` can stand here, by itself: the variant's base model".to_owned()
    } else if looks_like_a_file {
        format!("a fixed file is `{{ file = \"{}\" }}`", text.value)
    } else {
        format!("name one of its outputs, as in `{}.mesh`", text.value)
    };
    report
        .error(
            "bad-reference",
            &text.span,
            format!("`{}` is no output of a step", text.value),
        )
        .label("expected `step.output`")
        .hint(hint);
    None
}

fn read_file(section: &Section<'_>, report: &mut Report<'_>) -> Option<SourceDecl> {
    let node = section.required("file", report)?;
    let path = literal::text(node, &section.name_of("file"), report)?;
    let template = Template::parse(&path, report)?;
    if let Some(name) = template.names().next() {
        report
            .error(
                "bad-placeholder",
                &name.span,
                "a fixed file's path takes no placeholders",
            )
            .hint("it is the same file for every variant");
        return None;
    }
    let fixed = template.as_fixed().unwrap_or_default().to_owned();
    let folder = fixed.ends_with('/');
    let fixed = At::new(fixed.trim_end_matches('/').to_owned(), path.span);
    check_input_path(&fixed, report).then_some(SourceDecl::File {
        path: fixed.value,
        folder,
    })
}

fn read_makes(section: &Section<'_>, report: &mut Report<'_>) -> Vec<MakeDecl> {
    if section.required("makes", report).is_none() {
        return Vec::new();
    }
    let Some(makes) = section.table("makes", format!("`makes` of {}", section.title), report) else {
        return Vec::new();
    };
    if makes.entries().is_empty() {
        report
            .error(
                "missing-key",
                &makes.span,
                format!("{} makes nothing", section.title),
            )
            .hint("declare at least one output, as in `makes = { mesh = \"{variant}.glb\" }`");
    }
    let mut read = Vec::new();
    for (name, node) in makes.entries() {
        check_value_name(&name, report);
        let Some(text) = literal::text(node, &makes.name_of(&name.value), report) else {
            continue;
        };
        let folder = text.value.ends_with('/') && text.value.len() > 1;
        let mut parsed = Template::parse(&text, report);
        if folder
            && let Some(super::template::Piece::Text(last)) =
                parsed.as_mut().and_then(|template| template.pieces.last_mut())
        {
            last.pop();
        }
        let sound = parsed.is_some();
        // An output whose path cannot be read is still an output that others may name.
        let path = parsed.unwrap_or(Template {
            pieces: Vec::new(),
            span: text.span.clone(),
        });
        read.push(MakeDecl {
            name,
            path,
            sound,
            folder,
        });
    }
    read
}

fn read_env(section: &Section<'_>, is_program: bool, report: &mut Report<'_>) -> Vec<(At<String>, Template)> {
    let Some(env) = section.table("env", format!("`env` of {}", section.title), report) else {
        return Vec::new();
    };
    if !is_program && section.get("ops").is_some() {
        report
            .error(
                "env-without-program",
                &env.span,
                format!("{} has `env`, but no program to give it to", section.title),
            )
            .hint("built-in operations read no environment; remove it");
    }
    let mut read = Vec::new();
    for (name, node) in env.entries() {
        if !names::is_variable_name(&name.value) {
            report
                .error(
                    "bad-name",
                    &name.span,
                    format!("`{}` cannot be the name of a variable", name.value),
                )
                .hint("use letters, digits and `_`");
        } else if names::is_variable_of_the_agent(&name.value) {
            report
                .error(
                    "reserved-name",
                    &name.span,
                    format!("`{}` is set by the workstation", name.value),
                )
                .hint(
                    "programs run in a clean environment; only variables of their own can be given to them",
                );
        }
        if let Some(text) = literal::text(node, &env.name_of(&name.value), report)
            && let Some(template) = Template::parse(&text, report)
        {
            read.push((name, template));
        }
    }
    read
}

/// A name of an input, an output or a value in a chain.
fn check_value_name(name: &At<String>, report: &mut Report<'_>) {
    if !names::is_word(&name.value) {
        let problem = if name.value.contains('/') {
            "holds a `/`"
        } else {
            "is no plain name"
        };
        report
            .error(
                "bad-name",
                &name.span,
                format!("the name `{}` {problem}", name.value),
            )
            .hint("use letters, digits, `-` and `_`");
    }
}
