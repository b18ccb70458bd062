//! `pause` and `resume`: hold a run's ready items back, and let them start again.

use super::with_run;
use crate::arguments::{OneRun, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// What is done to the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// Nothing new starts; running items go on.
    Pause,
    /// Items start again.
    Resume,
}

/// Pauses or resumes a run.
pub async fn pause(
    arguments: &OneRun,
    wish: Wish,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let pick = RunPick::of(arguments.run.as_deref());
    with_run(&pick, settings, Purpose::Ask, printer, async |session, row| {
        let run = row.run;
        let (row, word) = match wish {
            Wish::Pause => (session.rpc.pause(&run).await?, "paused"),
            Wish::Resume => (session.rpc.resume(&run).await?, "goes on"),
        };
        print_run(&row, printer);
        if !printer.is_json() {
            printer.data(format_args!("{run}: {word}: {}", counts_in_words(&row)));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}
