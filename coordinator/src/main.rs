//! The studio's coordinator as a program: reads the command line, opens, serves, and ends cleanly.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, bail};
use clap::{Parser, Subcommand, ValueEnum};
use tidemill_coordinator::{Config, Coordinator, os};
use tokio::net::TcpListener;
use tokio_stream::wrappers::TcpListenerStream;
use tokio_util::sync::CancellationToken;
use tracing_subscriber::EnvFilter;

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
    Serve {
        /// Folder of the record and the store; one process at a time.
        #[arg(long, env = "TIDEMILL_DATA")]
        data: PathBuf,
        /// Address to listen on. Only this machine's own (loopback) addresses: there is no encryption yet.
        #[arg(long, default_value = "127.0.0.1:7420")]
        listen: SocketAddr,
    },
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
        .with_writer(std::io::stderr);
    match form {
        LogForm::Text => lines.init(),
        LogForm::Json => lines.json().init(),
    }
}

async fn run(command: Command) -> anyhow::Result<()> {
    let Command::Serve { data, listen } = command;
    if !listen.ip().is_loopback() {
        bail!(
            "{listen} can be reached from other machines, and this program runs programs on workstations: \
             without encryption and tokens it listens only on a loopback address, as in 127.0.0.1:7420"
        );
    }
    let listener = TcpListener::bind(listen)
        .await
        .with_context(|| format!("cannot listen on {listen}"))?;
    let address = listener.local_addr().context("cannot tell the address")?;
    let coordinator = Coordinator::open(Config::studio(data)).await?;
    let shutdown = CancellationToken::new();
    let asked = shutdown.clone();
    let end_requested = os::end_requests().context("cannot wait for a request to end")?;
    tokio::spawn(async move {
        end_requested.await;
        tracing::info!("asked to end");
        asked.cancel();
    });
    // Said last: whoever reads it may connect, or ask it to end.
    tracing::info!(%address, "serving");
    let served = coordinator
        .serve(TcpListenerStream::new(listener), shutdown)
        .await;
    coordinator.close().await;
    tracing::info!("ended");
    Ok(served?)
}
