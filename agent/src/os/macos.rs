//! macOS: what differs from Linux beside the launcher's view (`portable`). Written from the manual pages of
//! kill(2) and signal(3); not yet compiled there.

use std::io;

use super::unix::send;

/// macOS has no signal for a parent's death; the launcher's input, which closes then, is the guard.
pub(crate) fn guard_launcher() -> io::Result<()> {
    Ok(())
}

/// Ends a process group.
pub(crate) fn end_group(pid: u32) {
    if let Ok(pid @ 2..) = i32::try_from(pid) {
        send(-pid, libc::SIGKILL);
    }
}
