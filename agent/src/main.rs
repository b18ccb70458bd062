//! The agent as a program of its own, for a studio's workstations.

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Context as _;
use clap::Parser;
use tidemill_agent::Config;
use tidemill_agent::config_file::{self, ConfigFile};
use tidemill_agent::lending_settings::LendingSettings;
use tidemill_agent::reach::{self, Membership};
use tidemill_proto::Invitation;
use tidemill_proto::v1::Role;
use tokio_util::sync::CancellationToken;

/// Between two attempts to join a coordinator that cannot be reached.
const JOIN_PAUSE: Duration = Duration::from_secs(3);

/// Lends this machine's cores and memory to a Tidemill coordinator and runs its items.
///
/// It runs programs that others choose, but only those that its configuration file names.
#[derive(Debug, Parser)]
#[command(name = "tidemill-agent", version)]
struct Arguments {
    /// The coordinator, as in mill.example:7420; not needed with --join
    #[arg(
        long,
        env = "TIDEMILL_AT",
        value_name = "HOST:PORT",
        required_unless_present = "join"
    )]
    at: Option<String>,
    /// Join with this invitation first, unless that was done before
    #[arg(
        long,
        env = "TIDEMILL_JOIN",
        hide_env_values = true,
        value_name = "INVITATION"
    )]
    join: Option<Invitation>,
    /// Folder for slots, cache and the agent's id
    #[arg(long, env = "TIDEMILL_DATA", value_name = "DIR")]
    data: PathBuf,
    /// Configuration: name, cores, memory, tools
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Name for people [default: the host's]
    #[arg(long)]
    name: Option<String>,
    /// Cores to lend, as in 6 or 1.5 [default: all]
    #[arg(long)]
    cores: Option<f64>,
    /// This machine is Tidemill's alone: lend its cores whatever else seems to run, as in a container, which sees all of its host's load
    #[arg(long)]
    dedicated: bool,
    /// Memory to lend, as in "24 GiB" [default: all but a reserve]
    #[arg(long)]
    memory: Option<String>,
    /// What this machine has beside cores and memory, as in gpu; may be given more than once
    #[arg(long, value_name = "NAME")]
    offer: Vec<String>,
    #[command(flatten)]
    lending: LendingSettings,
}

fn main() -> ExitCode {
    if let Some(code) = tidemill_agent::special_main() {
        return code;
    }
    let filter =
        tracing_subscriber::EnvFilter::try_from_env("TIDEMILL_LOG").unwrap_or_else(|_| "info".into());
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr)
        .init();
    let arguments = Arguments::parse();
    let config = match configure(&arguments) {
        Ok(config) => config,
        Err(error) => {
            eprintln!("error: {error:#}");
            return ExitCode::from(2);
        }
    };
    match serve(&arguments, config) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn configure(arguments: &Arguments) -> anyhow::Result<Config> {
    let mut config = Config::workstation(arguments.data.clone())?;
    config.packs = address(arguments).is_some_and(|address| !reach::is_on_this_machine(address));
    if let Some(path) = &arguments.config {
        ConfigFile::read(path)?.apply(&mut config, path)?;
    }
    if let Some(name) = &arguments.name {
        config.name.clone_from(name);
    }
    if let Some(cores) = arguments.cores {
        config.millicores = config_file::millicores(cores)
            .map_err(anyhow::Error::msg)
            .context("--cores")?;
    }
    if let Some(memory) = &arguments.memory {
        config.memory_bytes = config_file::bytes(memory)
            .map_err(anyhow::Error::msg)
            .context("--memory")?;
    }
    config.offers.extend(arguments.offer.iter().cloned());
    config.offers.sort_unstable();
    config.offers.dedup();
    arguments.lending.apply(&mut config).map_err(anyhow::Error::msg)?;
    config.fixed_budget |= arguments.dedicated;
    config.check()?;
    Ok(config)
}

/// Of the coordinator.
fn address(arguments: &Arguments) -> Option<&str> {
    let joined_at = arguments.join.as_ref().map(|invitation| &invitation.address);
    arguments.at.as_ref().or(joined_at).map(String::as_str)
}

fn serve(arguments: &Arguments, config: Config) -> anyhow::Result<()> {
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    runtime.block_on(async {
        let shutdown = CancellationToken::new();
        tokio::spawn(cancel_on_signal(shutdown.clone()));
        let memberships = Membership::folder_of(&config.data);
        if let Some(invitation) = &arguments.join {
            tokio::select! {
                joined = join(invitation, &config, &memberships) => joined?,
                () = shutdown.cancelled() => return Ok(()),
            }
        }
        let address = address(arguments)
            .context("say where the coordinator is: --at HOST:PORT, or --join INVITATION")?;
        let way = reach::way(&memberships, address)?.with(|endpoint| {
            endpoint
                // A coordinator whose machine vanished must be noticed, or items would wait for ever to be told.
                .http2_keep_alive_interval(Duration::from_secs(10))
                .keep_alive_timeout(Duration::from_secs(10))
                .keep_alive_while_idle(true)
        });
        let channel = way.connect_lazy();
        tokio::spawn(way.keep_fresh(shutdown.clone()));
        tidemill_agent::run(config, channel, shutdown).await?;
        Ok(())
    })
}

/// Joins, if that was not done before, or so long ago that the certificate has ended. A coordinator that is not up yet is
/// waited for.
async fn join(invitation: &Invitation, config: &Config, memberships: &Path) -> anyhow::Result<()> {
    if let Some(membership) = Membership::find(memberships, &invitation.address)? {
        match membership.term() {
            Some(term) if term.ends <= jiff::Timestamp::now() => {
                tracing::warn!(ended = %term.ends, "this machine's certificate has ended; joining again");
            }
            _ => return Ok(()),
        }
    }
    loop {
        match reach::join(invitation, Role::Agent, &config.name, memberships).await {
            Ok(joined) => {
                tracing::info!(address = joined.address, file = %joined.file.display(), "joined");
                return Ok(());
            }
            Err(error @ reach::ReachError::Unreachable { .. }) => {
                tracing::warn!("{error}; trying again in {JOIN_PAUSE:?}");
                tokio::time::sleep(JOIN_PAUSE).await;
            }
            Err(error) => return Err(error.into()),
        }
    }
}

/// The first signal lets items finish for a while; the second ends the program, and the launchers then end
/// their items.
async fn cancel_on_signal(shutdown: CancellationToken) {
    tidemill_agent::end_signal().await;
    tracing::info!("taking nothing new; items may finish for a while (once more to end at once)");
    shutdown.cancel();
    tidemill_agent::end_signal().await;
    std::process::exit(130);
}
