//! What differs between operating systems: how a person or a service manager asks the program to end, and how
//! a folder's entries get on disk.

use std::io;
use std::path::Path;

/// Puts the entries of a folder on disk: a new or renamed file is only safe after this.
#[cfg(unix)]
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    std::fs::File::open(folder)?.sync_all()
}

/// Windows has no such call for folders; NTFS keeps its entries in a journal (from memory).
#[cfg(windows)]
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    std::fs::metadata(folder).map(|_| ())
}

/// Completes when the process is asked to end: Ctrl-C, and SIGTERM where it exists.
#[cfg(unix)]
pub async fn end_requested() -> io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    Ok(())
}

/// Completes when the process is asked to end: Ctrl-C, Ctrl-Break, or the closing of its console.
#[cfg(windows)]
pub async fn end_requested() -> io::Result<()> {
    use tokio::signal::windows::{ctrl_break, ctrl_c, ctrl_close};
    let (mut interrupt, mut stop, mut close) = (ctrl_c()?, ctrl_break()?, ctrl_close()?);
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = stop.recv() => {}
        _ = close.recv() => {}
    }
    Ok(())
}
