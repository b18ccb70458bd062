//! The Windows side.

use std::fs::Metadata;
use std::io;
use std::os::windows::fs::MetadataExt as _;
use std::path::Path;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::signal::windows::{CtrlBreak, CtrlC, CtrlClose, ctrl_break, ctrl_c, ctrl_close};
use tokio::time::{Duration, timeout};

use super::{FileIdentity, OwnerAddress};

/// A connection between a process and the owner of its data folder.
pub type OwnerStream = TcpStream;

/// A caller that does not say the token within this time is sent away.
const TOKEN_LIMIT: Duration = Duration::from_secs(2);

/// Takes connections of other processes of the same user, on a loopback port.
///
/// Anybody on the machine can connect to a port, so a caller must first send a token that stands in a file of
/// the data folder, which only its user can read.
#[derive(Debug)]
pub struct OwnerListener {
    listener: TcpListener,
    token: String,
}

/// Listens on a free loopback port.
pub fn listen_as_owner(_data: &Path, works: bool) -> io::Result<(OwnerListener, OwnerAddress)> {
    let listener = std::net::TcpListener::bind(("127.0.0.1", 0))?;
    listener.set_nonblocking(true)?;
    let token = format!(
        "{}{}",
        uuid::Uuid::new_v4().simple(),
        uuid::Uuid::new_v4().simple()
    );
    let address = OwnerAddress {
        process: std::process::id(),
        works,
        address: listener.local_addr()?.to_string(),
        token: token.clone(),
    };
    Ok((
        OwnerListener {
            listener: TcpListener::from_std(listener)?,
            token,
        },
        address,
    ))
}

impl OwnerListener {
    /// The next connection that knows the token.
    pub async fn accept(&self) -> io::Result<OwnerStream> {
        loop {
            let (mut stream, _) = self.listener.accept().await?;
            let mut said = vec![0; self.token.len()];
            let read = timeout(TOKEN_LIMIT, stream.read_exact(&mut said)).await;
            // Compared by digest, so that the time it takes says nothing about the token.
            if matches!(read, Ok(Ok(_))) && blake3::hash(&said) == blake3::hash(self.token.as_bytes()) {
                return Ok(stream);
            }
        }
    }
}

/// Connects to the owner of a data folder.
pub async fn connect_owner(address: &OwnerAddress) -> io::Result<OwnerStream> {
    let mut stream = TcpStream::connect(&address.address).await?;
    stream.write_all(address.token.as_bytes()).await?;
    Ok(stream)
}

/// What tells a changed file beside size and time.
pub fn file_identity(metadata: &Metadata) -> FileIdentity {
    // FILETIME counts 100 ns; its origin does not matter for a comparison.
    let changed_ns = i64::try_from(metadata.creation_time())
        .unwrap_or(0)
        .saturating_mul(100);
    FileIdentity {
        number: 0,
        changed_ns,
    }
}

/// Requests of a person or the system that this process ends: Ctrl-C, Ctrl-Break, and a closed console.
#[derive(Debug)]
pub struct EndRequests {
    interrupt: CtrlC,
    stop: CtrlBreak,
    close: CtrlClose,
}

impl EndRequests {
    /// From now on these requests no longer end the process by themselves.
    pub fn take_over() -> io::Result<Self> {
        Ok(Self {
            interrupt: ctrl_c()?,
            stop: ctrl_break()?,
            close: ctrl_close()?,
        })
    }

    /// The next request.
    pub async fn next(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.stop.recv() => {}
            _ = self.close.recv() => {}
        }
    }
}

pub(super) fn program_names(name: &str) -> Vec<String> {
    let extensions = std::env::var("PATHEXT").unwrap_or_else(|_| ".COM;.EXE".to_owned());
    // A batch file needs a shell, and items run without one.
    let runnable = extensions
        .split(';')
        .filter(|end| end.eq_ignore_ascii_case(".exe") || end.eq_ignore_ascii_case(".com"));
    std::iter::once(name.to_owned())
        .chain(runnable.map(|end| format!("{name}{end}")))
        .collect()
}

pub(super) fn is_program(path: &Path) -> bool {
    let named = path
        .extension()
        .is_some_and(|end| end.eq_ignore_ascii_case("exe") || end.eq_ignore_ascii_case("com"));
    named && path.is_file()
}

pub(super) fn make_executable(_file: &std::fs::File) -> io::Result<()> {
    Ok(())
}

pub(super) fn make_private_folder(folder: &Path) -> io::Result<()> {
    // Folders below the user's profile are private by inheritance.
    std::fs::create_dir_all(folder)
}
