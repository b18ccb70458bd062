//! `[tool.NAME]`, `[[adjust]]`, `[draft]`, `[seats]` and `[deliver]`.

use toml::de::DeValue;

use super::literal::{self, At, Literal, Node};
use super::needs::MOST_SEATS;
use super::section::{Section, as_table, within};
use super::step::{OutputRef, read_output_ref};
use super::template::Template;
use crate::diagnostics::Report;
use crate::names;

/// A program, and which versions of it will do.
#[derive(Debug)]
pub(crate) struct ToolDecl {
    pub(crate) name: At<String>,
    /// The plain name of the program; the tool's own if nothing else is said.
    pub(crate) program: String,
    /// Empty: any.
    pub(crate) version: String,
}

/// One entry of `[[adjust]]`.
#[derive(Debug)]
pub(crate) struct AdjustDecl {
    pub(crate) span: std::ops::Range<usize>,
    pub(crate) conditions: Vec<Condition>,
    pub(crate) set: Vec<SetDecl>,
}

/// A field must have one of these texts.
#[derive(Debug)]
pub(crate) struct Condition {
    pub(crate) field: At<String>,
    pub(crate) texts: Vec<String>,
}

/// `"game.simplify.triangles" = 1200`
#[derive(Debug)]
pub(crate) struct SetDecl {
    pub(crate) key: At<String>,
    pub(crate) value: At<Literal>,
}

/// Licences or people that only so many items may use at once.
#[derive(Debug)]
pub(crate) struct SeatDecl {
    pub(crate) name: At<String>,
    pub(crate) count: u32,
}

/// `[deliver]`.
#[derive(Debug)]
pub(crate) struct DeliverDecl {
    pub(crate) to: Option<Template>,
    pub(crate) what: Vec<OutputRef>,
    /// Steps.
    pub(crate) when: Vec<At<String>>,
}

pub(super) fn tools(node: Option<&Node<'_>>, report: &mut Report<'_>) -> Vec<ToolDecl> {
    let Some(table) = node.and_then(|node| as_table(node, "`tool`", report)) else {
        return Vec::new();
    };
    let mut read = Vec::new();
    for (name, node) in Section::open("`tool`", 0..0, table).entries() {
        if let Some(problem) = names::program_name_problem(&name.value) {
            report.error(
                "bad-program-name",
                &name.span,
                format!("the tool's name `{}` {problem}", name.value),
            );
        }
        let title = format!("[tool.{}]", name.value);
        let Some(table) = as_table(node, &format!("`tool.{}`", name.value), report) else {
            continue;
        };
        let section = Section::closed(title, node.span(), table, &["version", "program"], report);
        let version = section.text("version", report).map_or(String::new(), |version| {
            if !names::is_version_pattern(&version.value) {
                report
                    .error(
                        "bad-version",
                        &version.span,
                        format!("`{}` is no version pattern", version.value),
                    )
                    .hint("write `9.1.2` for exactly that one, `9.*` for any that begins so, `*` for any");
            }
            // Any version is how the plan says `*`.
            if version.value == "*" {
                String::new()
            } else {
                version.value
            }
        });
        let program = section
            .text("program", report)
            .map_or(name.value.clone(), |program| {
                if let Some(problem) = names::program_name_problem(&program.value) {
                    report
                        .error(
                            "bad-program-name",
                            &program.span,
                            format!("the program's name `{}` {problem}", program.value),
                        )
                        .hint("give a plain name; each workstation finds the program itself");
                }
                program.value
            });
        read.push(ToolDecl {
            name,
            program,
            version,
        });
    }
    read
}

pub(super) fn adjusts(node: Option<&Node<'_>>, report: &mut Report<'_>) -> Vec<AdjustDecl> {
    let Some(node) = node else { return Vec::new() };
    let DeValue::Array(array) = node.get_ref() else {
        literal::wrong_type(
            node,
            "`adjust`",
            "a list: `[[adjust]]` with double brackets",
            report,
        );
        return Vec::new();
    };
    let mut read = Vec::new();
    for entry in array.iter() {
        let Some(table) = as_table(entry, "each entry of `adjust`", report) else {
            continue;
        };
        let section = Section::closed("[[adjust]]", entry.span(), table, &["where", "set"], report);
        let conditions = section
            .required("where", report)
            .and_then(|_| section.table("where", "`where`", report))
            .map_or(Vec::new(), |table| read_conditions(&table, report));
        let set = section
            .required("set", report)
            .map_or(Vec::new(), |node| read_set(node, report));
        read.push(AdjustDecl {
            span: entry.span(),
            conditions,
            set,
        });
    }
    read
}

fn read_conditions(table: &Section<'_>, report: &mut Report<'_>) -> Vec<Condition> {
    if table.entries().is_empty() {
        report
            .error("missing-key", &table.span, "`where` names no field")
            .hint("what holds for every variant belongs into the step itself");
    }
    let mut conditions = Vec::new();
    for (field, node) in table.entries() {
        let Some(value) = literal::literal(node, &table.name_of(&field.value), report) else {
            continue;
        };
        let texts = match &value.value {
            Literal::List(entries) => entries.iter().map(|entry| entry.value.plain()).collect(),
            other => other.plain().map(|text| vec![text]),
        };
        match texts {
            Some(texts) => conditions.push(Condition { field, texts }),
            None => {
                report.error(
                    "wrong-type",
                    &value.span,
                    "`where` compares with one value, or with a list of them",
                );
            }
        }
    }
    conditions
}

/// Reads a `set` table; without quotes `game.simplify.triangles` is a nest of tables, which means the same.
fn read_set(node: &Node<'_>, report: &mut Report<'_>) -> Vec<SetDecl> {
    let mut read = Vec::new();
    if let Some(table) = as_table(node, "`set`", report) {
        let section = Section::open("`set`", node.span(), table);
        if section.entries().is_empty() {
            report.error("missing-key", &node.span(), "`set` sets nothing");
        }
        flatten(&section, "", &mut read, report);
    }
    read
}

fn flatten(section: &Section<'_>, prefix: &str, read: &mut Vec<SetDecl>, report: &mut Report<'_>) {
    for (key, node) in section.entries() {
        let whole = format!("{prefix}{}", key.value);
        // `step.operation.setting` goes no deeper: a table there is the setting's own.
        if let DeValue::Table(table) = node.get_ref()
            && whole.split('.').count() < 3
        {
            let inner = Section::open("`set`", node.span(), table);
            flatten(&inner, &format!("{whole}."), read, report);
        } else if let Some(value) = literal::setting(node, &format!("`{whole}`"), report) {
            read.push(SetDecl {
                key: At::new(whole, key.span),
                value,
            });
        }
    }
}

pub(super) fn draft(node: Option<&Node<'_>>, report: &mut Report<'_>) -> Vec<SetDecl> {
    let Some(node) = node else { return Vec::new() };
    let Some(table) = as_table(node, "`draft`", report) else {
        return Vec::new();
    };
    let section = Section::closed("[draft]", node.span(), table, &["set"], report);
    section
        .required("set", report)
        .map_or(Vec::new(), |node| read_set(node, report))
}

pub(super) fn seats(node: Option<&Node<'_>>, report: &mut Report<'_>) -> Vec<SeatDecl> {
    let Some(node) = node else { return Vec::new() };
    let Some(table) = as_table(node, "`seats`", report) else {
        return Vec::new();
    };
    let section = Section::open("[seats]", node.span(), table);
    let mut read = Vec::new();
    for (name, node) in section.entries() {
        if !names::is_word(&name.value) {
            report.error(
                "bad-name",
                &name.span,
                format!("`{}` cannot be the name of a seat", name.value),
            );
        }
        if let Some(count) = within(node, &section.name_of(&name.value), 1..MOST_SEATS + 1, report) {
            read.push(SeatDecl {
                name,
                count: count.value as u32,
            });
        }
    }
    read
}

pub(super) fn deliver(node: Option<&Node<'_>>, report: &mut Report<'_>) -> Option<DeliverDecl> {
    let node = node?;
    let table = as_table(node, "`deliver`", report)?;
    let section = Section::closed("[deliver]", node.span(), table, &["to", "what", "when"], report);
    let to = section
        .required("to", report)
        .and_then(|_| section.text("to", report))
        .and_then(|text| Template::parse(&text, report));
    let what = section
        .required("what", report)
        .and_then(|_| section.texts("what", report));
    if let Some(what) = &what
        && what.value.is_empty()
    {
        report
            .error("missing-key", &what.span, "`what` names nothing to deliver")
            .hint("as in `what = [\"game.mesh\"]`");
    }
    let what = what.map_or(Vec::new(), |what| what.value);
    Some(DeliverDecl {
        to,
        what: what
            .iter()
            .filter_map(|text| read_output_ref(text, report))
            .collect(),
        when: section
            .texts("when", report)
            .map_or(Vec::new(), |when| when.value),
    })
}
