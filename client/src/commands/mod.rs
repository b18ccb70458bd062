//! The commands, one file each: each takes values and a printer, and returns how the process ends.

pub mod again;
pub mod agents;
mod base_sheet;
pub mod check;
pub mod compare;
pub mod deliver;
pub mod doc;
mod ending;
pub mod forecast;
pub mod history;
pub mod inspect;
pub mod join;
mod legend;
pub mod log;
pub mod page;
pub mod pause;
pub mod plan;
pub mod prefer;
pub mod report;
pub mod run;
pub mod show;
pub mod sign_off;
pub(crate) mod stay;
pub mod stop;
pub mod store;
mod thin;
mod trends;
pub mod watch;
pub mod why;

use tidemill_proto::v1::RunRow;

use crate::arguments::RunPick;
use crate::failure::Failure;
use crate::printer::Printer;
use crate::session::{Purpose, Session};
use crate::settings::Settings;

/// Opens a session, lets `ask` use it, and closes it whatever came out.
async fn with_session<T>(
    settings: &Settings,
    purpose: Purpose,
    printer: &Printer,
    ask: impl AsyncFnOnce(&mut Session) -> Result<T, Failure>,
) -> Result<T, Failure> {
    let mut session = Session::open(settings, purpose, printer).await?;
    let result = ask(&mut session).await;
    session.close().await;
    result
}

/// As [`with_session`], with the run that is picked.
async fn with_run<T>(
    pick: &RunPick,
    settings: &Settings,
    purpose: Purpose,
    printer: &Printer,
    ask: impl AsyncFnOnce(&mut Session, RunRow) -> Result<T, Failure>,
) -> Result<T, Failure> {
    with_session(settings, purpose, printer, async |session| {
        let row = session.rpc.find(pick).await?;
        ask(session, row).await
    })
    .await
}
