//! From `[variants]` and the survey to the variants themselves: files, rows and axes, multiplied and named.
//!
//! - [`files`]: which files are base models. [`newest`]: of several versions, the highest.
//! - [`fields`]: what a file's name says. [`rows`]: CSV. [`scope`]: what a placeholder means where.

pub(crate) mod fields;
pub(crate) mod files;
pub(crate) mod newest;
pub(crate) mod rows;
pub(crate) mod scope;

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use tidemill_proto::v1::{Value, value};

use crate::diagnostics::Report;
use crate::names;
use crate::read::{Literal, Template, VariantsDecl};
use crate::survey::Survey;
use scope::{CompiledTemplate, Names, Scope};

/// All variants, and what their fields are called.
#[derive(Debug)]
pub(crate) struct Population {
    /// Sorted by name.
    pub(crate) variants: Vec<Variant>,
    pub(crate) names: Names,
    /// Base models that variants use.
    pub(crate) models: Vec<ModelFile>,
    /// Where the manifest says where variants come from.
    pub(crate) span: Range<usize>,
}

/// One variant.
#[derive(Debug)]
pub(crate) struct Variant {
    pub(crate) name: String,
    /// In the order of [`Names::fields`].
    pub(crate) values: Vec<FieldValue>,
    /// Index in [`Population::models`].
    pub(crate) model: Option<usize>,
}

/// One base model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct ModelFile {
    pub(crate) path: String,
    /// File name without extension and without what `newest` takes off.
    pub(crate) stem: String,
}

/// What a field holds for one variant.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FieldValue {
    /// As it stands in names; for a CSV cell, as it was written there.
    pub(crate) text: String,
    pub(crate) scalar: Scalar,
}

/// A field's value beyond its text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Scalar {
    Number(f64),
    Flag(bool),
    Text,
}

impl FieldValue {
    pub(crate) fn text(text: &str) -> Self {
        Self {
            text: text.to_owned(),
            scalar: Scalar::Text,
        }
    }

    /// A CSV cell: text that reads as a number counts as one.
    pub(crate) fn cell(text: &str) -> Self {
        Self {
            text: text.to_owned(),
            scalar: plain_number(text).map_or(Scalar::Text, Scalar::Number),
        }
    }

    /// A value of an axis; `None` for a list or a table, which was complained about.
    fn axis(literal: &Literal) -> Option<Self> {
        let scalar = match literal {
            Literal::Number(number) => Scalar::Number(*number),
            Literal::Flag(flag) => Scalar::Flag(*flag),
            Literal::Text(_) => Scalar::Text,
            Literal::List(_) | Literal::Table(_) => return None,
        };
        Some(Self {
            text: literal.plain()?,
            scalar,
        })
    }

    /// As the plan holds it.
    pub(crate) fn to_value(&self) -> Value {
        let kind = match self.scalar {
            Scalar::Number(number) => value::Kind::Number(number),
            Scalar::Flag(flag) => value::Kind::Flag(flag),
            Scalar::Text => value::Kind::Text(self.text.clone()),
        };
        Value { kind: Some(kind) }
    }
}

/// A number in plain decimal writing; `inf`, `nan` and the like are words, not numbers.
pub(crate) fn plain_number(text: &str) -> Option<f64> {
    let decimal = text.bytes().all(|c| c.is_ascii_digit() || b"+-.eE".contains(&c));
    if !decimal || !text.bytes().any(|c| c.is_ascii_digit()) {
        return None;
    }
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

/// A variant before axes and name.
pub(crate) struct Base {
    pub(crate) model: Option<usize>,
    /// By name of the field.
    pub(crate) values: Vec<(String, FieldValue)>,
    /// For messages: a file, or a row of a CSV file.
    pub(crate) origin: String,
}

/// Makes the variants.
pub(crate) fn expand(decl: &VariantsDecl, survey: &Survey, report: &mut Report<'_>) -> Population {
    let errors = report.errors();
    let span = [&decl.models, &decl.csv].into_iter().flatten().next();
    let span = span.map_or_else(|| decl.span.clone(), |at| at.span.clone());
    let mut models = Vec::new();
    let rows = decl.csv.as_ref().and_then(|csv| rows::read(csv, survey, report));
    let csv_names_models = rows.as_ref().is_some_and(|rows| rows.model_column.is_some());
    let unsure = decl.fields_unsure || (decl.csv.is_some() && rows.is_none());
    let field_names = all_field_names(decl, rows.as_ref(), report);
    let names = Names {
        fields: field_names,
        with_models: decl.models.is_some() || csv_names_models || unsure,
        unsure,
    };
    let bases = bases(decl, survey, rows.as_ref(), csv_names_models, &mut models, report);
    let name = naming_template(decl, &names, report);
    let mut variants = Vec::new();
    if let (Some(name), true) = (&name, report.errors() == errors || !bases.is_empty()) {
        variants = multiply(decl, &names, &models, &bases, name);
    }
    check_names(&variants, decl, report);
    // Variants of one name stay: what else is wrong with them should be said as well.
    variants.sort_by(|one, two| one.0.name.cmp(&two.0.name));
    Population {
        variants: variants.into_iter().map(|(variant, _)| variant).collect(),
        names,
        models,
        span,
    }
}

/// Names of all fields, sorted; a name that is given twice is an error.
fn all_field_names(decl: &VariantsDecl, rows: Option<&rows::Rows>, report: &mut Report<'_>) -> Vec<String> {
    let mut given: BTreeMap<&str, (&str, Range<usize>)> = BTreeMap::new();
    let from_files = decl
        .fields
        .iter()
        .flat_map(Template::names)
        .map(|name| (name.as_str(), "`fields`", &name.span));
    let from_axes = decl
        .axes
        .iter()
        .map(|axis| (axis.name.as_str(), "an axis", &axis.name.span));
    let csv_span = decl.csv.as_ref().map_or(&decl.span, |csv| &csv.span);
    let columns = rows.iter().flat_map(|rows| rows.fields());
    let from_rows = columns.map(|name| (name, "a column of the CSV file", csv_span));
    for (name, origin, span) in from_files.chain(from_axes).chain(from_rows) {
        if let Some((other, first)) = given.get(name) {
            // Twice within `fields` was said when the pattern was read.
            if *other != "`fields`" || origin != "`fields`" {
                report
                    .error(
                        "duplicate-name",
                        span,
                        format!("the field `{name}` is given by {other} and by {origin}"),
                    )
                    .related(first, "first here");
            }
        } else {
            given.insert(name, (origin, span.clone()));
        }
    }
    given.into_keys().map(str::to_owned).collect()
}

fn bases(
    decl: &VariantsDecl,
    survey: &Survey,
    rows: Option<&rows::Rows>,
    csv_names_models: bool,
    models: &mut Vec<ModelFile>,
    report: &mut Report<'_>,
) -> Vec<Base> {
    let from_files = match &decl.models {
        Some(pattern) if csv_names_models => {
            let message =
                "base models are named twice: by `models`, and by the column `model` of the CSV file";
            let csv_span = decl.csv.as_ref().map_or(&decl.span, |csv| &csv.span);
            report
                .error("models-twice", &pattern.span, message)
                .related(csv_span, "names models, too")
                .hint("keep one of the two");
            return Vec::new();
        }
        Some(pattern) => Some(files::bases(pattern, decl, survey, models, report)),
        None => None,
    };
    match (from_files, rows) {
        (Some(files), None) => files,
        (None, Some(rows)) => rows.bases(decl, survey, models, report),
        // Every row for every file: the rows say nothing of models.
        (Some(files), Some(rows)) => {
            let rows = rows.bases(decl, survey, models, report);
            let pairs = files
                .iter()
                .flat_map(|file| rows.iter().map(move |row| (file, row)));
            let pairs = pairs.map(|(file, row)| Base {
                model: file.model,
                values: file.values.iter().chain(&row.values).cloned().collect(),
                origin: format!("{} with {}", file.origin, row.origin),
            });
            pairs.collect()
        }
        (None, None) if decl.csv.is_none() && !decl.axes.is_empty() => {
            vec![Base {
                model: None,
                values: Vec::new(),
                origin: String::new(),
            }]
        }
        (None, None) => Vec::new(),
    }
}

fn naming_template(decl: &VariantsDecl, names: &Names, report: &mut Report<'_>) -> Option<CompiledTemplate> {
    match &decl.name {
        Some(template) => names.compile(template, Scope::Naming, report),
        None if names.with_models => names.compile(&stem_template(decl), Scope::Naming, report),
        None if decl.csv.is_some() || !decl.axes.is_empty() => {
            report
                .error(
                    "missing-key",
                    &decl.span,
                    "[variants] needs the key `name`, since there are no models to take names from",
                )
                .label("`name` is missing");
            None
        }
        None => None,
    }
}

fn stem_template(decl: &VariantsDecl) -> Template {
    let span = decl.span.clone();
    let name = crate::read::At::new("stem".to_owned(), span.clone());
    Template {
        pieces: vec![crate::read::Piece::Name(name)],
        span,
    }
}

/// Every base with every combination of axis values, each with what it came from.
fn multiply(
    decl: &VariantsDecl,
    names: &Names,
    models: &[ModelFile],
    bases: &[Base],
    name: &CompiledTemplate,
) -> Vec<(Variant, String)> {
    let mut combinations: Vec<Vec<(&str, FieldValue)>> = vec![Vec::new()];
    for axis in &decl.axes {
        let values: Vec<FieldValue> = axis
            .values
            .iter()
            .filter_map(|value| FieldValue::axis(&value.value))
            .collect();
        combinations = combinations
            .iter()
            .flat_map(|combination| {
                values.iter().map(|value| {
                    let mut longer = combination.clone();
                    longer.push((axis.name.as_str(), value.clone()));
                    longer
                })
            })
            .collect();
    }
    let mut variants = Vec::with_capacity(bases.len() * combinations.len());
    for base in bases {
        for combination in &combinations {
            let mut values = vec![FieldValue::text(""); names.fields.len()];
            let from_base = base.values.iter().map(|(name, value)| (name.as_str(), value));
            let from_axes = combination.iter().map(|(name, value)| (*name, value));
            for (field, value) in from_base.chain(from_axes) {
                if let Ok(index) = names.fields.binary_search_by(|known| known.as_str().cmp(field)) {
                    values[index] = value.clone();
                }
            }
            let mut variant = Variant {
                name: String::new(),
                values,
                model: base.model,
            };
            variant.name = name.resolve(models, &variant);
            let axes: Vec<String> = combination
                .iter()
                .map(|(name, value)| format!("{name} = {}", value.text))
                .collect();
            let parts: Vec<&str> = std::iter::once(base.origin.as_str())
                .chain(axes.iter().map(String::as_str))
                .collect();
            let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
            variants.push((variant, parts.join(", ")));
        }
    }
    variants
}

fn check_names(variants: &[(Variant, String)], decl: &VariantsDecl, report: &mut Report<'_>) {
    let span = decl.name.as_ref().map_or(&decl.span, |name| &name.span);
    let mut seen: HashMap<&str, &str> = HashMap::with_capacity(variants.len());
    for (variant, origin) in variants {
        if let Some(problem) = names::variant_name_problem(&variant.name) {
            report
                .error(
                    "bad-variant-name",
                    span,
                    format!("the variant's name `{}` {problem} ({origin})", variant.name),
                )
                .hint("names of variants stand in addresses such as `crate-small/game`");
        }
        if let Some(first) = seen.insert(&variant.name, origin) {
            let message = format!(
                "two variants are called `{}`: {first}, and {origin}",
                variant.name
            );
            let missing = decl.axes.iter().find(|axis| {
                decl.name
                    .as_ref()
                    .is_none_or(|name| name.names().all(|used| used.value != axis.name.value))
            });
            let hint = match missing {
                Some(axis) => format!("put `{{{}}}` into `name`, so that they differ", axis.name.value),
                None => "make `name` of fields in which they differ".to_owned(),
            };
            report.error("duplicate-variant", span, message).hint(hint);
        }
    }
}
