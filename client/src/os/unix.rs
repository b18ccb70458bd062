//! The Linux and macOS side.

use std::fs::Metadata;
use std::io;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use tokio::net::{UnixListener, UnixStream};
use tokio::signal::unix::{Signal, SignalKind, signal};

use super::{FileIdentity, OwnerAddress};

/// A connection between a process and the owner of its data folder.
pub type OwnerStream = UnixStream;

/// The longest path that a socket may have: 104 bytes on macOS, 108 on Linux, with a zero at the end.
const LONGEST_SOCKET_PATH_BYTES: usize = 103;

/// Takes connections of other processes of the same user; the socket is removed at the end.
#[derive(Debug)]
pub struct OwnerListener {
    listener: UnixListener,
    path: PathBuf,
}

/// Listens on `owner.sock` in the data folder, or, where that path is too long for a socket, on one in the
/// folder for temporary files. Must be called by the holder of the folder's lock: a socket that is there is of
/// a dead owner.
pub fn listen_as_owner(data: &Path, works: bool) -> io::Result<(OwnerListener, OwnerAddress)> {
    let mut path = data.join("owner.sock");
    if path.as_os_str().len() > LONGEST_SOCKET_PATH_BYTES {
        let name = blake3::hash(data.as_os_str().as_encoded_bytes()).to_hex();
        path = std::env::temp_dir().join(format!("tidemill-{}.sock", &name[..16]));
    }
    match std::fs::remove_file(&path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(&path)?;
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600))?;
    let address = OwnerAddress {
        process: std::process::id(),
        works,
        address: path.to_string_lossy().into_owned(),
        token: String::new(),
    };
    Ok((OwnerListener { listener, path }, address))
}

impl OwnerListener {
    /// The next connection.
    pub async fn accept(&self) -> io::Result<OwnerStream> {
        self.listener.accept().await.map(|(stream, _)| stream)
    }
}

impl Drop for OwnerListener {
    fn drop(&mut self) {
        // A socket that stays behind is removed by the next owner.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Connects to the owner of a data folder.
pub async fn connect_owner(address: &OwnerAddress) -> io::Result<OwnerStream> {
    UnixStream::connect(&address.address).await
}

/// What tells a changed file beside size and time.
pub fn file_identity(metadata: &Metadata) -> FileIdentity {
    let changed_ns = metadata
        .ctime()
        .saturating_mul(1_000_000_000)
        .saturating_add(metadata.ctime_nsec());
    FileIdentity {
        number: metadata.ino(),
        changed_ns,
    }
}

/// Requests of a person or the system that this process ends: Ctrl-C, SIGTERM, and a closed terminal.
#[derive(Debug)]
pub struct EndRequests {
    interrupt: Signal,
    terminate: Signal,
    hangup: Signal,
}

impl EndRequests {
    /// From now on these requests no longer end the process by themselves.
    pub fn take_over() -> io::Result<Self> {
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hangup: signal(SignalKind::hangup())?,
        })
    }

    /// The next request.
    pub async fn next(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
            _ = self.hangup.recv() => {}
        }
    }
}

pub(super) fn program_names(name: &str) -> Vec<String> {
    vec![name.to_owned()]
}

pub(super) fn is_program(path: &Path) -> bool {
    std::fs::metadata(path)
        .is_ok_and(|metadata| metadata.is_file() && metadata.permissions().mode() & 0o111 != 0)
}

pub(super) fn make_executable(file: &std::fs::File) -> io::Result<()> {
    let mode = file.metadata()?.permissions().mode();
    // Whoever may read may execute.
    file.set_permissions(std::fs::Permissions::from_mode(mode | (mode & 0o444) >> 2))
}

pub(super) fn make_private_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    if let Some(above) = folder.parent() {
        std::fs::create_dir_all(above)?;
    }
    match std::fs::DirBuilder::new().mode(0o700).create(folder) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => Ok(()),
        result => result,
    }
}
