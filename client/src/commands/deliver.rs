//! `deliver`: copies a run's outputs into a folder, now.

use super::{ending, with_session};
use crate::arguments::{Deliver, RunPick};
use crate::deliver;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Delivers what may be delivered; 1 if something was held back.
pub async fn deliver(
    arguments: &Deliver,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Read, printer, async |session| {
        let row = session.rpc.find(&RunPick::of(arguments.run.as_deref())).await?;
        let plan = session.rpc.plan(&row.run).await?;
        let target = deliver::target(arguments.to.as_deref(), &row.folder, &arguments.how);
        if plan
            .delivery
            .as_ref()
            .is_none_or(|delivery| delivery.files.is_empty())
        {
            return Err(
                Failure::wrong(format!("the manifest of {} delivers nothing", row.run))
                    .hint("add a [deliver] table to the manifest and run it"),
            );
        }
        if !target.named && !deliver::is_whole(&plan) {
            let what = if plan.draft {
                "a draft"
            } else {
                "a run with --until"
            };
            return Err(Failure::wrong(format!(
                "{} is {what}: it is not delivered into the manifest's folder",
                row.run
            ))
            .hint("`--to DIR` puts it into a folder of your choice"));
        }
        if !target.named && !target.folder.is_dir() {
            return Err(Failure::wrong(format!(
                "the manifest's folder {} is not on this machine",
                target.folder.display()
            ))
            .hint("`--to DIR` puts the outputs into a folder of your choice"));
        }
        let items = session.rpc.items(&row.run, "").await?;
        let report =
            deliver::deliver(&row.run, &plan, &items, &target, &session.rpc, settings, printer).await?;
        let status = if report.held.is_empty() {
            ExitStatus::AllDone
        } else {
            ExitStatus::ItemsFailed
        };
        ending::summarise(&row, &items, &report, status, printer);
        Ok(status)
    })
    .await
}
