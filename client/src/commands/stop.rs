//! `stop`: ends a run; what it has finished is kept.

use tidemill_proto::v1::{RunRow, RunState, watch_event};

use super::with_session;
use crate::arguments::{OneRun, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::session::Purpose;
use crate::settings::Settings;

/// Stops a run.
pub async fn stop(arguments: &OneRun, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Ask, printer, async |session| {
        let row = session.rpc.find(&RunPick::of(arguments.run.as_deref())).await?;
        let was_open = row.state() != RunState::Ended;
        let row = if was_open {
            stop_and_wait(&session.rpc, &row.run).await?
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

/// Stops a run, and waits until the processes of its running items have ended.
async fn stop_and_wait(rpc: &Rpc, run: &str) -> Result<RunRow, Failure> {
    let mut row = rpc.stop(run).await?;
    if row.state() == RunState::Ended {
        return Ok(row);
    }
    let mut events = rpc.watch(run, true).await?;
    // The owner may end together with its run; what it said last is then the answer.
    while let Ok(Some(event)) = events.message().await {
        if let Some(watch_event::Event::Run(newer)) = event.event {
            row = newer;
        }
        if row.state() == RunState::Ended {
            break;
        }
    }
    Ok(row)
}
