//! One table of the manifest: its known keys, and the complaint about all others.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::literal::{self, At, Node};
use crate::diagnostics::Report;
use crate::nearest;

/// One table, with its name for messages.
pub(crate) struct Section<'d> {
    /// As messages name it: `[variants]`, `[step.game]`, `needs`.
    pub(crate) title: String,
    /// Where it begins.
    pub(crate) span: Range<usize>,
    table: &'d DeTable<'d>,
}

impl<'d> Section<'d> {
    /// Takes a table with a fixed set of keys; each unknown key is an error.
    pub(crate) fn closed(
        title: impl Into<String>,
        span: Range<usize>,
        table: &'d DeTable<'d>,
        known: &[&str],
        report: &mut Report<'_>,
    ) -> Self {
        let section = Self::open(title, span, table);
        for (key, _) in section.entries() {
            if !known.contains(&key.as_str()) {
                report
                    .error(
                        "unknown-key",
                        &key.span,
                        format!("{} has no key `{}`", section.title, key.value),
                    )
                    .label("unknown key")
                    .maybe_hint(nearest::hint(&key.value, known.iter().copied()));
            }
        }
        section
    }

    /// Takes a table whose keys are names of the manifest's own.
    pub(crate) fn open(title: impl Into<String>, span: Range<usize>, table: &'d DeTable<'d>) -> Self {
        Self {
            title: title.into(),
            span,
            table,
        }
    }

    /// Keys and values in the order of the manifest.
    pub(crate) fn entries(&self) -> Vec<(At<String>, &'d Node<'d>)> {
        let mut entries: Vec<_> = self
            .table
            .iter()
            .map(|(key, value)| (At::new(key.get_ref().to_string(), key.span()), value))
            .collect();
        entries.sort_by_key(|(key, _)| key.span.start);
        entries
    }

    /// The value of a key.
    pub(crate) fn get(&self, key: &str) -> Option<&'d Node<'d>> {
        self.table.get(key)
    }

    /// A key's name for messages.
    pub(crate) fn name_of(&self, key: &str) -> String {
        format!("`{key}` in {}", self.title)
    }

    /// The value of a key that must be there.
    pub(crate) fn required(&self, key: &str, report: &mut Report<'_>) -> Option<&'d Node<'d>> {
        let node = self.get(key);
        if node.is_none() {
            report
                .error(
                    "missing-key",
                    &self.span,
                    format!("{} needs the key `{key}`", self.title),
                )
                .label(format!("`{key}` is missing"));
        }
        node
    }

    pub(crate) fn text(&self, key: &str, report: &mut Report<'_>) -> Option<At<String>> {
        literal::text(self.get(key)?, &self.name_of(key), report)
    }

    /// A list of texts; a single text counts as a list of one.
    pub(crate) fn one_or_more_texts(&self, key: &str, report: &mut Report<'_>) -> Vec<At<String>> {
        let Some(node) = self.get(key) else {
            return Vec::new();
        };
        match node.get_ref() {
            DeValue::String(text) => vec![At::new(text.to_string(), node.span())],
            _ => literal::texts(node, &self.name_of(key), report).unwrap_or_default(),
        }
    }

    pub(crate) fn texts(&self, key: &str, report: &mut Report<'_>) -> Option<At<Vec<At<String>>>> {
        let node = self.get(key)?;
        Some(At::new(
            literal::texts(node, &self.name_of(key), report)?,
            node.span(),
        ))
    }

    /// A whole number within a range.
    pub(crate) fn whole(&self, key: &str, range: Range<i64>, report: &mut Report<'_>) -> Option<At<i64>> {
        let node = self.get(key)?;
        within(node, &self.name_of(key), range, report)
    }

    pub(crate) fn flag(&self, key: &str, report: &mut Report<'_>) -> Option<bool> {
        let node = self.get(key)?;
        match node.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            _ => {
                literal::wrong_type(node, &self.name_of(key), "true or false", report);
                None
            }
        }
    }

    /// A table under a key, with a title of its own.
    pub(crate) fn table(
        &self,
        key: &str,
        title: impl Into<String>,
        report: &mut Report<'_>,
    ) -> Option<Section<'d>> {
        let node = self.get(key)?;
        as_table(node, &self.name_of(key), report).map(|table| Section::open(title, node.span(), table))
    }
}

/// Reads a whole number within a range.
pub(crate) fn within(
    node: &Node<'_>,
    what: &str,
    range: Range<i64>,
    report: &mut Report<'_>,
) -> Option<At<i64>> {
    let number = literal::whole(node, what, report)?;
    if range.contains(&number) {
        return Some(At::new(number, node.span()));
    }
    let message = format!(
        "{what} must be between {} and {}, not {number}",
        range.start,
        range.end - 1
    );
    report.error("out-of-range", &node.span(), message);
    None
}

/// A value as a table.
pub(crate) fn as_table<'d>(
    node: &'d Node<'d>,
    what: &str,
    report: &mut Report<'_>,
) -> Option<&'d DeTable<'d>> {
    match node.get_ref() {
        DeValue::Table(table) => Some(table),
        _ => {
            literal::wrong_type(node, what, "a table", report);
            None
        }
    }
}
