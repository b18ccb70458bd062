//! `stop`: ends a run; what it has finished is kept.

use tidemill_proto::v1::RunState;

use super::with_session;
use crate::arguments::{OneRun, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Stops a run.
pub async fn stop(arguments: &OneRun, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Ask, printer, async |session| {
        let row = session.rpc.find(&RunPick::of(arguments.run.as_deref())).await?;
        let was_open = row.state() != RunState::Ended;
        let row = if was_open {
            session.rpc.stop(&row.run).await?
        } else {
            row
        };
        print_run(&row, printer);
        if !printer.is_json() {
            let what = if was_open { "stopped" } else { "had ended already" };
            printer.data(format_args!("{}: {what}: {}", row.run, counts_in_words(&row)));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}
