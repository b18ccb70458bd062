//! Windows: what differs beside the launcher's view (`portable`). Written from the documentation of the
//! standard library and of `CreateProcess`; not yet compiled there.

use std::ffi::{OsStr, OsString};
use std::fs::{self, Metadata};
use std::io;
use std::os::windows::ffi::{OsStrExt, OsStringExt};
use std::os::windows::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command};

use super::{Exit, Usage};

/// `CREATE_NEW_PROCESS_GROUP` of the process creation flags: Ctrl-C at a console is for the agent alone.
const NEW_PROCESS_GROUP: u32 = 0x0000_0200;

/// The bytes of `text` for a frame: UTF-16 code units, little-endian.
pub(crate) fn text_bytes(text: &OsStr) -> Vec<u8> {
    text.encode_wide().flat_map(u16::to_le_bytes).collect()
}

/// Text from the bytes of a frame.
pub(crate) fn text_from_bytes(bytes: &[u8]) -> Option<OsString> {
    let units = bytes
        .chunks(2)
        .map(|pair| Some(u16::from_le_bytes([*pair.first()?, *pair.get(1)?])));
    Some(OsString::from_wide(&units.collect::<Option<Vec<u16>>>()?))
}

/// Makes the program a process group of its own.
pub(crate) fn own_group(command: &mut Command) {
    command.creation_flags(NEW_PROCESS_GROUP);
}

/// The launcher's input, which closes when the agent dies, is the guard.
pub(crate) fn guard_launcher() -> io::Result<()> {
    Ok(())
}

/// Groups are for consoles only; the tree of processes is ended one by one.
pub(crate) fn end_group(_pid: u32) {}

/// See [`end_group`].
pub(crate) fn group_lives(_pid: u32) -> bool {
    false
}

/// Waits for the first process. Its use of time and memory is what was sampled.
pub(crate) fn wait_for_exit(mut child: Child) -> Exit {
    let code = child.wait().ok().and_then(|status| status.code());
    Exit {
        code: Some(code.unwrap_or(-1)),
        signal: 0,
        usage: Usage::default(),
    }
}

/// Whether a file can be run: by its extension.
pub(crate) fn is_program(path: &Path, metadata: &Metadata) -> bool {
    let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
    metadata.is_file() && extension == "exe"
}

/// File names under which a program may stand in a folder.
pub(crate) fn program_file_names(program: &str) -> Vec<OsString> {
    vec![program.into(), format!("{program}.exe").into()]
}

/// Makes a file that a program left behind removable, whatever it had set.
pub(crate) fn make_readable(path: &Path, metadata: &Metadata) -> io::Result<()> {
    let mut permissions = metadata.permissions();
    if !permissions.readonly() {
        return Ok(());
    }
    permissions.set_readonly(false);
    fs::set_permissions(path, permissions)
}

/// Gives a file the permissions of a new one, whatever a program has done to them. Returns its length in bytes.
pub(crate) fn make_plain(path: &Path) -> io::Result<u64> {
    let metadata = fs::symlink_metadata(path)?;
    make_readable(path, &metadata)?;
    Ok(metadata.len())
}

/// The number of names is not to be had without a handle: a copy is always right.
pub(crate) fn has_other_names(_metadata: &Metadata) -> bool {
    true
}

/// What every program's environment holds beside what the item asks for; without `SystemRoot` many libraries
/// of the system do not load.
pub(crate) fn base_environment(home: &Path) -> Vec<(OsString, OsString)> {
    let mut environment: Vec<(OsString, OsString)> = ["PATH", "PATHEXT", "SystemRoot", "SystemDrive"]
        .into_iter()
        .filter_map(|name| Some((name.into(), std::env::var_os(name)?)))
        .collect();
    for name in ["USERPROFILE", "TEMP", "TMP"] {
        environment.push((name.into(), home.into()));
    }
    environment
}

/// Starts a program that gives way to all others: with Windows' `IDLE_PRIORITY_CLASS`.
pub(crate) fn spawn_lowest(command: &mut Command) -> io::Result<std::process::Child> {
    const IDLE_PRIORITY_CLASS: u32 = 0x40;
    std::os::windows::process::CommandExt::creation_flags(command, IDLE_PRIORITY_CLASS).spawn()
}

/// Waits for Ctrl-C.
pub(crate) async fn end_signal() {
    let _ = tokio::signal::ctrl_c().await;
}

/// Processor time of this process itself: by sysinfo, in ms.
pub(crate) fn own_cpu_ms() -> u64 {
    let pid = sysinfo::Pid::from_u32(std::process::id());
    let Ok(mut system) = sysinfo::System::new() else {
        return 0;
    };
    system.refresh_processes(sysinfo::ProcessesToUpdate::Some(&[pid]), false);
    system
        .process(pid)
        .map_or(0, sysinfo::Process::accumulated_cpu_time)
}
