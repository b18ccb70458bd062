//! `report`: what came of a run, in one HTML file with everything inside.

use std::collections::HashMap;
use std::path::PathBuf;

use super::with_run;
use crate::arguments::{Report, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::looks::{Looks, fit, gather, pictures};
use crate::output::human;
use crate::output::json::ReportFile;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Pictures take at most so much of the file: with all else it stays below what mail takes (20 MB).
const MOST_PICTURE_BYTES: usize = 14_000_000;

/// Writes the file.
pub async fn report(
    arguments: &Report,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let pick = RunPick::of(arguments.run.as_deref());
    with_run(&pick, settings, Purpose::Read, printer, async |session, run| {
        let rpc = session.rpc.clone();
        let path = match &arguments.to {
            Some(path) => path.clone(),
            None => PathBuf::from(format!("{}.html", run.run)),
        };
        if path.is_dir() {
            return Err(
                Failure::wrong(format!("{} is a folder", path.display())).hint(format!(
                    "name a file in it: `--to {}`",
                    path.join(format!("{}.html", run.run)).display()
                )),
            );
        }
        let looks = Looks::over(&rpc);
        let facts = gather(run, &rpc, &looks).await?;
        let wishes = facts.all_wishes();
        let drawn = pictures::all(&wishes, &rpc, &looks, &|done, all| {
            let words = format_args!("drew {done} of {all} pictures");
            if done % 200 == 0 || (all > 200 && done == all) {
                printer.note(words); // a while passes
            } else if done % 50 == 0 || done == all {
                printer.detail(words);
            }
        })
        .await?;
        let mut uses: HashMap<Vec<u8>, usize> = HashMap::new();
        for (_, wish) in facts.items.iter().flat_map(|row| facts.wishes(row)) {
            *uses.entry(wish.digest).or_default() += 1;
        }
        let (facts, inlined) = tokio::task::spawn_blocking(move || {
            let inlined = fit::fit(&drawn, &uses, MOST_PICTURE_BYTES);
            (facts, inlined)
        })
        .await
        .map_err(|error| Failure::work(format!("the pictures cannot be made smaller: {error}")))?;
        let text = tidemill_page::report::report(&facts, &inlined, human::now_ms());
        std::fs::write(&path, &text).map_err(|error| Failure::file("write", &path, &error))?;
        let name = &facts.run.run;
        printer.object(&ReportFile::of(name, &path, text.len(), inlined.len()));
        if !printer.is_json() {
            printer.data(format_args!(
                "{name}: wrote {} ({}, {})",
                path.display(),
                human::size(text.len() as u64),
                human::count(inlined.len(), "picture", "pictures")
            ));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}
