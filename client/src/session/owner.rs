//! This process as the owner of a data folder: a coordinator, usually with an agent, reached over a pipe in
//! memory, and over a socket by other processes of the same user.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tidemill_coordinator::Coordinator;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

use super::guests::Guests;
use super::{Purpose, pipe, unusable};
use crate::failure::{Failure, chain, io_words};
use crate::os::{self, OwnerAddress};
use crate::rpc::Rpc;

/// Guests get so long to hear the end of what they asked.
const GUEST_GRACE: Duration = Duration::from_secs(2);

/// A coordinator in this process, and what belongs to it.
pub(super) struct Owner {
    coordinator: Coordinator,
    serving: Vec<JoinHandle<()>>,
    agent: Option<Agent>,
    guests: Option<Guests>,
    address_file: PathBuf,
}

struct Agent {
    shutdown: CancellationToken,
    task: JoinHandle<Result<(), tidemill_agent::AgentError>>,
    ended: bool,
}

impl Owner {
    /// Serves the coordinator and starts what the purpose needs.
    pub(super) async fn start(
        coordinator: Coordinator,
        data: &Path,
        purpose: Purpose,
    ) -> Result<(Self, Rpc), Failure> {
        let (connector, incoming) = pipe::pipe();
        let mut serving = vec![serve(&coordinator, incoming)];
        let channel = connector
            .connect()
            .await
            .map_err(|error| unusable(data, &chain(&error)))?;
        let address_file = address_file(data);
        let mut guests = None;
        if purpose.lets_others_in() {
            let (found, incoming) = Guests::listen(data, purpose == Purpose::Work, &address_file)
                .map_err(|error| unusable(data, &io_words(&error)))?;
            guests = Some(found);
            serving.push(serve(&coordinator, incoming));
        } else {
            // It would be a dead owner's.
            let _ = std::fs::remove_file(&address_file);
        }
        let agent = match purpose.has_agent() {
            true => Some(Agent::start(data, connector.connect_lazy())?),
            false => None,
        };
        Ok((
            Self {
                coordinator,
                serving,
                agent,
                guests,
                address_file,
            },
            Rpc::over(channel),
        ))
    }

    pub(super) fn has_agent(&self) -> bool {
        self.agent.is_some()
    }

    /// Completes when the agent ended by itself.
    pub(super) async fn agent_gave_up(&mut self) -> Failure {
        let Some(agent) = self.agent.as_mut().filter(|agent| !agent.ended) else {
            return std::future::pending().await;
        };
        let ended = (&mut agent.task).await;
        agent.ended = true;
        let why = match ended {
            Ok(Ok(())) => "it ended".to_owned(),
            Ok(Err(error)) => chain(&error),
            Err(error) => error.to_string(),
        };
        Failure::unreachable(format!("the agent in this process gave up: {why}"))
    }

    /// Ends the agent with everything that it runs, lets guests hear the end, and writes everything down.
    pub(super) async fn close(self) {
        if let Some(agent) = self.agent {
            agent.shutdown.cancel();
            if !agent.ended {
                // An agent that panicked has nothing left to end.
                let _ = agent.task.await;
            }
        }
        if let Some(guests) = self.guests {
            let _ = std::fs::remove_file(&self.address_file);
            let _ = tokio::time::timeout(GUEST_GRACE, guests.all_gone()).await;
        }
        self.coordinator.close().await;
        for task in self.serving {
            let _ = task.await;
        }
    }
}

impl Agent {
    fn start(data: &Path, channel: Channel) -> Result<Self, Failure> {
        let config = tidemill_agent::Config::embedded(data.join("agent")).map_err(|error| {
            Failure::unreachable(format!(
                "the agent in this process cannot start: {}",
                chain(&error)
            ))
        })?;
        let shutdown = CancellationToken::new();
        let task = tokio::spawn(tidemill_agent::run(config, channel, shutdown.clone()));
        Ok(Self {
            shutdown,
            task,
            ended: false,
        })
    }
}

fn serve<I, IO>(coordinator: &Coordinator, incoming: I) -> JoinHandle<()>
where
    I: futures::Stream<Item = std::io::Result<IO>> + Send + 'static,
    IO: tokio::io::AsyncRead
        + tokio::io::AsyncWrite
        + tonic::transport::server::Connected
        + Unpin
        + Send
        + 'static,
{
    let coordinator = coordinator.clone();
    tokio::spawn(async move {
        if let Err(error) = coordinator.serve(incoming, CancellationToken::new()).await {
            tracing::error!("{}", chain(&error));
        }
    })
}

/// Where the owner of a data folder can be reached, if it lets others in.
pub(super) fn address(data: &Path) -> Option<OwnerAddress> {
    serde_json::from_slice(&std::fs::read(address_file(data)).ok()?).ok()
}

fn address_file(data: &Path) -> PathBuf {
    data.join("owner.json")
}

/// For [`Guests`]: publishes the address in one step, so that nobody reads half of it.
pub(super) fn publish(address: &OwnerAddress, file: &Path) -> std::io::Result<()> {
    let folder = file.parent().unwrap_or(Path::new("."));
    // A temporary file is readable by its user only.
    let mut fresh = tempfile::NamedTempFile::new_in(folder)?;
    serde_json::to_writer(&mut fresh, address).map_err(std::io::Error::from)?;
    fresh.persist(file).map_err(|error| error.error)?;
    Ok(())
}

/// Listens for other processes.
pub(super) fn listen(data: &Path, works: bool) -> std::io::Result<(os::OwnerListener, OwnerAddress)> {
    os::listen_as_owner(data, works)
}
