//! The handle of one coordinator: open, serve, close. Several may live in one process; nothing is global.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use futures::Stream;
use tidemill_proto::MAX_MESSAGE_BYTES;
use tidemill_proto::v1::agents_server::AgentsServer;
use tidemill_proto::v1::blobs_server::BlobsServer;
use tidemill_proto::v1::forecasts_server::ForecastsServer;
use tidemill_proto::v1::looks_server::LooksServer;
use tidemill_proto::v1::members_server::MembersServer;
use tidemill_proto::v1::pictures_server::PicturesServer;
use tidemill_proto::v1::runs_server::RunsServer;
use tidemill_proto::v1::upkeep_server::UpkeepServer;
use tidemill_store::backend::Address;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::server::{Connected, Router, Server};

use crate::Config;
use crate::engine::event::Event;
use crate::engine::{self, EngineHandle, OpenArchiveError};
use crate::identity::tls::{self, Shown};
use crate::identity::{Admission, Area, Identity, IdentityError};
use crate::looks::drawer::Drawer;
use crate::looks::eager;
use crate::looks::queue::Queue;
use crate::query::archive::Archive;
use crate::query::catalog::Catalog;
use crate::query::keeper;
use crate::services::agents::AgentsService;
use crate::services::blobs::BlobsService;
use crate::services::forecasts::ForecastsService;
use crate::services::looks::LooksService;
use crate::services::members::MembersService;
use crate::services::runs::RunsService;
use crate::services::upkeep::UpkeepService;
use crate::upkeep::{neighbours, rounds};

/// Bytes that a sender may be ahead of us, for one call and for all of a connection: a few chunks of a blob.
const STREAM_WINDOW_BYTES: u32 = 2 * 1024 * 1024;
const CONNECTION_WINDOW_BYTES: u32 = 8 * 1024 * 1024;

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
    /// Another living coordinator commits to the store's folder.
    #[error("the store in {} is in use by another coordinator; a store that several use is named as share:{} by all of them", folder.display(), folder.display())]
    StoreOwned {
        /// The store's folder.
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
    /// The record or the store could not be opened.
    #[error(transparent)]
    Archive(#[from] OpenArchiveError),
    /// The system gave no thread.
    #[error("cannot start: {0}")]
    Thread(io::Error),
}

/// Why serving ended.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    /// The transport failed.
    #[error("the server failed: {0}")]
    Transport(#[from] tonic::transport::Error),
    /// Its certificates cannot be used.
    #[error(transparent)]
    Identity(#[from] IdentityError),
}

/// In the data folder: where the store is, if it is elsewhere.
const STORE_AT: &str = "store-at";

/// A running coordinator. Clones share it.
#[derive(Clone)]
pub struct Coordinator {
    shared: Arc<Shared>,
}

struct Shared {
    config: Config,
    engine: EngineHandle,
    wishes: Arc<Queue>,
    catalog: Arc<Catalog>,
    archive: Mutex<Option<Archive>>,
    closing: CancellationToken,
    // Awaited before the record is closed, which it reads.
    rounds: Mutex<Option<tokio::task::JoinHandle<()>>>,
    // Held for as long as the coordinator lives.
    lock: Mutex<Option<Ownership>>,
}

impl Coordinator {
    /// Opens the data folder as its owner: takes `owner.lock`, opens the record and the store, and loads runs
    /// that have not ended. Must be called within a tokio runtime.
    ///
    /// # Errors
    /// [`OpenError::Owned`] if another process owns the folder; else what could not be opened, and where.
    pub async fn open(config: Config) -> Result<Self, OpenError> {
        let settings = config.clone();
        let opening = tokio::task::spawn_blocking(move || {
            let lock = take_ownership(&settings)?;
            let opened = engine::open_archive(&settings)?;
            note_store(&settings).map_err(|source| OpenError::Folder {
                action: "write",
                path: settings.data.join(STORE_AT),
                source,
            })?;
            let archive = opened.archive.clone();
            let engine = engine::start(settings, opened).map_err(OpenError::Thread)?;
            Ok::<_, OpenError>((lock, archive, engine))
        });
        let (lock, archive, engine) = opening
            .await
            .map_err(|error| OpenError::Thread(io::Error::other(error)))??;
        let coordinator = Self {
            shared: Arc::new(Shared {
                config,
                engine,
                wishes: Arc::default(),
                catalog: Arc::default(),
                archive: Mutex::new(Some(archive.clone())),
                closing: CancellationToken::new(),
                rounds: Mutex::new(None),
                lock: Mutex::new(Some(lock)),
            }),
        };
        let shared = &coordinator.shared;
        let drawer = Drawer::below(&shared.config.data);
        let ahead = eager::look(
            Arc::clone(&shared.engine.live),
            drawer,
            Arc::clone(&shared.wishes),
            shared.closing.child_token(),
        );
        tokio::spawn(ahead);
        tokio::spawn(neighbours::keep_company(
            archive.clone(),
            shared.closing.child_token(),
        ));
        if let Some(rate) = shared.config.verify_rate {
            let rounds = rounds::make_rounds(
                archive.clone(),
                shared.engine.clone(),
                rate,
                shared.closing.child_token(),
            );
            *self::lock(&shared.rounds) = Some(tokio::spawn(rounds));
        }
        tokio::spawn(keeper::keep(
            archive,
            Arc::clone(&shared.catalog),
            Arc::clone(&shared.engine.live),
            keeper::EVERY,
            shared.closing.child_token(),
        ));
        Ok(coordinator)
    }

    /// A coordinator for simulations: engine and services as ever, but as tasks of the runtime at hand, with a record that
    /// the caller keeps, and a disk that takes `sync` by that runtime's clock. Nothing locks the data folder, and no
    /// side work is done. Dropping the runtime is what a power cut is to a machine.
    ///
    /// # Errors
    /// As [`Coordinator::open`].
    pub fn open_simulated(
        config: Config,
        record: Arc<dyn crate::record::Record>,
        sync: std::time::Duration,
    ) -> Result<Self, OpenError> {
        let opened = engine::open_with(&config, record)?;
        let archive = opened.archive.clone();
        let engine = engine::start_simulated(config.clone(), opened, sync);
        Ok(Self {
            shared: Arc::new(Shared {
                config,
                engine,
                wishes: Arc::default(),
                catalog: Arc::default(),
                archive: Mutex::new(Some(archive)),
                closing: CancellationToken::new(),
                rounds: Mutex::new(None),
                lock: Mutex::new(None),
            }),
        })
    }

    /// The settings that it was opened with.
    pub fn config(&self) -> &Config {
        &self.shared.config
    }

    /// All services, ready to be served. Open streams end when the coordinator closes.
    pub async fn router(&self) -> Router {
        let server = self.server();
        self.router_until(server, self.shared.closing.child_token(), None)
            .await
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
        self.serve_to(incoming, None, shutdown).await
    }

    /// As [`Coordinator::serve`], over TLS, and to members only. Whoever has an invitation can become one.
    ///
    /// # Errors
    /// When the certificates cannot be used, or the transport fails.
    pub async fn serve_members<I>(
        &self,
        incoming: I,
        identity: Arc<Identity>,
        shutdown: CancellationToken,
    ) -> Result<(), ServeError>
    where
        // Of other kinds of connections the certificates would not be found again.
        I: Stream<Item = io::Result<TcpStream>>,
    {
        let shown = Arc::new(Shown::of(&identity)?);
        let acceptor = tls::acceptor(&identity, Arc::clone(&shown))?;
        let ending = self.shared.closing.child_token();
        let fresh = tokio::spawn(tls::keep_fresh(
            identity.folder().to_owned(),
            shown,
            ending.clone(),
        ));
        let shaken = Box::pin(tls::handshakes(incoming, acceptor));
        let served = self.serve_to(shaken, Some(identity), shutdown).await;
        ending.cancel();
        // Told already, had it panicked.
        let _ = fresh.await;
        served
    }

    async fn serve_to<I, IO>(
        &self,
        incoming: I,
        identity: Option<Arc<Identity>>,
        shutdown: CancellationToken,
    ) -> Result<(), ServeError>
    where
        I: Stream<Item = io::Result<IO>>,
        IO: AsyncRead + AsyncWrite + Connected + Unpin + Send + 'static,
    {
        let ending = self.shared.closing.child_token();
        let server = self.server();
        let router = self.router_until(server, ending.clone(), identity).await;
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

    /// Whether the record failed, on a full disk for instance: nothing can be acknowledged any more until the data folder is
    /// opened anew.
    pub fn record_has_failed(&self) -> bool {
        let archive = lock(&self.shared.archive);
        archive
            .as_ref()
            .is_some_and(|archive| archive.record.has_failed())
    }

    /// Ends all streams, writes everything down and gives the data folder free. Runs that have not ended stay
    /// open in the record. Calling it again does nothing.
    pub async fn close(&self) {
        self.shared.closing.cancel();
        let rounds = lock(&self.shared.rounds).take();
        if let Some(rounds) = rounds {
            // Told already, had it panicked.
            let _ = rounds.await;
        }
        let (done, closed) = oneshot::channel();
        if self.shared.engine.send(Event::Close(done)).await.is_ok() {
            // An error means that the engine ended without answering: then it is closed as well.
            let _ = closed.await;
        }
        let archive = lock(&self.shared.archive).take();
        if let Some(archive) = archive {
            let left = tokio::task::spawn_blocking(move || neighbours::take_leave(&archive)).await;
            if let Ok(Err(error)) = left {
                tracing::warn!(%error, "other coordinators of the store do not know what is kept here; they cannot sweep it");
            }
        }
        drop(lock(&self.shared.lock).take());
    }

    /// Pictures and sign-off for one server; the wishes of all servers wait in one queue.
    fn looks(&self, archive: Archive, ending: CancellationToken) -> LooksService {
        let drawer = Drawer::below(&self.shared.config.data);
        let wishes = Arc::clone(&self.shared.wishes);
        let catalog = Arc::clone(&self.shared.catalog);
        LooksService::new(
            self.shared.engine.clone(),
            archive,
            catalog,
            drawer,
            wishes,
            ending,
        )
    }

    fn server(&self) -> Server {
        let silence = self.shared.config.silence_limit;
        Server::builder()
            .http2_keepalive_interval(Some(silence / 3))
            .http2_keepalive_timeout(Some(silence - silence / 3))
            .initial_stream_window_size(STREAM_WINDOW_BYTES)
            .initial_connection_window_size(CONNECTION_WINDOW_BYTES)
    }

    async fn router_until(
        &self,
        mut server: Server,
        ending: CancellationToken,
        identity: Option<Arc<Identity>>,
    ) -> Router {
        let (reporter, health) = tonic_health::server::health_reporter();
        let archive = lock(&self.shared.archive).clone();
        let Some(archive) = archive else {
            reporter
                .set_service_status("", tonic_health::ServingStatus::NotServing)
                .await;
            return server.add_service(health); // closed: nothing else is served
        };
        let engine = &self.shared.engine;
        let runs = RunsService::new(engine.clone(), archive.clone(), ending.clone());
        let looks = self.looks(archive.clone(), ending.clone());
        let upkeep = UpkeepServer::new(UpkeepService::new(
            archive.clone(),
            engine.clone(),
            ending.clone(),
        ));
        let forecasts = ForecastsService::new(engine.clone(), archive.clone());
        let forecasts = ForecastsServer::new(forecasts).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let blobs = BlobsService::new(archive.store, engine.clone());
        let agents = AgentsService::new(engine.clone(), ending);
        let pictures = PicturesServer::new(looks.clone()).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let looks = LooksServer::new(looks).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let runs = RunsServer::new(runs).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let blobs = BlobsServer::new(blobs).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let agents = AgentsServer::new(agents).max_decoding_message_size(MAX_MESSAGE_BYTES);
        let to = |area| Admission::of(area, identity.is_some());
        let members = identity
            .clone()
            .map(|identity| MembersServer::new(MembersService::new(identity)));
        server
            .add_service(health)
            .add_service(InterceptedService::new(runs, to(Area::Runs)))
            .add_service(InterceptedService::new(looks, to(Area::Runs)))
            .add_service(InterceptedService::new(upkeep, to(Area::Runs)))
            .add_service(InterceptedService::new(forecasts, to(Area::Runs)))
            .add_service(InterceptedService::new(pictures, to(Area::Blobs)))
            .add_service(InterceptedService::new(blobs, to(Area::Blobs)))
            .add_service(InterceptedService::new(agents, to(Area::Agents)))
            .add_optional_service(members)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Only whole values are put in and taken out.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The locks of a data folder and of a store's folder: whoever holds them owns both.
pub(crate) struct Ownership {
    _locks: Vec<File>,
}

/// Takes the data folder, and the store's folder if only one coordinator may use it.
pub(crate) fn take_ownership(config: &Config) -> Result<Ownership, OpenError> {
    let data = take_folder(&config.data, |folder| OpenError::Owned { folder })?;
    let mut locks = vec![data];
    if let Address::Folder(folder) = &config.store {
        locks.push(take_folder(folder, |folder| OpenError::StoreOwned { folder })?);
    }
    Ok(Ownership { _locks: locks })
}

/// Where the store of a data folder is, by the last coordinator that was opened on it: the file `store-at` in it, if the
/// store is not the folder `store`. For programs that work on a data folder while its coordinator does not run.
///
/// # Errors
/// When the file cannot be read, or holds no address.
pub fn store_of(data: &Path) -> io::Result<Address> {
    let path = data.join(STORE_AT);
    match std::fs::read_to_string(&path) {
        Ok(text) => text.trim().parse().map_err(|error| {
            io::Error::new(io::ErrorKind::InvalidData, format!("{}: {error}", path.display()))
        }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Address::Folder(data.join("store"))),
        Err(error) => Err(error),
    }
}

/// See [`store_of`].
fn note_store(config: &Config) -> io::Result<()> {
    let path = config.data.join(STORE_AT);
    if config.store == Address::Folder(config.data.join("store")) {
        return match std::fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        };
    }
    let address = match &config.store {
        Address::Folder(folder) => Address::Folder(std::path::absolute(folder)?),
        other => other.clone(),
    };
    let text = format!("{address}\n");
    if std::fs::read_to_string(&path).is_ok_and(|there| there == text) {
        return Ok(());
    }
    // Whole or not at all, also when this process is killed.
    let part = config.data.join(format!("{STORE_AT}.part"));
    std::fs::write(&part, text)?;
    File::open(&part)?.sync_all()?;
    std::fs::rename(&part, &path)
}

fn take_folder(folder: &Path, owned: impl FnOnce(PathBuf) -> OpenError) -> Result<File, OpenError> {
    let folder_error = |action, path: PathBuf| move |source| OpenError::Folder { action, path, source };
    std::fs::create_dir_all(folder).map_err(folder_error("make", folder.to_owned()))?;
    let path = folder.join("owner.lock");
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(folder_error("open", path.clone()))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(std::fs::TryLockError::WouldBlock) => Err(owned(folder.to_owned())),
        Err(std::fs::TryLockError::Error(source)) => Err(OpenError::Folder {
            action: "lock",
            path,
            source,
        }),
    }
}
