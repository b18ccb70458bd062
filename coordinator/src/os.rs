//! What differs between operating systems: how a person or a service manager asks the program to end, how a
//! folder's entries get on disk, and how freed memory goes back to the system.

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

/// Makes a folder that only its user can read, and what is above it.
#[cfg(unix)]
pub fn make_private_folder(folder: &Path) -> io::Result<()> {
    use std::os::unix::fs::DirBuilderExt as _;
    if let Some(above) = folder.parent() {
        std::fs::create_dir_all(above)?;
    }
    match std::fs::DirBuilder::new().mode(0o700).create(folder) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => Ok(()),
        result => result,
    }
}

/// Makes a folder; below a user's or a service's own profile it is private by inheritance (from memory).
#[cfg(windows)]
pub fn make_private_folder(folder: &Path) -> io::Result<()> {
    std::fs::create_dir_all(folder)
}

/// From this call on, being asked to end (Ctrl-C, and SIGTERM) no longer ends the process by itself; the future
/// completes when that happens. Must be called within a tokio runtime.
///
/// # Errors
/// When the system refuses.
#[cfg(unix)]
pub fn end_requests() -> io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}

/// From this call on, being asked to end (Ctrl-C, Ctrl-Break, a closed console) no longer ends the process by
/// itself; the future completes when that happens. Must be called within a tokio runtime.
///
/// # Errors
/// When the system refuses.
#[cfg(windows)]
pub fn end_requests() -> io::Result<impl Future<Output = ()>> {
    use tokio::signal::windows::{ctrl_break, ctrl_c, ctrl_close};
    let (mut interrupt, mut stop, mut close) = (ctrl_c()?, ctrl_break()?, ctrl_close()?);
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = stop.recv() => {}
            _ = close.recv() => {}
        }
    })
}

/// Gives freed memory back to the system. A large plan takes several times its size while it is read and checked,
/// and the allocator of glibc keeps that for ever unless it is asked (from its manual, `malloc_trim`).
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub fn give_memory_back() {
    // SAFETY: takes no pointers and may be called at any time from any thread.
    unsafe {
        libc::malloc_trim(0);
    }
}

/// Other allocators give memory back by themselves.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub fn give_memory_back() {}

/// Keeps the allocator to two arenas. glibc gives nearly every thread one of its own, and what a plan leaves free in
/// one of them no other thread uses: a fifth to a third of the memory of a coordinator with many items. To be called
/// before threads are started.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub fn keep_memory_together() {
    // SAFETY: takes no pointers; no other thread runs yet.
    unsafe {
        libc::mallopt(libc::M_ARENA_MAX, 2);
    }
}

/// Other allocators have no such setting.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub fn keep_memory_together() {}
