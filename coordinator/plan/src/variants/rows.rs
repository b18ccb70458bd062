//! `csv = "variants.csv"`: rows are variants, columns are fields, and a column `model` may name base models.

use std::collections::HashMap;

use super::{Base, FieldValue, ModelFile, fields};
use crate::diagnostics::Report;
use crate::read::variants::BUILT_IN;
use crate::read::{At, VariantsDecl};
use crate::survey::Survey;
use crate::{names, paths};

/// Fields of a file's name, with their values.
type Fields = Vec<(String, FieldValue)>;

/// A CSV file that was read.
pub(super) struct Rows {
    path: At<String>,
    columns: Vec<String>,
    /// Index of the column `model`.
    pub(super) model_column: Option<usize>,
    /// Line and cells.
    rows: Vec<(u64, Vec<String>)>,
}

/// Paths of the models that a CSV text names in its column `model`, in its order; empty if it has none.
/// A text that is no sound CSV gives what can be read: the plan says what is wrong with it.
pub fn models_of_csv(text: &str) -> Vec<String> {
    let mut reader = reader(text);
    let Ok(header) = reader.headers().cloned() else {
        return Vec::new();
    };
    let Some(column) = header.iter().position(|name| name == "model") else {
        return Vec::new();
    };
    let records = reader.records().flatten();
    records
        .filter_map(|record| {
            record
                .get(column)
                .filter(|cell| !cell.is_empty())
                .map(str::to_owned)
        })
        .collect()
}

fn reader(text: &str) -> csv::Reader<&[u8]> {
    // Spreadsheets like to write a byte order mark.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes())
}

/// Reads the file; `None` if its header is of no use.
pub(super) fn read(path: &At<String>, survey: &Survey, report: &mut Report<'_>) -> Option<Rows> {
    let Some(text) = survey.texts.get(&path.value) else {
        report
            .error(
                "file-not-found",
                &path.span,
                format!("there is no file `{}`", path.value),
            )
            .hint("paths are relative to the manifest");
        return None;
    };
    let errors = report.errors();
    let mut bad = |code, message: String| {
        report.error(code, &path.span, message);
    };
    let mut reader = reader(text);
    let columns: Vec<String> = match reader.headers() {
        Ok(header) => header.iter().map(str::to_owned).collect(),
        Err(error) => {
            bad("bad-csv", format!("`{}` cannot be read: {error}", path.value));
            return None;
        }
    };
    if columns.is_empty() {
        bad(
            "bad-csv",
            format!("`{}` is empty: its first line must name the columns", path.value),
        );
    }
    for (index, name) in columns.iter().enumerate() {
        let column = format!("column {} of `{}`", index + 1, path.value);
        if name.is_empty() {
            bad("csv-column", format!("{column} has no name in the first line"));
        } else if columns[..index].contains(name) {
            bad(
                "csv-column",
                format!("{column} is called `{name}`, like one before it"),
            );
        } else if name != "model" && (BUILT_IN.contains(&name.as_str()) || !names::is_word(name)) {
            bad(
                "csv-column",
                format!(
                    "{column} cannot be called `{name}`: use letters, digits, `-` and `_`, and none of `stem`, `variant`, `all`"
                ),
            );
        }
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                bad("bad-csv", format!("`{}` cannot be read: {error}", path.value));
                continue;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        if record.len() == columns.len() {
            rows.push((line, record.iter().map(str::to_owned).collect()));
        } else {
            let (cells, wanted) = (record.len(), columns.len());
            bad(
                "csv-row",
                format!(
                    "line {line} of `{}` has {cells} cells, its header {wanted}",
                    path.value
                ),
            );
        }
    }
    if report.errors() == errors && rows.is_empty() {
        report.error(
            "empty-csv",
            &path.span,
            format!("`{}` has no rows, so there would be no variants", path.value),
        );
    }
    let model_column = columns.iter().position(|name| name == "model");
    Some(Rows {
        path: path.clone(),
        columns,
        model_column,
        rows,
    })
}

impl Rows {
    /// Names of the columns that are fields, each once.
    pub(super) fn fields(&self) -> impl Iterator<Item = &str> {
        let columns = self.columns.iter().enumerate();
        let columns =
            columns.filter(|(index, name)| *name != "model" && !self.columns[..*index].contains(name));
        columns.map(|(_, name)| name.as_str())
    }

    /// One base for each row.
    pub(super) fn bases(
        &self,
        decl: &VariantsDecl,
        survey: &Survey,
        models: &mut Vec<ModelFile>,
        report: &mut Report<'_>,
    ) -> Vec<Base> {
        let mut bases = Vec::with_capacity(self.rows.len());
        // The same model in many rows is one file.
        let mut known: HashMap<&str, (usize, Option<Fields>)> = HashMap::new();
        for (line, cells) in &self.rows {
            let mut values: Vec<(String, FieldValue)> = Vec::with_capacity(cells.len());
            let named = self
                .columns
                .iter()
                .zip(cells)
                .filter(|(name, _)| *name != "model");
            values.extend(named.map(|(name, cell)| (name.clone(), FieldValue::cell(cell))));
            let origin = format!("line {line} of {}", self.path.value);
            let mut model = None;
            if let Some(path) = self.model_column.map(|column| cells[column].as_str()) {
                if !known.contains_key(path) {
                    match self.model(path, *line, decl, survey, report) {
                        Some((file, fields)) => {
                            models.push(file);
                            known.insert(path, (models.len() - 1, fields));
                        }
                        None => continue,
                    }
                }
                let (index, fields) = &known[path];
                let Some(fields) = fields else { continue };
                values.extend(fields.iter().cloned());
                model = Some(*index);
            }
            bases.push(Base {
                model,
                values,
                origin,
            });
        }
        bases
    }

    /// The file, and its fields unless its name does not fit.
    fn model(
        &self,
        path: &str,
        line: u64,
        decl: &VariantsDecl,
        survey: &Survey,
        report: &mut Report<'_>,
    ) -> Option<(ModelFile, Option<Fields>)> {
        let origin = format!("line {line} of `{}`", self.path.value);
        let problem = paths::input_problem(path);
        if let Some(problem) = problem {
            report.error(
                "bad-path",
                &self.path.span,
                format!("{origin}: the model's path `{path}` {problem}"),
            );
            return None;
        }
        if survey.files.get(path).is_none_or(|file| file.folder) {
            report
                .error(
                    "file-not-found",
                    &self.path.span,
                    format!("{origin}: there is no file `{path}`"),
                )
                .hint("paths of models are relative to the manifest");
            return None;
        }
        let file = ModelFile {
            path: path.to_owned(),
            stem: paths::stem(path).to_owned(),
        };
        let fields = match &decl.fields {
            Some(template) => fields::read(template, &file, report),
            None => Some(Vec::new()),
        };
        Some((file, fields))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn models_are_found_before_anything_is_checked() {
        let text = "\u{feff}seed, model\n1, base/a.obj\n2\n3,base/b.obj,x\n4,\n";
        assert_eq!(models_of_csv(text), ["base/a.obj", "base/b.obj"]);
        assert!(models_of_csv("seed\n1\n").is_empty());
        assert!(models_of_csv("").is_empty());
    }
}
