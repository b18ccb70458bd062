//! `again`: failed, cut-off and stopped items of a run once more.

use super::ending;
use crate::arguments::{Again, run_and_rest};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::os::EndRequests;
use crate::printer::Printer;
use crate::session::{Purpose, Session};
use crate::settings::{Place, Settings};

/// Opens a run again and sees it through.
pub async fn again(arguments: &Again, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    if arguments.ending.leave && settings.place == Place::Own {
        return Err(Failure::wrong("--leave needs a studio's coordinator")
            .hint("add `--at HOST:PORT`, or leave out --leave"));
    }
    let (pick, patterns) = run_and_rest(&arguments.targets);
    let mut ends = EndRequests::take_over()
        .map_err(|error| Failure::unreachable(format!("cannot listen for Ctrl-C: {error}")))?;
    let mut session = Session::open(settings, Purpose::Work, printer).await?;
    let result = async {
        let run = session.rpc.find(&pick).await?.run;
        let row = session.rpc.again(&run, &patterns, arguments.anew).await?;
        if arguments.ending.leave {
            crate::follow::print_run(&row, printer);
            printer.hint(format_args!("`tidemill watch {run}` follows it"));
            return Ok(ExitStatus::AllDone);
        }
        ending::see_through(
            &mut session,
            &run,
            &arguments.ending,
            &mut ends,
            settings,
            printer,
        )
        .await
    }
    .await;
    session.close().await;
    result
}
