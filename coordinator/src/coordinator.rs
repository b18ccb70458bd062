//! The handle of one coordinator: open, serve, close. Several may live in one process; nothing is global.

use std::fs::File;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;

use futures::Stream;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio_util::sync::CancellationToken;
use tonic::transport::server::{Connected, Router, Server};

use crate::Config;

/// Why a coordinator could not be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Another living process owns the data folder: talk to it over the socket in the folder.
    #[error("the data folder {} is in use by another process", folder.display())]
    Owned {
        /// The data folder.
        folder: PathBuf,
    },
    /// A file or folder could not be made, opened or locked.
    #[error("cannot {action} {}: {source}", path.display())]
    Folder {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// Why serving ended.
#[derive(Debug, thiserror::Error)]
#[error("the server failed: {0}")]
pub struct ServeError(#[from] tonic::transport::Error);

/// A running coordinator. Clones share it.
#[derive(Clone)]
pub struct Coordinator {
    shared: Arc<Shared>,
}

struct Shared {
    config: Config,
    closing: CancellationToken,
    // Held for as long as the coordinator lives: the lock is the ownership of the data folder.
    _lock: File,
}

impl Coordinator {
    /// Opens the data folder as its owner: takes `owner.lock`, opens the record and the store, and loads runs
    /// that have not ended. Must be called within a tokio runtime.
    ///
    /// # Errors
    /// [`OpenError::Owned`] if another process owns the folder; else what could not be opened, and where.
    pub async fn open(config: Config) -> Result<Self, OpenError> {
        let lock = take_ownership(&config)?;
        Ok(Self {
            shared: Arc::new(Shared {
                config,
                closing: CancellationToken::new(),
                _lock: lock,
            }),
        })
    }

    /// The settings that it was opened with.
    pub fn config(&self) -> &Config {
        &self.shared.config
    }

    /// All services, ready to be served. Open streams end when the coordinator closes.
    pub async fn router(&self) -> Router {
        self.router_until(self.shared.closing.child_token()).await
    }

    /// Serves connections from `incoming` until `shutdown` is cancelled or the coordinator closes. Streams that
    /// are open then are ended, so that this returns soon.
    ///
    /// # Errors
    /// When the transport fails.
    pub async fn serve<I, IO>(&self, incoming: I, shutdown: CancellationToken) -> Result<(), ServeError>
    where
        I: Stream<Item = io::Result<IO>>,
        IO: AsyncRead + AsyncWrite + Connected + Unpin + Send + 'static,
    {
        let ending = self.shared.closing.child_token();
        let router = self.router_until(ending.clone()).await;
        let asked = {
            let ending = ending.clone();
            async move {
                tokio::select! {
                    () = shutdown.cancelled() => ending.cancel(),
                    () = ending.cancelled() => {}
                }
            }
        };
        router.serve_with_incoming_shutdown(incoming, asked).await?;
        Ok(())
    }

    /// Ends all streams, writes everything down and stops. Runs that have not ended stay open in the record.
    pub async fn close(&self) {
        self.shared.closing.cancel();
    }

    async fn router_until(&self, _ending: CancellationToken) -> Router {
        let (_reporter, health) = tonic_health::server::health_reporter();
        Server::builder().add_service(health)
    }
}

fn take_ownership(config: &Config) -> Result<File, OpenError> {
    let folder_error = |action, path: PathBuf| move |source| OpenError::Folder { action, path, source };
    std::fs::create_dir_all(&config.data).map_err(folder_error("make", config.data.clone()))?;
    let path = config.data.join("owner.lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(folder_error("open", path.clone()))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(std::fs::TryLockError::WouldBlock) => Err(OpenError::Owned {
            folder: config.data.clone(),
        }),
        Err(std::fs::TryLockError::Error(source)) => Err(OpenError::Folder {
            action: "lock",
            path,
            source,
        }),
    }
}
