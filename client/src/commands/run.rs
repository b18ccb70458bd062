//! `run`: from a manifest to delivered files.

use tidemill_proto::v1::SubmitHeader;

use super::{ending, page};
use crate::arguments::{self, Preference};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::manifest::{Prepared, missing_programs, prepare, shown};
use crate::os::EndRequests;
use crate::output::human;
use crate::printer::Printer;
use crate::session::{Purpose, Session};
use crate::settings::{Place, Settings};
use crate::upload::upload;

/// How often a run that failed is tried again because the store had lost what this folder holds.
const LOST_INPUT_TRIES: usize = 3;

/// Runs a manifest.
pub async fn run(
    arguments: &arguments::Run,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    if arguments.ending.leave && settings.place == Place::Own {
        return Err(Failure::wrong(
            "--leave needs a studio's coordinator: without one, the run ends with this process",
        )
        .hint("add `--at HOST:PORT`, or leave out --leave"));
    }
    if arguments.stay {
        let mut ends = EndRequests::take_over()
            .map_err(|error| Failure::unreachable(format!("cannot listen for Ctrl-C: {error}")))?;
        let mut session = Session::open(settings, Purpose::Work, printer).await?;
        let page = page_beside(&session, arguments, settings, printer).await;
        let result = match page {
            Ok(page) => {
                let result = super::stay::stay(&mut session, arguments, &mut ends, settings, printer).await;
                close_page(page).await;
                result
            }
            Err(failure) => Err(failure),
        };
        session.close().await;
        return result;
    }
    let manifest = &arguments.manifest;
    let prepared =
        tokio::task::block_in_place(|| prepare(&manifest.manifest, &manifest.choice, settings, printer))?;
    if settings.place == Place::Own
        && let Some(missing) = missing_programs(&prepared, std::env::var_os("PATH").as_deref())
    {
        return Err(shown(&missing, printer));
    }
    let mut ends = EndRequests::take_over()
        .map_err(|error| Failure::unreachable(format!("cannot listen for Ctrl-C: {error}")))?;
    let mut session = Session::open(settings, Purpose::Work, printer).await?;
    let result = match page_beside(&session, arguments, settings, printer).await {
        Ok(page) => {
            let result =
                submit_and_see(&mut session, &prepared, arguments, &mut ends, settings, printer).await;
            close_page(page).await;
            result
        }
        Err(failure) => Err(failure),
    };
    session.close().await;
    result
}

async fn page_beside(
    session: &Session,
    arguments: &arguments::Run,
    settings: &Settings,
    printer: &Printer,
) -> Result<Option<page::Served>, Failure> {
    match arguments.page {
        Some(address) => page::serve(address, session, settings, printer).await.map(Some),
        None => Ok(None),
    }
}

async fn close_page(page: Option<page::Served>) {
    if let Some(page) = page {
        page.close().await;
    }
}

async fn submit_and_see(
    session: &mut Session,
    prepared: &Prepared,
    arguments: &arguments::Run,
    ends: &mut EndRequests,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let rpc = session.rpc.clone();
    let submit = async {
        upload(&prepared.plan, &prepared.surveyed, &rpc, printer).await?;
        rpc.submit(
            header(prepared, &arguments.anew, arguments.preference, settings),
            &prepared.plan,
        )
        .await
    };
    let submitted = tokio::select! {
        submitted = submit => submitted?,
        () = ends.next() => {
            printer.note("stopped before anything was submitted");
            return Ok(ExitStatus::Stopped);
        }
    };
    if arguments.ending.leave {
        let row = rpc.show_run(&submitted.run).await?;
        crate::follow::print_run(&row, printer);
        if !printer.is_json() {
            let items = human::count(submitted.items as usize, "item", "items");
            printer.data(format_args!("{}: {items} submitted", submitted.run));
        }
        printer.hint(format_args!("`tidemill watch {}` follows it", submitted.run));
        return Ok(ExitStatus::AllDone);
    }
    let run = &submitted.run;
    let mut status = ending::see_through(session, run, &arguments.ending, ends, settings, printer).await?;
    for _ in 0..LOST_INPUT_TRIES {
        if status != ExitStatus::ItemsFailed {
            break;
        }
        // A store that lost an input cannot have it made again: only this folder has it.
        let put = upload(&prepared.plan, &prepared.surveyed, &rpc, printer).await?;
        if put == 0 {
            break;
        }
        let lost = human::count(put, "input was", "inputs were");
        printer.note(format_args!(
            "{lost} lost from the store and put there again; what failed is tried once more"
        ));
        rpc.again(run, &[], false).await?;
        status = ending::see_through(session, run, &arguments.ending, ends, settings, printer).await?;
    }
    Ok(status)
}

/// What is submitted beside the plan.
pub(super) fn header(
    prepared: &Prepared,
    anew: &[String],
    preference: Preference,
    settings: &Settings,
) -> SubmitHeader {
    SubmitHeader {
        manifest_text: prepared.file.text.clone(),
        person: settings.person.clone(),
        embedded: settings.place == Place::Own,
        anew: anew.to_vec(),
        folder: prepared.file.root.to_string_lossy().into_owned(),
        priority: preference.priority.unwrap_or(0),
        share: preference.share.unwrap_or(1),
    }
}
