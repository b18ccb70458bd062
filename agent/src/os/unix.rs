//! What Linux and macOS share.

use std::ffi::{OsStr, OsString};
use std::fs::{self, Metadata, Permissions};
use std::io;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use super::{Exit, Usage};

/// Makes the program a process group of its own.
pub(crate) fn own_group(command: &mut Command) {
    command.process_group(0);
}

/// Starts a program that gives way to all others.
pub(crate) fn spawn_lowest(command: &mut Command) -> io::Result<std::process::Child> {
    let child = command.spawn()?;
    let pid = i32::try_from(child.id())
        .ok()
        .and_then(rustix::process::Pid::from_raw);
    // A system that does not allow it runs the program as any other.
    let _ = rustix::process::setpriority_process(pid, 19);
    Ok(child)
}

/// The bytes of `text` for a frame.
pub(crate) fn text_bytes(text: &OsStr) -> Vec<u8> {
    text.as_bytes().to_vec()
}

/// Text from the bytes of a frame.
#[allow(clippy::unnecessary_wraps, reason = "on Windows not all bytes are text")]
pub(crate) fn text_from_bytes(bytes: &[u8]) -> Option<OsString> {
    Some(OsString::from_vec(bytes.to_vec()))
}

/// Whether a file can be run.
pub(crate) fn is_program(_path: &Path, metadata: &Metadata) -> bool {
    metadata.is_file() && metadata.mode() & 0o111 != 0
}

/// Makes a file that a program left behind readable and writable for us, whatever it had set.
pub(crate) fn make_readable(path: &Path, metadata: &Metadata) -> io::Result<()> {
    let wanted = if metadata.is_dir() { 0o700 } else { 0o600 };
    if metadata.mode() & wanted == wanted {
        return Ok(());
    }
    fs::set_permissions(path, Permissions::from_mode(metadata.mode() & 0o777 | wanted))
}

/// Gives a file the permissions of a new one, whatever a program has done to them. Returns its length in bytes.
pub(crate) fn make_plain(path: &Path) -> io::Result<u64> {
    let metadata = fs::symlink_metadata(path)?;
    // Looking costs less than changing, and most programs change nothing.
    if metadata.mode() & 0o7777 != 0o644 {
        fs::set_permissions(path, Permissions::from_mode(0o644))?;
    }
    Ok(metadata.len())
}

/// Whether a file can be reached under another name too (a hard link).
pub(crate) fn has_other_names(metadata: &Metadata) -> bool {
    metadata.nlink() > 1
}

/// What every program's environment holds beside what the item asks for.
pub(crate) fn base_environment(home: &Path) -> Vec<(OsString, OsString)> {
    let home = home.as_os_str();
    vec![
        (
            "PATH".into(),
            std::env::var_os("PATH").unwrap_or_else(|| "/usr/local/bin:/usr/bin:/bin".into()),
        ),
        ("HOME".into(), home.into()),
        ("TMPDIR".into(), home.into()),
        ("LANG".into(), "C.UTF-8".into()),
    ]
}

/// File names under which a program may stand in a folder.
pub(crate) fn program_file_names(program: &str) -> Vec<OsString> {
    vec![program.into()]
}

/// Waits for SIGTERM or Ctrl-C.
pub(crate) async fn end_signal() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::terminate()) {
        Ok(mut terminate) => {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
        }
        Err(_) => {
            let _ = tokio::signal::ctrl_c().await;
        }
    }
}

/// Processor time that this process itself has used, in ms.
pub(crate) fn own_cpu_ms() -> u64 {
    // SAFETY: rusage is plain numbers, for which all zeroes is a value.
    let mut usage: libc::rusage = unsafe { std::mem::zeroed() };
    // SAFETY: the pointer is to a live rusage.
    if unsafe { libc::getrusage(libc::RUSAGE_SELF, &raw mut usage) } != 0 {
        return 0;
    }
    u64::try_from((duration(usage.ru_utime) + duration(usage.ru_stime)).as_millis()).unwrap_or(u64::MAX)
}

/// What a wait found.
pub(super) enum Reaped {
    /// There is no child at all.
    NoChildren,
    /// None of them has ended.
    AllLive,
    One(i32, Exit),
}

/// Collects one ended child of this process (any if `pid` is -1).
pub(super) fn reap(pid: i32, wait: bool) -> Reaped {
    let mut status = 0;
    // SAFETY: rusage is plain numbers, for which all zeroes is a value.
    let mut usage: libc::rusage = unsafe { std::mem::zeroed() };
    let flags = if wait { 0 } else { libc::WNOHANG };
    loop {
        // SAFETY: both pointers are to live values of the right type.
        let found = unsafe { libc::wait4(pid, &raw mut status, flags, &raw mut usage) };
        if found > 0 {
            let code = libc::WIFEXITED(status).then(|| libc::WEXITSTATUS(status));
            let signal = if libc::WIFSIGNALED(status) {
                libc::WTERMSIG(status)
            } else {
                0
            };
            return Reaped::One(
                found,
                Exit {
                    code,
                    signal,
                    usage: convert(&usage),
                },
            );
        }
        if found == 0 {
            return Reaped::AllLive;
        }
        if io::Error::last_os_error().kind() != io::ErrorKind::Interrupted {
            return Reaped::NoChildren;
        }
    }
}

/// Sends `signal` to a process, or to a group if `pid` is negative. One that is gone is no error.
pub(super) fn send(pid: i32, signal: i32) {
    // SAFETY: kill takes plain numbers.
    unsafe { libc::kill(pid, signal) };
}

/// Waits for a child with its resources.
#[cfg(any(not(target_os = "linux"), test))]
#[allow(
    clippy::needless_pass_by_value,
    reason = "nobody may use the number once it was waited for"
)]
pub(super) fn wait_for_exit(child: std::process::Child) -> Exit {
    match reap(child.id().cast_signed(), true) {
        Reaped::One(_, exit) => exit,
        // Somebody else has waited for it, and how it ended is lost.
        Reaped::NoChildren | Reaped::AllLive => Exit {
            code: Some(-1),
            ..Exit::default()
        },
    }
}

/// Whether any process of a group is there, zombies included.
#[cfg(any(not(target_os = "linux"), test))]
pub(super) fn group_lives(pid: u32) -> bool {
    match i32::try_from(pid) {
        // SAFETY: kill takes plain numbers; signal 0 only asks.
        Ok(pid @ 2..) => unsafe { libc::kill(-pid, 0) == 0 },
        _ => false,
    }
}

fn convert(usage: &libc::rusage) -> Usage {
    // Linux counts in KiB, macOS in bytes (their manual pages of getrusage).
    let unit = if cfg!(target_os = "macos") { 1 } else { 1024 };
    Usage {
        user: duration(usage.ru_utime),
        system: duration(usage.ru_stime),
        peak_memory_bytes: u64::try_from(usage.ru_maxrss).unwrap_or(0) * unit,
    }
}

fn duration(time: libc::timeval) -> Duration {
    let seconds = u64::try_from(time.tv_sec).unwrap_or(0);
    let micros = u64::try_from(time.tv_usec).unwrap_or(0);
    Duration::from_secs(seconds) + Duration::from_micros(micros)
}
