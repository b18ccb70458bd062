//! From a manifest file to a plan, with everything that is wrong printed at once.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::Serialize;
use tidemill_plan::{Diagnostic, Diagnostics, Machine, Options, Severity, Wanted};
use tidemill_proto::v1::Plan;

use crate::arguments::Choice;
use crate::exit::ExitStatus;
use crate::failure::{Failure, io_words};
use crate::output::human;
use crate::printer::Printer;
use crate::settings::{Place, Settings};
use crate::survey::{Surveyed, survey};

/// Columns of a diagnosis where the terminal does not say how many it has.
const DIAGNOSIS_WIDTH: usize = 110;

/// A manifest's text and where it stands.
#[derive(Debug, Clone)]
pub struct ManifestFile {
    /// As it was typed, for people.
    pub name: String,
    /// The folder that its paths are relative to; absolute.
    pub root: PathBuf,
    /// Its text.
    pub text: String,
}

/// A manifest that can be run.
#[derive(Debug)]
pub struct Prepared {
    /// The file.
    pub file: ManifestFile,
    /// What it reads from its folder.
    pub wanted: Wanted,
    /// What was found there.
    pub surveyed: Surveyed,
    /// What it becomes.
    pub plan: Plan,
}

impl ManifestFile {
    /// Reads the file.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        if path.is_dir() {
            return Err(
                Failure::wrong(format!("{} is a folder, not a manifest", path.display()))
                    .hint("name the TOML file in it"),
            );
        }
        let text = std::fs::read_to_string(path).map_err(|error| {
            Failure::wrong(format!(
                "cannot read the manifest {}: {}",
                path.display(),
                io_words(&error)
            ))
        })?;
        let full = std::path::absolute(path).map_err(|error| Failure::file("find", path, &error))?;
        let root = full.parent().unwrap_or(Path::new(".")).to_owned();
        Ok(Self {
            name: path.to_string_lossy().into_owned(),
            root,
            text,
        })
    }
}

/// Reads, surveys and plans. All that is wrong is printed, each with its place; then the failure says no more.
pub fn prepare(
    path: &Path,
    choice: &Choice,
    settings: &Settings,
    printer: &Printer,
) -> Result<Prepared, Failure> {
    let file = ManifestFile::read(path)?;
    let wanted = tidemill_plan::wanted(&file.text, &file.name).map_err(|found| shown(&found, printer))?;
    let surveyed = survey(&file.root, &wanted, &settings.data)?;
    let options = Options {
        draft: choice.draft,
        only: choice.only.clone(),
        until: choice.until.clone(),
        machines: machines(settings)?,
    };
    let operations = tidemill_ops::all();
    let planned = tidemill_plan::plan(&file.text, &file.name, &surveyed.survey, operations, &options)
        .map_err(|found| shown(&found, printer))?;
    if !planned.remarks.is_empty() {
        print(
            &Diagnostics::new(&file.name, &file.text, planned.remarks),
            printer,
        );
    }
    let mut plan = planned.plan;
    plan.only = choice.only.clone();
    plan.only.sort();
    Ok(Prepared {
        file,
        wanted,
        surveyed,
        plan,
    })
}

/// Names of the variants that a manifest yields, for completing words. Says nothing of what is wrong.
pub fn variants_of(path: &Path, data: &Path) -> Option<Vec<String>> {
    let file = ManifestFile::read(path).ok()?;
    let wanted = tidemill_plan::wanted(&file.text, &file.name).ok()?;
    let surveyed = survey(&file.root, &wanted, data).ok()?;
    let operations = tidemill_ops::all();
    let planned = tidemill_plan::plan(
        &file.text,
        &file.name,
        &surveyed.survey,
        operations,
        &Options::default(),
    );
    let plan = planned.ok()?.plan;
    Some(plan.variants.into_iter().map(|variant| variant.name).collect())
}

/// The machines that will run the items, where that is certain: without a studio it is this one alone.
fn machines(settings: &Settings) -> Result<Vec<Machine>, Failure> {
    if settings.place != Place::Own {
        return Ok(Vec::new());
    }
    let lent = tidemill_agent::Config::embedded(settings.data.clone())
        .map_err(|error| Failure::unreachable(format!("cannot look at this machine: {error}")))?;
    Ok(vec![Machine {
        millicores: lent.millicores,
        memory_bytes: lent.memory_bytes,
        offers: lent.offers,
    }])
}

/// Prints findings and says how many of them keep the manifest from being run.
pub fn shown(found: &Diagnostics, printer: &Printer) -> Failure {
    print(found, printer);
    let errors = human::count(found.errors(), "error", "errors");
    printer.aside(format_args!("{errors} in {}: nothing was run", found.source_name));
    Failure::already_shown(ExitStatus::Wrong)
}

fn print(found: &Diagnostics, printer: &Printer) {
    if printer.is_json() {
        for item in &found.items {
            printer.object(&DiagnosticObject::of(&found.source_name, item));
        }
        return;
    }
    let width = comfy_table::Table::new()
        .use_stderr()
        .width()
        .map_or(DIAGNOSIS_WIDTH, usize::from);
    // The printer takes the colours out where they are not wanted.
    printer.aside(found.render(true, width.clamp(60, 160)).trim_end());
}

/// `kind = "diagnostic"`: one finding about the manifest.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct DiagnosticObject<'a> {
    #[schemars(extend("const" = "diagnostic"))]
    kind: &'static str,
    #[schemars(with = "String")]
    severity: Severity,
    code: &'a str,
    file: &'a str,
    line: Option<usize>,
    column: Option<usize>,
    message: &'a str,
    hint: Option<&'a str>,
    related: Vec<RelatedObject<'a>>,
}

#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct RelatedObject<'a> {
    line: usize,
    column: usize,
    label: &'a str,
}

impl<'a> DiagnosticObject<'a> {
    fn of(file: &'a str, item: &'a Diagnostic) -> Self {
        let related = item.related.iter().map(|related| RelatedObject {
            line: related.place.line,
            column: related.place.column,
            label: &related.label,
        });
        Self {
            kind: "diagnostic",
            severity: item.severity,
            code: item.code,
            file,
            line: item.place.map(|place| place.line),
            column: item.place.map(|place| place.column),
            message: &item.message,
            hint: item.hint.as_deref(),
            related: related.collect(),
        }
    }
}

/// Programs of the plan that stand nowhere on this machine's PATH, as findings with their places.
pub fn missing_programs(prepared: &Prepared, path: Option<&std::ffi::OsStr>) -> Option<Diagnostics> {
    let missing: Vec<Diagnostic> = prepared
        .plan
        .tools
        .iter()
        .filter(|tool| crate::os::find_program(&tool.program, path).is_none())
        .map(|tool| Diagnostic {
            severity: Severity::Error,
            code: "program-absent",
            message: format!("the program `{}` is not on this machine's PATH", tool.program),
            place: place_of_program(&prepared.file.text, &tool.program),
            label: Some("it is needed here".to_owned()),
            related: Vec::new(),
            hint: Some("install it, or put its folder on the PATH".to_owned()),
        })
        .collect();
    let found = Diagnostics::new(&prepared.file.name, &prepared.file.text, missing);
    (!found.items.is_empty()).then_some(found)
}

/// Where a step names a program: the first text of a `program` list.
fn place_of_program(text: &str, program: &str) -> Option<tidemill_plan::Place> {
    let quoted = [format!("\"{program}\""), format!("'{program}'")];
    let mut line_start = 0;
    for (index, line) in text.split_inclusive('\n').enumerate() {
        let is_program = line
            .trim_start()
            .strip_prefix("program")
            .is_some_and(|rest| rest.trim_start().starts_with('='));
        let found = quoted
            .iter()
            .find_map(|quoted| line.find(quoted.as_str()).map(|at| (at, quoted.len())));
        if let Some((at, length)) = found.filter(|_| is_program) {
            let start = line_start + at;
            let column = line[..at].chars().count() + 1;
            return Some(tidemill_plan::Place {
                start,
                end: start + length,
                line: index + 1,
                column,
            });
        }
        line_start += line.len();
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_program_is_found_where_a_step_names_it() {
        let text = "# \"cp\"\n[step.copy]\nprogram = [\"cp\", \"{a}\"]\n";
        let place = place_of_program(text, "cp").unwrap();
        assert_eq!(
            (place.line, place.column, &text[place.start..place.end]),
            (3, 12, "\"cp\"")
        );
        assert_eq!(place_of_program(text, "mv"), None);
    }
}
