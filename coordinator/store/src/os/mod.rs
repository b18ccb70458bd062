//! The calls that differ between systems. Each side offers the same functions:
//!
//! - `GroupSync`: makes a group of files durable at once.
//! - `create_unnamed`, `name_file`: a file that gets its name when it is complete.
//! - `create_read_only`, `protect_staged`, `protect_stored`: when a blob becomes read-only.
//! - `boot_id`: tells whether the machine was started again since unsynced files were written.
//! - `is_executable`, `make_executable`, `make_plain`: permission bits of files that come in and go out.
//! - `device_of`: which file system a folder is on.
//! - `write_at`: bytes at a place of a file, whatever others write elsewhere in it.
//!
//! Only the Linux side can be compiled and run where this was written.

#[cfg(target_os = "linux")]
mod linux;
#[cfg(not(target_os = "linux"))]
mod threads;
#[cfg(unix)]
mod unix;
#[cfg(windows)]
mod windows;

#[cfg(target_os = "linux")]
pub(crate) use linux::{GroupSync, boot_id, create_unnamed, name_file};
#[cfg(not(target_os = "linux"))]
pub(crate) use threads::{GroupSync, boot_id, create_unnamed, name_file};
#[cfg(unix)]
pub use unix::sync_folder;
#[cfg(unix)]
pub(crate) use unix::{
    create_read_only, device_of, is_executable, make_executable, make_plain, protect_staged, protect_stored,
    write_at,
};
#[cfg(windows)]
pub use windows::sync_folder;
#[cfg(windows)]
pub(crate) use windows::{
    create_read_only, device_of, is_executable, make_executable, make_plain, protect_staged, protect_stored,
    write_at,
};
