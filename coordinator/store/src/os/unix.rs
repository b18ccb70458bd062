//! Linux and macOS: permission bits.

use std::fs::{self, File, Metadata, OpenOptions, Permissions};
use std::io;
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// Creates a new file that only this handle can write.
pub(crate) fn create_read_only(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o444)
        .open(path)
}

/// Writes all of `piece` from byte `offset` on.
pub(crate) fn write_at(file: &File, piece: &[u8], offset: u64) -> io::Result<()> {
    file.write_all_at(piece, offset)
}

/// Makes a file that was moved in read-only.
pub(crate) fn protect_staged(path: &Path) -> io::Result<()> {
    fs::set_permissions(path, Permissions::from_mode(0o444))
}

/// A blob is already read-only when it is committed.
pub(crate) fn protect_stored(_path: &Path) -> io::Result<()> {
    Ok(())
}

/// Whether the owner may execute the file.
pub(crate) fn is_executable(metadata: &Metadata) -> bool {
    metadata.permissions().mode() & 0o100 != 0
}

/// Gives an exported file ordinary permissions.
pub(crate) fn make_plain(path: &Path, executable: bool) -> io::Result<()> {
    fs::set_permissions(
        path,
        Permissions::from_mode(if executable { 0o755 } else { 0o644 }),
    )
}

/// Lets a file that is open be executed.
pub(crate) fn make_executable(file: &File) -> io::Result<()> {
    file.set_permissions(Permissions::from_mode(0o755))
}

/// The file system that `path` is on.
pub(crate) fn device_of(path: &Path) -> io::Result<u64> {
    Ok(fs::metadata(path)?.dev())
}

/// Makes the entries of one folder durable: what was created in it, or renamed into it, stays after a power cut.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}
