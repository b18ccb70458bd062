//! `watch`: follows a run that somebody started.

use super::{ending, with_session};
use crate::arguments::{OneRun, RunPick};
use crate::deliver::Report;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::{Followed, OnEndRequest, follow, say_left, status_of};
use crate::os::EndRequests;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Follows until the run ends. The exit code is that of the run.
pub async fn watch(
    arguments: &OneRun,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let mut ends = EndRequests::take_over()
        .map_err(|error| Failure::unreachable(format!("cannot listen for Ctrl-C: {error}")))?;
    with_session(settings, Purpose::Ask, printer, async |session| {
        let run = session
            .rpc
            .find(&RunPick::of(arguments.run.as_deref()))
            .await?
            .run;
        match follow(session, &run, &mut ends, OnEndRequest::Leave, printer).await? {
            Followed::Ended(picture) => {
                let status = status_of(&picture.run);
                ending::summarise(&picture.run, &picture.items, &Report::default(), status, printer);
                Ok(status)
            }
            Followed::Left(picture) => {
                say_left(&picture, &ending::goes_on_at(settings), printer);
                Ok(ExitStatus::Stopped)
            }
        }
    })
    .await
}
