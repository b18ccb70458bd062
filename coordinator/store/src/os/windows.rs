//! Windows. Flushing needs a handle that may write, which a read-only file refuses, so blobs become read-only
//! only once they are stored. Written from memory of the Windows API; not compiled where this was written.

use std::fs::{self, File, Metadata, OpenOptions};
use std::io;
use std::os::windows::fs::{FileExt, OpenOptionsExt};
use std::path::Path;

/// FILE_FLAG_BACKUP_SEMANTICS: lets a folder be opened like a file.
const BACKUP_SEMANTICS: u32 = 0x0200_0000;

/// Creates a new file; see [`protect_stored`].
pub(crate) fn create_read_only(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).open(path)
}

/// Writes all of `piece` from byte `offset` on.
pub(crate) fn write_at(file: &File, mut piece: &[u8], mut offset: u64) -> io::Result<()> {
    while !piece.is_empty() {
        let count = file.seek_write(piece, offset)?;
        if count == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        piece = &piece[count..];
        offset += count as u64;
    }
    Ok(())
}

/// Nothing yet: the file is still to be flushed. What came in read-only is opened up for that.
pub(crate) fn protect_staged(path: &Path) -> io::Result<()> {
    set_read_only(path, false)
}

/// Makes a stored blob read-only.
pub(crate) fn protect_stored(path: &Path) -> io::Result<()> {
    set_read_only(path, true)
}

/// Windows keeps no such bit.
pub(crate) fn is_executable(_metadata: &Metadata) -> bool {
    false
}

/// Gives an exported file ordinary permissions.
pub(crate) fn make_plain(path: &Path, _executable: bool) -> io::Result<()> {
    set_read_only(path, false)
}

/// Nothing to do here: see [`make_plain`].
pub(crate) fn make_executable(_file: &File) -> io::Result<()> {
    Ok(())
}

/// Not asked for here: all folders count as one file system.
pub(crate) fn device_of(_path: &Path) -> io::Result<u64> {
    Ok(0)
}

/// Makes the entries of one folder durable: what was created in it, or renamed into it, stays after a power cut.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    let folder: File = OpenOptions::new()
        .read(true)
        .write(true)
        .custom_flags(BACKUP_SEMANTICS)
        .open(path)?;
    folder.sync_all()
}

fn set_read_only(path: &Path, read_only: bool) -> io::Result<()> {
    let mut permissions = fs::metadata(path)?.permissions();
    permissions.set_readonly(read_only);
    fs::set_permissions(path, permissions)
}
