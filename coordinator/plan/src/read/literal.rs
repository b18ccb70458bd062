//! Values as they stand in the manifest, each with its span.

use std::ops::Range;

use tidemill_proto::key::number_text;
use toml::de::DeValue;

use crate::diagnostics::Report;

/// A value of the parser.
pub(crate) type Node<'d> = toml::Spanned<DeValue<'d>>;

/// Something, and where it stands in the text (text values with their quotes).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
}

impl<T> At<T> {
    pub(crate) fn new(value: T, span: Range<usize>) -> Self {
        Self { value, span }
    }
}

impl At<String> {
    pub(crate) fn as_str(&self) -> &str {
        &self.value
    }

    /// Where bytes `range` of this text stand in the manifest; the whole value if it was written with escapes.
    pub(crate) fn inner_span(&self, text: &str, range: Range<usize>) -> Range<usize> {
        let raw = text.get(self.span.clone()).unwrap_or("");
        match raw.find(&self.value) {
            Some(offset) if !self.value.is_empty() => {
                let start = self.span.start + offset;
                start + range.start..start + range.end
            }
            _ => self.span.clone(),
        }
    }
}

/// A setting, an axis value, or what `where` compares with.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Literal {
    Flag(bool),
    Number(f64),
    Text(String),
    List(Vec<At<Literal>>),
    /// Only for settings; no tables inside.
    Table(Vec<(At<String>, At<Literal>)>),
}

impl Literal {
    /// The word for its type in messages.
    pub(crate) fn type_word(&self) -> &'static str {
        match self {
            Self::Flag(_) => "true or false",
            Self::Number(_) => "a number",
            Self::Text(_) => "text",
            Self::List(_) => "a list",
            Self::Table(_) => "a table",
        }
    }

    /// As text, as it would stand in a name; `None` for lists and tables.
    pub(crate) fn plain(&self) -> Option<String> {
        match self {
            Self::Flag(flag) => Some(flag.to_string()),
            Self::Number(number) => Some(number_text(*number)),
            Self::Text(text) => Some(text.clone()),
            Self::List(_) | Self::Table(_) => None,
        }
    }
}

/// The word for a value's type in messages.
pub(crate) fn type_word(node: &Node<'_>) -> &'static str {
    match node.get_ref() {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// Whole numbers up to here are exact in plans, which hold numbers as 64-bit floats.
const LARGEST_EXACT: i64 = 1 << 53;

/// Reads a whole number.
pub(crate) fn whole(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<i64> {
    let DeValue::Integer(integer) = node.get_ref() else {
        wrong_type(node, what, "a whole number", report);
        return None;
    };
    match i64::from_str_radix(integer.as_str(), integer.radix()) {
        Ok(number) if number.abs() <= LARGEST_EXACT => Some(number),
        _ => {
            let message = format!("{what} is {integer}, which is beyond what numbers can hold exactly");
            report.error("out-of-range", &node.span(), message);
            None
        }
    }
}

/// Reads a number.
pub(crate) fn number(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<f64> {
    match node.get_ref() {
        DeValue::Integer(_) => whole(node, what, report).map(|number| number as f64),
        DeValue::Float(float) => match float.as_str().parse::<f64>() {
            Ok(number) if number.is_finite() => Some(number),
            _ => {
                let message = format!("{what} is {float}, which is no finite number");
                report.error("out-of-range", &node.span(), message);
                None
            }
        },
        _ => {
            wrong_type(node, what, "a number", report);
            None
        }
    }
}

/// Reads a text.
pub(crate) fn text(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<At<String>> {
    match node.get_ref() {
        DeValue::String(text) => Some(At::new(text.to_string(), node.span())),
        _ => {
            wrong_type(node, what, "text", report);
            None
        }
    }
}

/// Reads a list of texts.
pub(crate) fn texts(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<Vec<At<String>>> {
    match node.get_ref() {
        DeValue::Array(array) => {
            let what = format!("each entry of {what}");
            Some(
                array
                    .iter()
                    .filter_map(|entry| text(entry, &what, report))
                    .collect(),
            )
        }
        _ => {
            wrong_type(node, what, "a list of texts", report);
            None
        }
    }
}

/// Reads anything but tables and dates.
pub(crate) fn literal(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<At<Literal>> {
    let value = match node.get_ref() {
        DeValue::String(text) => Literal::Text(text.to_string()),
        DeValue::Integer(_) | DeValue::Float(_) => Literal::Number(number(node, what, report)?),
        DeValue::Boolean(flag) => Literal::Flag(*flag),
        DeValue::Array(array) => {
            let entries = array.iter().map(|entry| literal(entry, what, report));
            // All entries are looked at before the list is given up.
            let entries: Vec<Option<At<Literal>>> = entries.collect();
            Literal::List(entries.into_iter().collect::<Option<_>>()?)
        }
        DeValue::Datetime(_) | DeValue::Table(_) => {
            wrong_type(node, what, "a number, text, true or false, or a list", report);
            return None;
        }
    };
    Some(At::new(value, node.span()))
}

/// Reads the value of a setting, which may also be a table of plain values.
pub(crate) fn setting(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<At<Literal>> {
    let DeValue::Table(table) = node.get_ref() else {
        return literal(node, what, report);
    };
    let entries = table.iter().map(|(key, node)| {
        let name = At::new(key.get_ref().to_string(), key.span());
        let value = literal(node, &format!("`{}` of {what}", name.value), report)?;
        Some((name, value))
    });
    // All entries are looked at before the table is given up.
    let entries: Vec<Option<_>> = entries.collect();
    let entries = entries.into_iter().collect::<Option<_>>()?;
    Some(At::new(Literal::Table(entries), node.span()))
}

/// Says that a value has another type than it should.
pub(crate) fn wrong_type(node: &Node<'_>, what: &str, wanted: &str, report: &mut Report<'_>) {
    let found = type_word(node);
    report
        .error(
            "wrong-type",
            &node.span(),
            format!("{what} must be {wanted}, not {found}"),
        )
        .label(format!("this is {found}"));
}
