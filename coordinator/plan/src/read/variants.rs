//! `[variants]`: where base models come from and what they are called.

use std::collections::BTreeMap;
use std::ops::Range;

use globset::{GlobBuilder, GlobMatcher};
use toml::de::DeValue;

use super::literal::{self, At, Literal, Node};
use super::section::{Section, as_table};
use super::template::Template;
use crate::diagnostics::Report;
use crate::{names, paths, units};

/// `[variants]` as it is written.
#[derive(Debug, Default)]
pub(crate) struct VariantsDecl {
    /// Of the table's header.
    pub(crate) span: Range<usize>,
    pub(crate) models: Option<At<String>>,
    pub(crate) excludes: Vec<At<String>>,
    pub(crate) csv: Option<At<String>>,
    pub(crate) units: String,
    pub(crate) up: String,
    /// The field pattern of file names; its names are fields.
    pub(crate) fields: Option<Template>,
    pub(crate) newest: Option<Template>,
    pub(crate) name: Option<Template>,
    pub(crate) tags: Vec<TagDecl>,
    pub(crate) axes: Vec<Axis>,
    /// Something about names of fields could not be read, so that an unknown one may well be right.
    pub(crate) fields_unsure: bool,
}

/// One face tag.
#[derive(Debug)]
pub(crate) struct TagDecl {
    pub(crate) name: At<String>,
    /// 0xRRGGBB.
    pub(crate) color: u32,
    /// Every model must have faces of it.
    pub(crate) required: bool,
}

/// One axis: every value makes variants of its own.
#[derive(Debug)]
pub(crate) struct Axis {
    pub(crate) name: At<String>,
    pub(crate) values: Vec<At<Literal>>,
}

pub(crate) const KEYS: [&str; 10] = [
    "models", "exclude", "csv", "units", "up", "fields", "newest", "name", "tags", "axes",
];

/// Names that placeholders and `each` give a meaning of their own.
pub(crate) const BUILT_IN: [&str; 4] = ["stem", "model", "variant", "all"];

pub(super) fn read(node: Option<&Node<'_>>, report: &mut Report<'_>) -> VariantsDecl {
    let Some(node) = node else {
        report
            .error(
                "missing-key",
                &(0..0),
                "the manifest needs the table `[variants]`",
            )
            .hint("as in `[variants]` and `models = \"base/*.obj\"`");
        return VariantsDecl {
            fields_unsure: true,
            ..VariantsDecl::default()
        };
    };
    let Some(table) = as_table(node, "`variants`", report) else {
        return VariantsDecl {
            fields_unsure: true,
            ..VariantsDecl::default()
        };
    };
    let section = Section::closed("[variants]", node.span(), table, &KEYS, report);
    let fields = section
        .text("fields", report)
        .and_then(|text| read_fields(&text, report));
    let axes = read_axes(&section, report);
    let unreadable_axes = section
        .get("axes")
        .is_some_and(|axes| !matches!(axes.get_ref(), DeValue::Table(_)));
    let fields_unsure = (section.get("fields").is_some() && fields.is_none()) || unreadable_axes;
    let mut decl = VariantsDecl {
        span: node.span(),
        models: section
            .text("models", report)
            .filter(|pattern| check_pattern(pattern, "models", report)),
        excludes: section
            .one_or_more_texts("exclude", report)
            .into_iter()
            .filter(|pattern| check_pattern(pattern, "exclude", report))
            .collect(),
        csv: section
            .text("csv", report)
            .filter(|path| check_input_path(path, report)),
        units: word(&section, "units", &units::LENGTH_UNITS, "m", report),
        up: word(&section, "up", &["y", "z"], "y", report),
        newest: section
            .text("newest", report)
            .and_then(|text| read_newest(&text, report)),
        name: section
            .text("name", report)
            .and_then(|text| Template::parse(&text, report)),
        tags: read_tags(&section, report),
        fields,
        axes,
        fields_unsure,
    };
    if ["models", "csv", "axes"]
        .iter()
        .all(|key| section.get(key).is_none())
    {
        report
            .error(
                "missing-key",
                &node.span(),
                "[variants] says nothing of where variants come from",
            )
            .label("`models` is missing")
            .hint("add `models = \"base/*.obj\"`, or `csv`, or `[variants.axes]`");
        decl.fields_unsure = true;
    } else if decl.models.is_none()
        && decl.csv.is_none()
        && section.get("fields").is_some()
        && section.get("models").is_none()
    {
        report.error(
            "missing-key",
            &node.span(),
            "`fields` reads the names of model files, but no `models` are named",
        );
    }
    decl
}

fn read_fields(text: &At<String>, report: &mut Report<'_>) -> Option<Template> {
    let template = Template::parse(text, report)?;
    let mut seen: BTreeMap<&str, &Range<usize>> = BTreeMap::new();
    for name in template.names() {
        check_field_name(name, report);
        if let Some(first) = seen.insert(name.as_str(), &name.span) {
            report
                .error(
                    "duplicate-name",
                    &name.span,
                    format!("the field `{}` stands twice in the pattern", name.value),
                )
                .related(first, "first here");
        }
    }
    Some(template)
}

/// A name that a file pattern, an axis or a CSV column gives to a field.
fn check_field_name(name: &At<String>, report: &mut Report<'_>) {
    if BUILT_IN.contains(&name.as_str()) {
        report
            .error(
                "reserved-name",
                &name.span,
                format!("no field can be called `{}`", name.value),
            )
            .hint("`{stem}`, `{model}`, `{variant}` and `all` mean something already");
    } else if !names::is_word(&name.value) {
        report
            .error(
                "bad-name",
                &name.span,
                format!("`{}` cannot be the name of a field", name.value),
            )
            .hint("use letters, digits, `-` and `_`");
    }
}

fn read_axes(section: &Section<'_>, report: &mut Report<'_>) -> Vec<Axis> {
    let Some(axes) = section.table("axes", "[variants.axes]", report) else {
        return Vec::new();
    };
    let mut read = Vec::new();
    for (name, node) in axes.entries() {
        check_field_name(&name, report);
        let what = axes.name_of(&name.value);
        let Some(At { value, span }) = literal::literal(node, &what, report) else {
            continue;
        };
        let Literal::List(values) = value else {
            literal::wrong_type(node, &what, "a list of values", report);
            // Its name is known all the same.
            read.push(Axis {
                name,
                values: Vec::new(),
            });
            continue;
        };
        if values.is_empty() {
            report
                .error(
                    "empty-axis",
                    &span,
                    format!(
                        "the axis `{}` has no values, so there would be no variants",
                        name.value
                    ),
                )
                .hint("give it at least one value, or remove it");
        }
        let mut seen: BTreeMap<String, &Range<usize>> = BTreeMap::new();
        // A value that is there twice makes its variants once: otherwise every one of them would be complained about.
        let mut once = Vec::with_capacity(values.len());
        for value in &values {
            match value.value.plain() {
                None => {
                    let found = value.value.type_word();
                    let message =
                        format!("each value of {what} must be a number, text, or true or false, not {found}");
                    report.error("wrong-type", &value.span, message);
                }
                Some(text) => {
                    if let Some(first) = seen.insert(text.clone(), &value.span) {
                        report
                            .error(
                                "duplicate-value",
                                &value.span,
                                format!("the axis `{}` has the value {text} twice", name.value),
                            )
                            .related(first, "first here");
                    } else {
                        once.push(value.clone());
                    }
                }
            }
        }
        read.push(Axis { name, values: once });
    }
    read
}

fn read_tags(section: &Section<'_>, report: &mut Report<'_>) -> Vec<TagDecl> {
    let Some(tags) = section.table("tags", "`tags`", report) else {
        return Vec::new();
    };
    let mut read: Vec<TagDecl> = Vec::new();
    let mut colors: BTreeMap<u32, (String, Range<usize>)> = BTreeMap::new();
    for (name, node) in tags.entries() {
        if name.value.trim().is_empty() {
            report.error("bad-name", &name.span, "a tag needs a name");
        }
        let what = format!("the tag `{}`", name.value);
        let (color, required) = match node.get_ref() {
            DeValue::Table(table) => {
                let one = Section::closed(what.clone(), node.span(), table, &["color", "required"], report);
                let color = one
                    .required("color", report)
                    .and_then(|node| literal::text(node, &one.name_of("color"), report));
                (color, one.flag("required", report).unwrap_or(true))
            }
            _ => (literal::text(node, &what, report), true),
        };
        // A tag without a usable colour is still a known tag.
        let value = color.as_ref().and_then(|color| units::color(&color.value));
        if let (Some(color), None) = (&color, value) {
            report
                .error(
                    "bad-color",
                    &color.span,
                    format!("`{}` is no colour", color.value),
                )
                .hint("write it as `#RRGGBB`, as in `#E69F00`");
        }
        if let (Some(text), Some(value)) = (&color, value) {
            if let Some((other, span)) = colors.get(&value) {
                report
                    .error(
                        "duplicate-color",
                        &text.span,
                        format!("the tags `{other}` and `{}` have the same colour", name.value),
                    )
                    .related(span, format!("colour of `{other}`"))
                    .hint("in an ID map nobody could tell them apart");
            } else {
                colors.insert(value, (name.value.clone(), text.span.clone()));
            }
        }
        read.push(TagDecl {
            name,
            color: value.unwrap_or(0),
            required,
        });
    }
    read
}

fn read_newest(text: &At<String>, report: &mut Report<'_>) -> Option<Template> {
    let template = Template::parse(text, report)?;
    let names: Vec<&str> = template.names().map(At::as_str).collect();
    if names == ["number"] && template.pieces.len() > 1 {
        return Some(template);
    }
    report
        .error(
            "bad-newest",
            &text.span,
            "`newest` must be text around one `{number}`",
        )
        .hint("as in `newest = \"_v{number}\"`");
    None
}

fn word(section: &Section<'_>, key: &str, known: &[&str], default: &str, report: &mut Report<'_>) -> String {
    match section.text(key, report) {
        Some(text) if known.contains(&text.as_str()) => text.value,
        Some(text) => {
            report
                .error(
                    "unknown-word",
                    &text.span,
                    format!("{} cannot be `{}`", section.name_of(key), text.value),
                )
                .hint(format!("one of {}", crate::nearest::quoted(known)));
            default.to_owned()
        }
        None => default.to_owned(),
    }
}

fn check_pattern(pattern: &At<String>, key: &str, report: &mut Report<'_>) -> bool {
    if let Some(problem) = paths::input_problem(&pattern.value) {
        report
            .error(
                "bad-path",
                &pattern.span,
                format!("the pattern in `{key}` {problem}"),
            )
            .hint("patterns are relative to the manifest, with `/` between folders");
        return false;
    }
    match compile(&pattern.value) {
        Ok(_) => true,
        Err(why) => {
            report.error(
                "bad-pattern",
                &pattern.span,
                format!("the pattern in `{key}` cannot be read: {why}"),
            );
            false
        }
    }
}

/// A path of a file that is only read.
pub(super) fn check_input_path(path: &At<String>, report: &mut Report<'_>) -> bool {
    match paths::input_problem(&path.value) {
        Some(problem) => {
            report
                .error(
                    "bad-path",
                    &path.span,
                    format!("the path `{}` {problem}", path.value),
                )
                .hint("paths are relative to the manifest, with `/` between folders");
            false
        }
        None => true,
    }
}

/// Compiles a pattern in which `*` and `?` stay within a folder.
pub(crate) fn compile(pattern: &str) -> Result<GlobMatcher, String> {
    let glob = GlobBuilder::new(pattern)
        .literal_separator(true)
        .backslash_escape(false)
        .build();
    glob.map(|glob| glob.compile_matcher())
        .map_err(|error| error.kind().to_string())
}
