//! From a submitted run to its end: follow it, deliver what it made, say what became of it. Shared by `run`
//! and `again`.

use std::path::Path;

use tidemill_proto::v1::{ItemRow, ItemState, Plan, RunRow, RunState};

use crate::arguments::Ending;
use crate::deliver::{self, Report, Target};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::{Picture, counts_in_words};
use crate::follow::{Followed, OnEndRequest, follow, say_left, status_of};
use crate::os::EndRequests;
use crate::output::human;
use crate::output::json::{Summary, elapsed_ms};
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::session::Session;
use crate::settings::{Place, Settings};

/// So often items run again because what they made was lost before it could be delivered.
const HEALED_AT_MOST: usize = 3;

/// Follows `run`, delivers and summarises.
pub(super) async fn see_through(
    session: &mut Session,
    run: &str,
    ending: &Ending,
    ends: &mut EndRequests,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let on_end = if session.is_studio() {
        OnEndRequest::Leave
    } else {
        OnEndRequest::StopRun
    };
    let picture = match follow(session, run, ends, on_end, printer).await {
        Ok(Followed::Ended(picture)) => picture,
        Ok(Followed::Left(picture)) => {
            say_left(&picture, &goes_on_at(settings), printer);
            return Ok(ExitStatus::Stopped);
        }
        Err(failure) if failure.hint.is_none() && !session.is_studio() => {
            return Err(failure.hint("run the same command again to go on: finished items are kept"));
        }
        Err(failure) => return Err(failure),
    };
    let rpc = session.rpc.clone();
    let status = status_of(&picture.run);
    let (mut picture, mut status) = (picture, status);
    let mut report = Report::default();
    if !ending.no_deliver && status != ExitStatus::Stopped {
        let plan = rpc.plan(run).await?;
        let target = deliver::target(ending.to.as_deref(), &picture.run.folder, &ending.how);
        for tries in 0..=HEALED_AT_MOST {
            report = deliver_picture(&picture, &plan, &target, &rpc, settings, printer).await?;
            if report.lost.is_empty() || tries == HEALED_AT_MOST {
                break;
            }
            let lost: Vec<String> = report.lost.iter().cloned().collect();
            printer.warning(format_args!(
                "the store has lost what {} made; running again: {}",
                human::count(lost.len(), "item", "items"),
                lost.join(", ")
            ));
            rpc.again(run, &lost, true).await?;
            match follow(session, run, ends, on_end, printer).await? {
                Followed::Ended(again) => picture = again,
                Followed::Left(left) => {
                    say_left(&left, &goes_on_at(settings), printer);
                    return Ok(ExitStatus::Stopped);
                }
            }
            status = status_of(&picture.run);
            if status == ExitStatus::Stopped {
                break;
            }
        }
    }
    let status = if status == ExitStatus::AllDone && report.troubled {
        ExitStatus::ItemsFailed
    } else {
        status
    };
    summarise(&picture.run, &picture.items, &report, status, printer);
    if status == ExitStatus::Stopped && !session.is_studio() {
        printer.note("run the same command again to go on: finished items are kept");
    }
    if session.is_owner() {
        wait_for_others(session, run, ends, printer).await;
    }
    Ok(status)
}

async fn deliver_picture(
    picture: &Picture,
    plan: &Plan,
    target: &Target,
    rpc: &Rpc,
    settings: &Settings,
    printer: &Printer,
) -> Result<Report, Failure> {
    let files = plan.delivery.as_ref().map_or(0, |delivery| delivery.files.len());
    if files == 0 {
        return Ok(Report::default());
    }
    if !target.named && !deliver::is_whole(plan) {
        let why = if plan.draft {
            "a draft"
        } else {
            "a run with --until"
        };
        printer.note(format_args!(
            "{why} is not delivered; `--to DIR` puts it into a folder of your choice"
        ));
        return Ok(Report::default());
    }
    if !target.named && !Path::new(&target.folder).is_dir() {
        printer.warning(format_args!(
            "the folder of the manifest, {}, is not on this machine: nothing is delivered",
            target.folder.display()
        ));
        printer.hint("`tidemill deliver RUN --to DIR` puts the outputs into a folder of your choice");
        return Ok(Report::default());
    }
    deliver::deliver(
        &picture.run.run,
        plan,
        &picture.items,
        target,
        rpc,
        settings,
        printer,
    )
    .await
}

/// Says what became of a run, for people and for programs.
pub(super) fn summarise(
    run: &RunRow,
    items: &[ItemRow],
    report: &Report,
    status: ExitStatus,
    printer: &Printer,
) {
    if printer.is_json() {
        let mut summary = Summary::of(run, status);
        summary.delivered = report.delivered;
        summary.written = report.written;
        summary.held = report.held.len();
        summary.removed = report.removed;
        printer.object(&summary);
        return;
    }
    for line in summary_lines(run, items, report) {
        printer.data(line);
    }
}

/// So many failed items and held units are named.
const NAMED: usize = 10;

fn summary_lines(run: &RunRow, items: &[ItemRow], report: &Report) -> Vec<String> {
    let total = items.len();
    let mut lines = Vec::new();
    let words = match counts_in_words(run) {
        words if words.is_empty() && total > 0 => "none has started".to_owned(),
        words if words.is_empty() => "nothing to do".to_owned(),
        words => words,
    };
    let mut first = format!("{}: {}: {words}", run.run, human::count(total, "item", "items"));
    if elapsed_ms(run) > 0 {
        first.push_str(&format!(" in {}", human::duration(elapsed_ms(run))));
    }
    lines.push(first);
    if report.delivered > 0 {
        lines.push(format!(
            "delivered: {} below {}, {} written, {} unchanged",
            human::count(report.delivered, "file", "files"),
            report.folder.display(),
            report.written,
            report.delivered - report.written
        ));
    }
    if report.removed > 0 {
        lines.push(format!(
            "removed: {} that {} no longer delivered",
            human::count(report.removed, "file", "files"),
            if report.removed == 1 { "is" } else { "are" }
        ));
    }
    for (unit, reason) in report.held.iter().take(NAMED) {
        lines.push(format!("not delivered: {unit}: {reason}"));
    }
    if report.held.len() > NAMED {
        lines.push(format!("not delivered: {} more", report.held.len() - NAMED));
    }
    let failed: Vec<&ItemRow> = items
        .iter()
        .filter(|row| row.state() == ItemState::Failed)
        .collect();
    for row in failed.iter().take(NAMED) {
        lines.push(format!("failed: {}: {}", row.address, row.reason));
    }
    if failed.len() > NAMED {
        lines.push(format!("failed: {} more", failed.len() - NAMED));
    }
    lines.push(match failed.first() {
        Some(row) => format!(
            "look further: tidemill show {run} {item}; try again: tidemill again {run}",
            run = run.run,
            item = row.address
        ),
        None => format!("look further: tidemill show {}", run.run),
    });
    lines
}

/// Other processes may have submitted runs to this owner: they end with it, so it stays until they have ended.
async fn wait_for_others(session: &mut Session, own: &str, ends: &mut EndRequests, printer: &Printer) {
    let rpc = session.rpc.clone();
    let mut told = false;
    loop {
        let open = rpc.history("", 50).await.unwrap_or_default().into_iter();
        let open: Vec<String> = open
            .filter(|row| row.run != own && row.state() != RunState::Ended)
            .map(|row| row.run)
            .collect();
        if open.is_empty() {
            return;
        }
        if !told {
            told = true;
            printer.note(format_args!(
                "waiting for {}, which other terminals started; Ctrl-C stops it",
                open.join(", ")
            ));
        }
        tokio::select! {
            () = tokio::time::sleep(std::time::Duration::from_millis(200)) => {}
            () = ends.next() => {
                for run in open {
                    // What cannot be stopped now is stopped by the next owner of the folder.
                    let _ = rpc.stop(&run).await;
                }
                return;
            }
            _ = session.agent_gave_up() => return,
        }
    }
}

/// Where a run goes on without this process.
pub(super) fn goes_on_at(settings: &Settings) -> String {
    match &settings.place {
        Place::Studio(address) => format!("at {address}"),
        Place::Own => "in the process that started it".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::StateCounts;

    use super::*;

    #[test]
    fn a_summary_names_what_failed_and_what_was_held_back() {
        let run = RunRow {
            run: "dock.2".into(),
            counts: Some(StateCounts {
                done: 1,
                failed: 1,
                ..StateCounts::default()
            }),
            submitted_ms: 1_000,
            ended_ms: 5_200,
            ..RunRow::default()
        };
        let items = [
            ItemRow {
                address: "a/game".into(),
                state: ItemState::Done.into(),
                ..ItemRow::default()
            },
            ItemRow {
                address: "b/game".into(),
                state: ItemState::Failed.into(),
                reason: "exit code 3".into(),
                ..ItemRow::default()
            },
        ];
        let report = Report {
            delivered: 3,
            written: 1,
            held: vec![("b".into(), "b/game failed".into())],
            troubled: false,
            folder: "/quay".into(),
            ..Report::default()
        };
        assert_eq!(
            summary_lines(&run, &items, &report),
            [
                "dock.2: 2 items: 1 done, 1 failed in 4.2 s",
                "delivered: 3 files below /quay, 1 written, 2 unchanged",
                "not delivered: b: b/game failed",
                "failed: b/game: exit code 3",
                "look further: tidemill show dock.2 b/game; try again: tidemill again dock.2",
            ]
        );
    }
}
