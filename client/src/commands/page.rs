//! `page`: the live page for a browser on this machine, over whichever coordinator is used.

use schemars::JsonSchema;
use serde::Serialize;
use tokio_util::sync::CancellationToken;

use super::with_session;
use crate::arguments::PageArguments;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::os::EndRequests;
use crate::printer::Printer;
use crate::session::{Purpose, Session};
use crate::settings::Settings;

/// `kind = "page"`: where the live page is.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct PageObject<'a> {
    #[schemars(extend("const" = "page"))]
    kind: &'static str,
    address: &'a str,
}

/// A page that is being served.
pub(super) struct Served {
    ending: CancellationToken,
    task: tokio::task::JoinHandle<()>,
}

impl Served {
    /// Ends it.
    pub(super) async fn close(self) {
        self.ending.cancel();
        // A task that panicked has ended as well.
        let _ = self.task.await;
    }
}

/// Serves until a person ends it.
pub async fn page(
    arguments: &PageArguments,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let mut ends = EndRequests::take_over()
        .map_err(|error| Failure::unreachable(format!("cannot listen for Ctrl-C: {error}")))?;
    with_session(settings, Purpose::Work, printer, async |session| {
        let served = serve(arguments.listen, session, settings, printer).await?;
        let outcome = tokio::select! {
            () = ends.next() => Ok(ExitStatus::AllDone),
            failure = session.agent_gave_up() => Err(failure),
        };
        served.close().await;
        outcome
    })
    .await
}

/// Serves beside other work, and says where.
pub(super) async fn serve(
    address: std::net::SocketAddr,
    session: &Session,
    settings: &Settings,
    printer: &Printer,
) -> Result<Served, Failure> {
    let listener = tidemill_page::live::listen(address).await.map_err(|error| {
        Failure::wrong(error.to_string()).hint("`--listen 127.0.0.1:0` takes any free port")
    })?;
    let bound = listener
        .local_addr()
        .map_err(|error| Failure::unreachable(format!("cannot tell the page's address: {error}")))?;
    let address = format!("http://{bound}/");
    printer.object(&PageObject {
        kind: "page",
        address: &address,
    });
    if !printer.is_json() {
        printer.data(format_args!("the live page is at {address}"));
    }
    let ending = CancellationToken::new();
    let (channel, person, until) = (session.rpc.channel(), settings.person.clone(), ending.clone());
    let task = tokio::spawn(async move {
        if let Err(error) = tidemill_page::live::serve(listener, channel, person, until).await {
            tracing::error!("{error}");
        }
    });
    Ok(Served { ending, task })
}
