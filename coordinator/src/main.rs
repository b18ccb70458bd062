//! The studio's coordinator as a program: reads the command line, opens, serves, and ends cleanly.

mod setup;

use std::io::IsTerminal as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::{Parser, Subcommand, ValueEnum};
use tidemill_coordinator::identity::Identity;
use tidemill_coordinator::{Address, Config, Coordinator, os};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tonic::transport::server::TcpIncoming;
use tracing_subscriber::EnvFilter;

/// Between two looks at whether the record still works. One that does not is opened anew by starting again, which a
/// service manager does by itself.
const RECORD_LOOK: Duration = Duration::from_millis(500);

/// Places the items of a studio's runs on its workstations, and keeps the record.
#[derive(Debug, Parser)]
#[command(name = "tidemill-coordinator", version)]
struct Arguments {
    /// How log lines look on stderr. What is logged: TIDEMILL_LOG, as in `debug` or `tidemill_coordinator=debug`.
    #[arg(long, value_enum, default_value_t = LogForm::Text, global = true)]
    log: LogForm,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum LogForm {
    Text,
    Json,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve until asked to end (Ctrl-C, SIGTERM). Runs go on at the next start.
    Serve(Serve),
    /// Make the studio's certificate authority, this server's certificate, and an invitation. Run again, it
    /// keeps the authority, so that members stay members.
    Init(setup::Init),
    /// Make one more invitation for agents or people.
    Invite(setup::Invite),
    /// Make the server's certificate anew, for the same names and by the same authority. `serve` does it by itself, in time;
    /// this is for when that could not be, as after a long rest.
    Renew(setup::Renew),
}

#[derive(Debug, clap::Args)]
struct Serve {
    /// Folder of the record and the store; one process at a time.
    #[arg(long, env = "TIDEMILL_DATA")]
    data: PathBuf,
    /// Where the store is: a folder, share:/FOLDER (several coordinators may use it) or s3://BUCKET/PREFIX?endpoint=…
    /// (credentials: AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY). Without it, `store` in the data folder.
    #[arg(long, value_name = "ADDRESS", env = "TIDEMILL_STORE")]
    store: Option<Address>,
    /// Address to listen on, as in 0.0.0.0:7420. Any but this machine's own (loopback) needs `init` first.
    #[arg(long, default_value = "127.0.0.1:7420")]
    listen: SocketAddr,
    /// Serve the live page here, as in 127.0.0.1:7421; only on a loopback address.
    #[arg(long, value_name = "HOST:PORT")]
    page: Option<SocketAddr>,
    /// Speak plain text although `init` was run; only on a loopback address.
    #[arg(long)]
    plain: bool,
    /// Seconds without a word after which an agent counts as lost.
    #[arg(long, value_name = "SECONDS", default_value_t = 30, value_parser = clap::value_parser!(u64).range(1..=3600))]
    silence_limit: u64,
    /// Seconds that a lost agent's items wait for it to come back, before they are placed elsewhere.
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(0..=86400))]
    lost_grace: u64,
    /// Start nothing new with less free disk than this under the data folder, as in "20 GiB"; otherwise 1 GiB, or a
    /// twentieth of the disk if that is less. What runs may still use it.
    #[arg(long, value_name = "SIZE", value_parser = size)]
    keep_disk: Option<u64>,
    /// Call this program whenever a run has ended, with what came of it as one JSON object on its standard input. The same
    /// object is kept as `summaries/RUN.json` in the data folder.
    #[arg(long, value_name = "PROGRAM")]
    summary_to: Option<PathBuf>,
    /// Read the whole store through in the background, once a day and no faster than this in a second, as in "20 MiB". What
    /// is damaged is set aside and named in the log; what made it runs again when it is needed.
    #[arg(long, value_name = "SIZE", value_parser = size)]
    verify_rate: Option<u64>,
}

/// Bytes of a size with its unit.
fn size(text: &str) -> Result<u64, String> {
    let parsed = text.parse::<bytesize::ByteSize>();
    parsed
        .map(|size| size.as_u64())
        .map_err(|_| format!("`{text}` is no size: write it with its unit, as in \"20 GiB\""))
}

fn main() -> ExitCode {
    os::keep_memory_together();
    let arguments = Arguments::parse();
    start_logging(arguments.log);
    let outcome = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("cannot start")
        .and_then(|runtime| runtime.block_on(run(arguments.command)));
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("tidemill-coordinator: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn start_logging(form: LogForm) {
    let filter = EnvFilter::try_from_env("TIDEMILL_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr);
    match form {
        LogForm::Text => lines.init(),
        LogForm::Json => lines.json().init(),
    }
}

async fn run(command: Command) -> anyhow::Result<()> {
    let serve_as = match command {
        Command::Serve(serve_as) => serve_as,
        Command::Init(init) => return init.run(),
        Command::Invite(invite) => return invite.run(),
        Command::Renew(renew) => return renew.run(),
    };
    let identity = setup::identity_for(&serve_as.data, serve_as.listen, serve_as.plain)?;
    let mut config = Config {
        silence_limit: Duration::from_secs(serve_as.silence_limit),
        lost_grace: Duration::from_secs(serve_as.lost_grace),
        keep_disk_bytes: serve_as.keep_disk,
        summary_program: serve_as.summary_to,
        verify_rate: serve_as.verify_rate,
        ..Config::studio(serve_as.data)
    };
    if let Some(store) = serve_as.store {
        config.store = store;
    }
    serve(config, serve_as.listen, serve_as.page, identity).await
}

async fn serve(
    config: Config,
    listen: SocketAddr,
    page: Option<SocketAddr>,
    identity: Option<Identity>,
) -> anyhow::Result<()> {
    let page = match page {
        Some(address) => Some(tidemill_page::live::listen(address).await?),
        None => None,
    };
    let listener = TcpListener::bind(listen)
        .await
        .with_context(|| format!("cannot listen on {listen}"))?;
    let address = listener.local_addr().context("cannot tell the address")?;
    let coordinator = Coordinator::open(config).await?;
    let shutdown = CancellationToken::new();
    let asked = shutdown.clone();
    let end_requested = os::end_requests().context("cannot wait for a request to end")?;
    tokio::spawn(async move {
        end_requested.await;
        tracing::info!("asked to end");
        asked.cancel();
    });
    let (watched, end) = (coordinator.clone(), shutdown.clone());
    tokio::spawn(async move {
        while !watched.record_has_failed() {
            tokio::time::sleep(RECORD_LOOK).await;
        }
        end.cancel();
    });
    let serving_page = page.map(|listener| {
        if let Ok(address) = listener.local_addr() {
            tracing::info!("the live page is at http://{address}/");
        }
        let (coordinator, shutdown) = (coordinator.clone(), shutdown.clone());
        let person = std::env::var("USER").unwrap_or_default();
        tokio::spawn(async move {
            if let Err(error) = coordinator.serve_page(listener, person, shutdown).await {
                tracing::error!("{error}");
            }
        })
    });
    // Said last: whoever reads it may connect, or ask it to end.
    tracing::info!(%address, tls = identity.is_some(), "serving");
    let incoming = TcpIncoming::from(listener).with_nodelay(Some(true));
    let served = match identity {
        Some(identity) => {
            coordinator
                .serve_members(incoming, Arc::new(identity), shutdown)
                .await
        }
        None => coordinator.serve(incoming, shutdown).await,
    };
    if let Some(serving_page) = serving_page {
        // It ends with the same request; a panic there was told already.
        let _ = serving_page.await;
    }
    let failed = coordinator.record_has_failed();
    let folder = coordinator.config().data.clone();
    coordinator.close().await;
    if failed {
        bail!(
            "the record in {} failed, see above: make room if its disk is full, and start again; agents keep what they \
             work on meanwhile, and runs go on",
            folder.display()
        );
    }
    tracing::info!("ended");
    Ok(served?)
}
