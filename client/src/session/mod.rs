//! A conversation with a coordinator: the own one in this process, the one of another process that owns the
//! same data folder, or a studio's. Whichever it is, commands see the same calls.

mod guests;
mod owner;
mod pipe;
mod studio;

use std::path::Path;
use std::time::{Duration, Instant};

use hyper_util::rt::TokioIo;
use tidemill_coordinator::{Config, Coordinator, OpenError, store_of};
use tonic::transport::Endpoint;

use crate::failure::{Failure, chain, io_words};
use crate::os::{self, OwnerAddress};
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::settings::{Place, Settings};

use owner::Owner;
pub(crate) use studio::failure as reach_failure;

/// What a command wants a coordinator for. It matters only when this process becomes the owner of the data folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// A few questions; nobody else waits long for the folder.
    Ask,
    /// Questions that an agent must help to answer: which exact versions programs have.
    AskWithAgent,
    /// Long reading: others are let in meanwhile.
    Read,
    /// Running items: with an agent, and others are let in.
    Work,
}

impl Purpose {
    fn has_agent(self) -> bool {
        matches!(self, Self::AskWithAgent | Self::Work)
    }

    fn lets_others_in(self) -> bool {
        matches!(self, Self::Read | Self::Work)
    }
}

/// How long to wait for a folder whose owner lets nobody in, or is just starting or ending.
const OWNER_WAIT: Duration = Duration::from_secs(30);

/// An open conversation. Must be ended with [`Session::close`].
pub struct Session {
    /// The calls.
    pub rpc: Rpc,
    role: Role,
}

enum Role {
    Owner(Box<Owner>),
    /// Another process owns the data folder.
    Guest,
    Studio,
}

impl Session {
    /// Finds or opens the coordinator.
    pub async fn open(settings: &Settings, purpose: Purpose, printer: &Printer) -> Result<Self, Failure> {
        let session = match &settings.place {
            Place::Studio(address) => Self {
                rpc: studio::connect(address, &settings.data).await?,
                role: Role::Studio,
            },
            Place::Own => Self::open_folder(&settings.data, purpose, printer).await?,
        };
        if matches!(session.role, Role::Guest) {
            session.rpc.about().await?;
        }
        Ok(session)
    }

    async fn open_folder(data: &Path, purpose: Purpose, printer: &Printer) -> Result<Self, Failure> {
        os::make_private_folder(data).map_err(|error| unusable(data, &io_words(&error)))?;
        let begun = Instant::now();
        let mut told = false;
        loop {
            let store = store_of(data).map_err(|error| unusable(data, &io_words(&error)))?;
            let config = Config {
                store,
                ..Config::embedded(data)
            };
            match Coordinator::open(config).await {
                Ok(coordinator) => {
                    let (owner, rpc) = Owner::start(coordinator, data, purpose).await?;
                    return Ok(Self {
                        rpc,
                        role: Role::Owner(Box::new(owner)),
                    });
                }
                Err(OpenError::Owned { .. }) => {}
                Err(error) => return Err(unusable(data, &chain(&error))),
            }
            let address = owner::address(data);
            if let Some(address) = address
                .as_ref()
                .filter(|address| address.works || purpose != Purpose::Work)
                && let Some(rpc) = guest(address).await
            {
                printer.detail(format_args!(
                    "using the process {} that owns {}",
                    address.process,
                    data.display()
                ));
                return Ok(Self {
                    rpc,
                    role: Role::Guest,
                });
            }
            if begun.elapsed() > OWNER_WAIT {
                let who =
                    address.map_or_else(String::new, |address| format!(" (process {})", address.process));
                return Err(unusable(data, &format!("another process{who} uses it"))
                    .hint("wait for it to end, or use another folder: `--data DIR`"));
            }
            if !told && begun.elapsed() > Duration::from_secs(1) {
                printer.note(format_args!(
                    "waiting for another process to let go of {}",
                    data.display()
                ));
                told = true;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// The coordinator is a studio's: it goes on without this process.
    pub fn is_studio(&self) -> bool {
        matches!(self.role, Role::Studio)
    }

    /// The own agent gave up, and why. Never completes where there is none.
    pub async fn agent_gave_up(&mut self) -> Failure {
        match &mut self.role {
            Role::Owner(owner) => owner.agent_gave_up().await,
            _ => std::future::pending().await,
        }
    }

    /// Waits until the own agent has joined, so that questions about programs can be answered.
    pub async fn agent_joined(&mut self) -> Result<(), Failure> {
        if !matches!(&self.role, Role::Owner(owner) if owner.has_agent()) {
            return Ok(());
        }
        let rpc = self.rpc.clone();
        let joined = async {
            while rpc.agents().await?.iter().all(|agent| agent.state == "away") {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
            Ok(())
        };
        tokio::select! {
            joined = joined => joined,
            failure = self.agent_gave_up() => Err(failure),
        }
    }

    /// Whether this process owns the coordinator, so that runs of other processes end with it.
    pub fn is_owner(&self) -> bool {
        matches!(self.role, Role::Owner(_))
    }

    /// Ends the conversation; an owner ends its agent and writes everything down.
    pub async fn close(self) {
        if let Role::Owner(owner) = self.role {
            owner.close().await;
        }
    }
}

async fn guest(address: &OwnerAddress) -> Option<Rpc> {
    let address = address.clone();
    let connector = tower::service_fn(move |_| {
        let address = address.clone();
        async move { os::connect_owner(&address).await.map(TokioIo::new) }
    });
    let endpoint = Endpoint::from_static("http://owner.invalid").connect_timeout(Duration::from_secs(5));
    endpoint
        .connect_with_connector(connector)
        .await
        .ok()
        .map(Rpc::over)
}

fn unusable(data: &Path, why: &str) -> Failure {
    Failure::unreachable(format!(
        "the data folder {} cannot be used: {why}",
        data.display()
    ))
}
