//! Files that stand beside a target for a moment: the new one while it is written, the old one while the rest of
//! its unit takes its place.

use std::path::{Path, PathBuf};

/// Where the new file is written.
pub(super) fn part_of(target: &Path) -> PathBuf {
    hidden(target, "tidemill-part")
}

/// Where the old file waits.
pub(super) fn before_of(target: &Path) -> PathBuf {
    hidden(target, "tidemill-before")
}

/// A relative path with `/` between its parts, below a folder.
pub(super) fn below(folder: &Path, path: &str) -> PathBuf {
    path.split('/')
        .fold(folder.to_owned(), |folder, part| folder.join(part))
}

fn hidden(target: &Path, ending: &str) -> PathBuf {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    target.with_file_name(format!(".{name}.{ending}"))
}
