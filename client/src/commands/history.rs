//! `history`: runs, newest first.

use std::path::Path;

use super::with_session;
use crate::arguments::History;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::manifest::ManifestFile;
use crate::output::json::{elapsed_ms, run_word};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Lists runs of one manifest or of all.
pub async fn history(
    arguments: &History,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let manifest = match &arguments.manifest {
        Some(text) => manifest_name(text)?,
        None => String::new(),
    };
    with_session(settings, Purpose::Ask, printer, async |session| {
        let rows = session.rpc.history(&manifest, arguments.limit).await?;
        for row in &rows {
            print_run(row, printer);
        }
        if printer.is_json() {
            return Ok(ExitStatus::AllDone);
        }
        if rows.is_empty() {
            printer.note("there are no runs yet");
            return Ok(ExitStatus::AllDone);
        }
        let mut runs = table::with_heads(&["run", "state", "submitted", ">took", "items", "by"]);
        for row in &rows {
            let took = match elapsed_ms(row) {
                0 => String::new(),
                ms => human::duration(ms),
            };
            let kind = match (row.draft, row.until.as_str()) {
                (false, "") => row.person.clone(),
                (true, _) => format!("{} (draft)", row.person),
                (false, until) => format!("{} (until {until})", row.person),
            };
            runs.add_row([
                row.run.clone(),
                run_word(row).to_owned(),
                human::moment(row.submitted_ms),
                took,
                counts_in_words(row),
                kind,
            ]);
        }
        printer.data(table::text(&runs));
        Ok(ExitStatus::AllDone)
    })
    .await
}

/// A manifest's name: as it is, or from the file that is named.
fn manifest_name(text: &str) -> Result<String, Failure> {
    if !Path::new(text).is_file() {
        return Ok(text.to_owned());
    }
    let file = ManifestFile::read(Path::new(text))?;
    match tidemill_plan::wanted(&file.text, &file.name) {
        Ok(wanted) => Ok(wanted.manifest),
        Err(_) => Err(
            Failure::wrong(format!("{text} is no sound manifest, so its name is not known")).hint(format!(
                "`tidemill check {text}` says what is wrong; or give the name itself"
            )),
        ),
    }
}
