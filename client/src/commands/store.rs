//! `store usage`, `store verify`, `store sweep`, `store pin` and `store unpin`.

use tidemill_proto::Digest;
use tidemill_proto::v1::sweep_event::Phase;
use tidemill_proto::v1::usage_row::Of;
use tidemill_proto::v1::{PinRequest, SweepEvent, SweepRequest, UsageRow, VerifyEvent, VerifyRequest};

use super::with_session;
use crate::arguments::{OneRun, RunPick, Store, StoreSweep, StoreTask, StoreUsage, StoreVerify, UsageBy};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::output::human;
use crate::output::store_json::{BadBlob, Swept, Usage, Verified};
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::session::Purpose;
use crate::settings::Settings;

/// Looks after the store.
pub async fn store(arguments: &Store, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    if let StoreTask::Thin(asked) = &arguments.task {
        return super::thin::thin(asked, settings, printer).await;
    }
    with_session(settings, Purpose::Read, printer, async |session| {
        let rpc = &session.rpc;
        match &arguments.task {
            StoreTask::Usage(asked) => usage(asked, rpc, printer).await,
            StoreTask::Verify(asked) => verify(asked, rpc, printer).await,
            StoreTask::Sweep(asked) => sweep(asked, rpc, printer).await,
            StoreTask::Pin(run) => pin(run, true, rpc, printer).await,
            StoreTask::Unpin(run) => pin(run, false, rpc, printer).await,
            // It needs a folder that nobody serves.
            StoreTask::Thin(asked) => super::thin::thin(asked, settings, printer).await,
        }
    })
    .await
}

async fn usage(asked: &StoreUsage, rpc: &Rpc, printer: &Printer) -> Result<ExitStatus, Failure> {
    let rows = rpc.store_usage().await?;
    if printer.is_json() {
        for row in &rows {
            printer.object(&Usage::of(row));
        }
        return Ok(ExitStatus::AllDone);
    }
    for line in usage_lines(&rows, asked) {
        printer.data(line);
    }
    Ok(ExitStatus::AllDone)
}

fn usage_lines(rows: &[UsageRow], asked: &StoreUsage) -> Vec<String> {
    let blobs = |count: u64| human::count(usize::try_from(count).unwrap_or(usize::MAX), "blob", "blobs");
    let mut lines = Vec::new();
    for row in rows {
        let what = match row.of() {
            Of::All => "in the store",
            Of::Unneeded => "needed by no run",
            Of::Incoming if row.blobs > 0 => "on its way in",
            Of::Aside if row.blobs > 0 => "damaged and set aside",
            _ => continue,
        };
        lines.push(format!(
            "{what}: {}, {}",
            human::size(row.bytes),
            blobs(row.blobs)
        ));
    }
    let (of, of_word) = match asked.by {
        UsageBy::Run => (Of::Run, "run"),
        UsageBy::Step => (Of::Step, "step"),
        UsageBy::Variant => (Of::Variant, "variant"),
    };
    let chosen: Vec<&UsageRow> = rows.iter().filter(|row| row.of() == of).collect();
    let width = chosen
        .iter()
        .take(asked.limit)
        .map(|row| row.name.chars().count())
        .chain([of_word.len()])
        .max()
        .unwrap_or(0);
    if !chosen.is_empty() {
        lines.push(format!("{of_word:width$}  {:>10}  {:>10}", "needs", "alone"));
    }
    for row in chosen.iter().take(asked.limit) {
        let pinned = if row.pinned { "  pinned" } else { "" };
        lines.push(format!(
            "{:width$}  {:>10}  {:>10}{pinned}",
            row.name,
            human::size(row.bytes),
            human::size(row.alone_bytes)
        ));
    }
    if chosen.len() > asked.limit {
        lines.push(format!("… and {} more (-n)", chosen.len() - asked.limit));
    }
    lines
}

async fn verify(asked: &StoreVerify, rpc: &Rpc, printer: &Printer) -> Result<ExitStatus, Failure> {
    if !(asked.sample > 0.0 && asked.sample <= 100.0) {
        return Err(Failure::wrong(
            "--sample is a percentage, more than 0 and at most 100",
        ));
    }
    let request = VerifyRequest {
        share: asked.sample / 100.0,
        bytes_per_second: asked.rate.map_or(0, |rate| rate.as_u64()),
    };
    let mut last = VerifyEvent::default();
    let mut lost_items: Vec<String> = Vec::new();
    let mut events = rpc.store_verify(request).await?;
    while let Some(event) = events
        .message()
        .await
        .map_err(|status| crate::rpc::failed(&status))?
    {
        if let Some(bad) = &event.bad {
            printer.object(&BadBlob::of(bad));
            if !printer.is_json() {
                let name = Digest::from_slice(&bad.digest)
                    .map_or_else(|_| String::new(), |digest| digest.to_string());
                let whose = match bad.items.as_slice() {
                    [] => "needed by no run".to_owned(),
                    items => format!("of {}", items.join(", ")),
                };
                printer.data(format!("{}: {name} {whose}", bad.problem));
            }
            lost_items.extend(bad.items.first().filter(|item| item.contains('/')).cloned());
        } else if !event.ended {
            printer.detail(format_args!(
                "{} blobs, {} read",
                event.checked_blobs,
                human::size(event.checked_bytes)
            ));
        }
        last = event;
    }
    if !last.ended {
        return Err(Failure::unreachable(
            "the coordinator went away before the check ended",
        ));
    }
    let bad = last.damaged_blobs + last.lost_blobs + last.unreadable_blobs;
    let status = if bad == 0 {
        ExitStatus::AllDone
    } else {
        ExitStatus::ItemsFailed
    };
    printer.object(&Verified::of(&last, status));
    if !printer.is_json() {
        printer.data(format!(
            "checked: {}, {} blobs; {} damaged, {} lost, {} unreadable",
            human::size(last.checked_bytes),
            last.checked_blobs,
            last.damaged_blobs,
            last.lost_blobs,
            last.unreadable_blobs
        ));
        if let Some((run, item)) = lost_items.first().and_then(|item| item.split_once('/')) {
            printer.hint(format_args!(
                "what is needed again is made again by itself; at once: `tidemill again {run} '{item}' --anew`"
            ));
        }
    }
    Ok(status)
}

async fn sweep(asked: &StoreSweep, rpc: &Rpc, printer: &Printer) -> Result<ExitStatus, Failure> {
    let request = SweepRequest {
        remove: asked.remove,
        keep_days: asked.keep_days.unwrap_or(0),
        keep_runs: asked.keep_runs.unwrap_or(0),
        grace_ms: u64::try_from(asked.grace.as_millis()).unwrap_or(u64::MAX),
    };
    let mut last = SweepEvent::default();
    let mut last_phase = None;
    let mut events = rpc.store_sweep(request).await?;
    while let Some(event) = events
        .message()
        .await
        .map_err(|status| crate::rpc::failed(&status))?
    {
        let is_new = last_phase.replace(event.phase()) != Some(event.phase());
        if asked.remove && is_new {
            match event.phase() {
                Phase::Marked => printer.note(marked_words(&event)),
                Phase::Waits => printer.note(format_args!(
                    "waiting {} before removing; Ctrl-C breaks it off, the same command goes on",
                    human::duration(event.wait_ms)
                )),
                _ => {}
            }
        }
        last = event;
    }
    if last.phase() != Phase::Ended {
        return Err(
            Failure::unreachable("the coordinator went away before the sweep ended")
                .hint("the same command goes on where it was"),
        );
    }
    printer.object(&Swept::of(&last, asked.remove));
    if !printer.is_json() {
        printer.data(ended_words(&last, asked.remove));
        if last.left_over > 0 {
            printer.data(left_over_words(&last, asked.remove));
        }
        if !asked.remove && last.freed_blobs + last.left_over > 0 {
            printer.hint("add --remove to remove it");
        }
    }
    Ok(ExitStatus::AllDone)
}

fn marked_words(event: &SweepEvent) -> String {
    let goes_on = if event.resumed {
        "an earlier sweep goes on: "
    } else {
        ""
    };
    format!(
        "{goes_on}{} runs are kept, {} go, with {} in {} blobs",
        event.kept_runs,
        event.dropped_runs,
        human::size(event.freed_bytes),
        event.freed_blobs
    )
}

fn ended_words(event: &SweepEvent, removed: bool) -> String {
    let word = if removed { "removed" } else { "would be removed" };
    format!(
        "{word}: {} in {} blobs, {} runs, {} results; kept: {} runs",
        human::size(event.freed_bytes),
        event.freed_blobs,
        event.dropped_runs,
        event.dropped_results,
        event.kept_runs
    )
}

fn left_over_words(event: &SweepEvent, removed: bool) -> String {
    let word = if removed { "removed" } else { "would be removed" };
    format!(
        "{word}: {} in {} that writers left when they died",
        human::size(event.left_over_bytes),
        human::count(
            usize::try_from(event.left_over).unwrap_or(usize::MAX),
            "unfinished file",
            "unfinished files"
        )
    )
}

async fn pin(run: &OneRun, pinned: bool, rpc: &Rpc, printer: &Printer) -> Result<ExitStatus, Failure> {
    let row = rpc.find(&RunPick::of(run.run.as_deref())).await?;
    let row = rpc.store_pin(PinRequest { run: row.run, pinned }).await?;
    crate::follow::print_run(&row, printer);
    if !printer.is_json() {
        let word = if pinned {
            "is kept in every sweep"
        } else {
            "is swept as the rules say"
        };
        printer.data(format!("{} {word}", row.run));
    }
    Ok(ExitStatus::AllDone)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use clap::Parser as _;

    use super::*;
    use crate::arguments::{Command, CommandLine};

    #[test]
    fn a_sweep_shows_and_waits_unless_told_otherwise() {
        let parsed = CommandLine::try_parse_from(["tidemill", "store", "sweep", "--keep-runs", "3"]).unwrap();
        let Command::Store(Store {
            task: StoreTask::Sweep(sweep),
        }) = parsed.command
        else {
            panic!("another command");
        };
        assert!(!sweep.remove && sweep.grace == Duration::from_secs(600) && sweep.keep_runs == Some(3));
        for bad in [["--keep-runs", "0"], ["--grace", "soon"], ["--grace", "-1 s"]] {
            let line = ["tidemill", "store", "sweep", bad[0], bad[1]];
            assert!(CommandLine::try_parse_from(line).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn usage_is_shown_by_what_was_asked_for() {
        let row = |of: Of, name: &str, bytes: u64| UsageRow {
            of: of as i32,
            name: name.into(),
            blobs: 2,
            bytes,
            alone_bytes: bytes / 2,
            pinned: of == Of::Run,
        };
        let rows = [
            row(Of::All, "", 4096),
            row(Of::Unneeded, "", 0),
            row(Of::Run, "quay.2", 2048),
            row(Of::Run, "quay.1", 1024),
            row(Of::Step, "quay/game", 512),
        ];
        let asked = StoreUsage {
            by: UsageBy::Run,
            limit: 1,
        };
        let lines = usage_lines(&rows, &asked);
        assert_eq!(lines.len(), 5, "{lines:?}");
        assert!(
            lines[3].starts_with("quay.2") && lines[3].ends_with("pinned"),
            "{lines:?}"
        );
        assert!(lines[4].contains("1 more"), "{lines:?}");
    }
}
