//! `prefer`: how an open run stands beside the others.

use super::with_run;
use crate::arguments::{Prefer, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::print_run;
use crate::output::human;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Changes priority, share or both.
pub async fn prefer(
    arguments: &Prefer,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let pick = RunPick::of(arguments.run.as_deref());
    with_run(&pick, settings, Purpose::Ask, printer, async |session, row| {
        let wish = arguments.preference;
        let row = session.rpc.prefer(&row.run, wish.priority, wish.share).await?;
        print_run(&row, printer);
        if !printer.is_json() {
            let words = match human::preference(row.priority, row.share) {
                words if words.is_empty() => "stands as all runs do".to_owned(),
                words => words,
            };
            printer.data(format_args!("{}: {words}", row.run));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}
