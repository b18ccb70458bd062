//! Follows a run until it ends: the state it is in, and how it is shown.
//!
//! # Layout
//! - [`picture`]: the run as told by events so far. Pure.
//! - [`view`]: shows what happens: drawn in place, as plain lines, or as JSON.
//! - [`tally`]: its items counted by step and variant. [`board`]: the lines that a terminal has room for. Pure.
//! - [`live`]: the drawing on a terminal. [`agents`]: what the agents do meanwhile.
//! - [`failed`]: what is said about an item that failed.

mod agents;
pub mod board;
mod failed;
mod live;
pub mod picture;
pub mod tally;
mod view;

use std::time::Duration;

use tidemill_proto::v1::{ItemState, RunRow, RunState};

use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::os::EndRequests;
use crate::output::json::{Run, Summary};
use crate::printer::Printer;
use crate::rpc::failed as rpc_failed;
use crate::session::Session;
use agents::Agents;
use picture::Picture;
use view::View;

/// How often what is drawn is looked at anew while nothing happens.
const TICK: Duration = Duration::from_millis(250);

/// What a request to end (Ctrl-C) does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnEndRequest {
    /// The run is stopped, and followed until it has ended; a second request ends this process at once.
    StopRun,
    /// Only the watching ends.
    Leave,
}

/// How following ended.
#[derive(Debug)]
pub enum Followed {
    /// The run has ended.
    Ended(Box<Picture>),
    /// A person stopped the watching; the run as it was then.
    Left(Box<Picture>),
}

/// Follows `run` until it ends or a person ends it.
pub async fn follow(
    session: &mut Session,
    run: &str,
    ends: &mut EndRequests,
    on_end: OnEndRequest,
    printer: &Printer,
) -> Result<Followed, Failure> {
    let rpc = session.rpc.clone();
    let mut events = rpc.watch(run, false).await?;
    let mut picture = Picture::default();
    let mut view = View::new(printer, on_end == OnEndRequest::Leave);
    let agents = printer.is_live().then(|| Agents::ask(&rpc));
    let mut stopping: Option<tokio::task::JoinHandle<Result<RunRow, Failure>>> = None;
    let mut ticks = tokio::time::interval(TICK);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let outcome = loop {
        tokio::select! {
            biased;
            event = events.message() => match event {
                Ok(Some(event)) => {
                    let change = picture.apply(event);
                    let failed = change.newly(ItemState::Failed, &picture).map(|row| row.address.clone());
                    view.show(&picture, change);
                    if let Some(address) = failed
                        && view.wants_reason()
                    {
                        view.above(failed::lines(&rpc, run, &address).await);
                    }
                    if picture.is_complete() {
                        break Ok(Followed::Ended(Box::new(picture)));
                    }
                }
                Ok(None) if picture.run.state() == RunState::Ended => break Ok(Followed::Ended(Box::new(picture))),
                Ok(None) => break Err(Failure::unreachable(format!("the coordinator closed the watch on {run} before it ended"))),
                Err(status) => break Err(rpc_failed(&status)),
            },
            () = ends.next() => match on_end {
                OnEndRequest::Leave => break Ok(Followed::Left(Box::new(picture))),
                OnEndRequest::StopRun if stopping.is_none() => {
                    printer.note(format_args!("stopping {run}; once more (Ctrl-C) to leave at once"));
                    let (rpc, run) = (rpc.clone(), run.to_owned());
                    stopping = Some(tokio::spawn(async move { rpc.stop(&run).await }));
                }
                OnEndRequest::StopRun => leave_at_once(printer),
            },
            failure = session.agent_gave_up() => break Err(failure),
            _ = ticks.tick() => view.tick(&picture, agents.as_ref().map(Agents::now).as_deref().unwrap_or_default()),
        }
    };
    view.finish();
    if let Some(stopping) = stopping
        && let Ok(Err(failure)) = stopping.await
        && outcome.is_ok()
    {
        return Err(failure);
    }
    outcome
}

/// A second request: the launchers of running items end with this process.
fn leave_at_once(printer: &Printer) -> ! {
    printer.draw_above(None);
    printer.note("left at once; the same command goes on where this one stopped");
    std::process::exit(i32::from(ExitStatus::Stopped.code()))
}

/// How the process ends for a run that has ended.
pub fn status_of(run: &RunRow) -> ExitStatus {
    let counts = run.counts.unwrap_or_default();
    if run.stopped_by_person || counts.stopped > 0 {
        ExitStatus::Stopped
    } else if counts.failed + counts.cut_off > 0 {
        ExitStatus::ItemsFailed
    } else {
        ExitStatus::AllDone
    }
}

/// Says that only the watching has ended.
pub fn say_left(picture: &Picture, goes_on_at: &str, printer: &Printer) {
    let run = &picture.run.run;
    printer.object(&Summary::of(&picture.run, ExitStatus::Stopped));
    printer.note(format_args!("no longer watching {run}; it goes on {goes_on_at}"));
    printer.hint(format_args!(
        "`tidemill watch {run}` watches again, `tidemill stop {run}` stops it"
    ));
}

/// A run as one JSON object.
pub fn print_run(run: &RunRow, printer: &Printer) {
    printer.object(&Run::from(run));
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::StateCounts;

    use super::*;

    fn row(counts: StateCounts, stopped_by_person: bool) -> RunRow {
        RunRow {
            counts: Some(counts),
            stopped_by_person,
            ..RunRow::default()
        }
    }

    #[test]
    fn the_exit_tells_how_a_run_ended() {
        let done = StateCounts {
            done: 3,
            reused: 1,
            ..StateCounts::default()
        };
        assert_eq!(status_of(&row(done, false)), ExitStatus::AllDone);
        assert_eq!(
            status_of(&row(StateCounts { failed: 1, ..done }, false)),
            ExitStatus::ItemsFailed
        );
        assert_eq!(
            status_of(&row(
                StateCounts {
                    failed: 1,
                    stopped: 2,
                    ..done
                },
                true
            )),
            ExitStatus::Stopped
        );
        assert_eq!(
            status_of(&row(StateCounts { stopped: 2, ..done }, false)),
            ExitStatus::Stopped
        );
    }
}
