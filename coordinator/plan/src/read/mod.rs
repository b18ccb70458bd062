//! Manifest text to a manifest as it is written: grammar, types and names, but not yet what they refer to.
//!
//! - [`section`]: one table with its known keys. [`literal`]: values with their spans.
//! - [`template`]: text with placeholders.
//! - [`variants`], [`step`], [`needs`], [`rest`]: a reader for each part of the manifest.
//!
//! Everything goes on after an error with what could be read, so that all errors come at once. Only a text
//! that is no TOML ends here.

pub(crate) mod literal;
pub(crate) mod needs;
pub(crate) mod rest;
pub(crate) mod section;
pub(crate) mod step;
pub(crate) mod template;
pub(crate) mod variants;

use toml::de::DeTable;

pub(crate) use literal::{At, Literal};
pub(crate) use rest::{AdjustDecl, DeliverDecl, SeatDecl, SetDecl, ToolDecl};
pub(crate) use step::{
    ActionDecl, CallDecl, FromDecl, MakeDecl, OutputRef, RenameDecl, SourceDecl, StepDecl,
};
pub(crate) use template::{Piece, Template};
pub(crate) use variants::VariantsDecl;

use crate::diagnostics::Report;
use crate::names;
use section::{Section, as_table};

/// A whole manifest as it is written.
#[derive(Debug)]
pub(crate) struct Manifest {
    pub(crate) name: String,
    pub(crate) variants: VariantsDecl,
    /// In the order of the manifest.
    pub(crate) steps: Vec<StepDecl>,
    pub(crate) tools: Vec<ToolDecl>,
    pub(crate) adjusts: Vec<AdjustDecl>,
    pub(crate) draft: Vec<SetDecl>,
    pub(crate) seats: Vec<SeatDecl>,
    pub(crate) deliver: Option<DeliverDecl>,
}

pub(crate) const TABLES: [&str; 8] = [
    "manifest", "variants", "step", "tool", "adjust", "draft", "seats", "deliver",
];

/// Reads a manifest; `None` only if the text is no TOML.
pub(crate) fn manifest(text: &str, report: &mut Report<'_>) -> Option<Manifest> {
    let (root, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            report
                .error("syntax", &span, format!("this is no TOML: {}", error.message()))
                .hint("nothing else was checked yet");
        }
        return None;
    }
    let root = Section::closed("the manifest", 0..0, root.get_ref(), &TABLES, report);
    let name = read_name(&root, report);
    let variants = variants::read(root.get("variants"), report);
    let steps = read_steps(&root, report);
    Some(Manifest {
        name,
        variants,
        steps,
        tools: rest::tools(root.get("tool"), report),
        adjusts: rest::adjusts(root.get("adjust"), report),
        draft: rest::draft(root.get("draft"), report),
        seats: rest::seats(root.get("seats"), report),
        deliver: rest::deliver(root.get("deliver"), report),
    })
}

fn read_name(root: &Section<'_>, report: &mut Report<'_>) -> String {
    let Some(node) = root.get("manifest") else {
        report
            .error(
                "missing-key",
                &(0..0),
                "the manifest needs the table `[manifest]`",
            )
            .hint("as in `[manifest]` and `name = \"harbour-dock\"`");
        return String::new();
    };
    let Some(table) = as_table(node, "`manifest`", report) else {
        return String::new();
    };
    let section = Section::closed("[manifest]", node.span(), table, &["name"], report);
    let Some(name) = section
        .required("name", report)
        .and_then(|_| section.text("name", report))
    else {
        return String::new();
    };
    if !names::is_manifest_name(&name.value) {
        report
            .error("bad-name", &name.span, format!("`{}` cannot be the name of a manifest", name.value))
            .hint("use letters, digits, `-` and `_`, with dots inside if you like: runs are named after it, `harbour-dock.12`");
    }
    name.value
}

fn read_steps(root: &Section<'_>, report: &mut Report<'_>) -> Vec<StepDecl> {
    let Some(node) = root.get("step") else {
        report
            .error("missing-key", &(0..0), "the manifest has no step")
            .hint("add one, as in `[step.weathered]`");
        return Vec::new();
    };
    let Some(table) = as_table(node, "`step`", report) else {
        return Vec::new();
    };
    let section = Section::open("`step`", node.span(), table);
    let steps = section.entries();
    steps
        .into_iter()
        .filter_map(|(name, node)| step::read(name, node, report))
        .collect()
}
