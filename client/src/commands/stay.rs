//! `run --stay`: brings results up to date whenever the manifest or a base model is saved, until Ctrl-C.

use std::path::Path;

use schemars::JsonSchema;
use serde::Serialize;

use super::{ending, run};
use crate::arguments::Run;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::manifest::{Prepared, missing_programs, prepare, shown};
use crate::os::EndRequests;
use crate::printer::Printer;
use crate::saved::Saved;
use crate::session::Session;
use crate::settings::{Place, Settings};
use crate::upload::upload;

/// `kind = "stay"`: what the program waits for, or why it could not go on.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct StayObject<'a> {
    #[schemars(extend("const" = "stay"))]
    kind: &'static str,
    state: &'a str,
}

/// Runs, waits for a save, and runs again.
pub(super) async fn stay(
    session: &mut Session,
    arguments: &Run,
    ends: &mut EndRequests,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let manifest = std::path::absolute(&arguments.manifest.manifest)
        .map_err(|error| Failure::file("find", &arguments.manifest.manifest, &error))?;
    let mut last = ExitStatus::AllDone;
    let mut submitted: Option<tidemill_proto::v1::Plan> = None;
    loop {
        // Before it is read, so that what is saved meanwhile counts as a save.
        let mut saved = Saved::folder(&manifest);
        match read(arguments, settings, printer) {
            Ok(prepared) => {
                saved = saved.narrowed(&manifest, &prepared);
                if submitted.as_ref() == Some(&prepared.plan) {
                    printer.detail("nothing that matters has changed");
                } else {
                    match one_run(session, &prepared, arguments, &mut saved, ends, settings, printer).await? {
                        Went::Through(status) => last = status,
                        Went::Overtaken => continue,
                        Went::ByPerson => return Ok(ExitStatus::Stopped),
                    }
                    submitted = Some(prepared.plan);
                }
                tell("waiting", "waiting for the next save; Ctrl-C ends it", printer);
            }
            Err(failure) => {
                printer.failure(&failure);
                tell(
                    "broken",
                    "earlier results stay as they are; waiting for the next save",
                    printer,
                );
            }
        }
        tokio::select! {
            () = saved.next() => tell("saved", &said(&manifest), printer),
            () = ends.next() => return Ok(last),
            failure = session.agent_gave_up() => return Err(failure),
        }
    }
}

fn said(manifest: &Path) -> String {
    format!("something was saved; reading {} again", manifest.display())
}

fn tell(state: &str, text: &str, printer: &Printer) {
    printer.object(&StayObject { kind: "stay", state });
    if !printer.is_json() {
        printer.note(text);
    }
}

fn read(arguments: &Run, settings: &Settings, printer: &Printer) -> Result<Prepared, Failure> {
    let manifest = &arguments.manifest;
    let prepared =
        tokio::task::block_in_place(|| prepare(&manifest.manifest, &manifest.choice, settings, printer))?;
    if settings.place == Place::Own
        && let Some(missing) = missing_programs(&prepared, std::env::var_os("PATH").as_deref())
    {
        return Err(shown(&missing, printer));
    }
    Ok(prepared)
}

/// How a run ended.
enum Went {
    Through(ExitStatus),
    /// Something was saved meanwhile, so it was stopped.
    Overtaken,
    ByPerson,
}

async fn one_run(
    session: &mut Session,
    prepared: &Prepared,
    arguments: &Run,
    saved: &mut Saved,
    ends: &mut EndRequests,
    settings: &Settings,
    printer: &Printer,
) -> Result<Went, Failure> {
    let rpc = session.rpc.clone();
    let submit = async {
        upload(&prepared.plan, &prepared.surveyed, &rpc, printer).await?;
        rpc.submit(
            run::header(prepared, &arguments.anew, arguments.preference, settings),
            &prepared.plan,
        )
        .await
    };
    let name = tokio::select! {
        submitted = submit => match submitted {
            Ok(submitted) => submitted.run,
            // A file that changed under our hands is read again; all else is told and waited out.
            Err(failure) => {
                printer.failure(&failure);
                return Ok(Went::Through(failure.status));
            }
        },
        () = ends.next() => return Ok(Went::ByPerson),
    };
    let mut overtaken = false;
    let seen = {
        let seeing = ending::see_through(session, &name, &arguments.ending, ends, settings, printer);
        tokio::pin!(seeing);
        tokio::select! {
            seen = &mut seeing => seen,
            () = saved.next() => {
                overtaken = true;
                tell("saved", &format!("something was saved: {name} is stopped and done again"), printer);
                rpc.stop(&name).await?;
                seeing.await
            }
        }
    };
    match seen {
        Ok(_) if overtaken => Ok(Went::Overtaken),
        Ok(ExitStatus::Stopped) => Ok(Went::ByPerson),
        Ok(status) => Ok(Went::Through(status)),
        Err(failure) => Err(failure),
    }
}
