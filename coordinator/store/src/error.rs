//! What can go wrong in the store; every file error names the file and what was being done.

use std::io;
use std::path::{Path, PathBuf};

use tidemill_proto::Digest;

/// Result of a store call.
pub type Result<T, E = StoreError> = std::result::Result<T, E>;

/// Why a store call failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The file system refused.
    #[error("could not {action} {}: {source}", path.display())]
    Io {
        /// What was being done, as in "could not … PATH".
        action: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// The disk or the quota is full. Nothing half-written was left behind.
    #[error("the disk is full: could not {action} {}; make room and try again", path.display())]
    Full {
        /// What was being done.
        action: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// A share or a bucket cannot be used as it is written or set up.
    #[error("{place} cannot be used: {reason}")]
    BadPlace {
        /// Its address.
        place: String,
        /// What is wrong, and what to do.
        reason: String,
    },
    /// Another coordinator of this store has not said what it needs, so nothing may be removed.
    #[error("in {place} the coordinator {owner} stands in the way: {reason}")]
    Unanswered {
        /// The store.
        place: String,
        /// The other's id.
        owner: String,
        /// What is missing, and what to do.
        reason: String,
    },
    /// A bucket did not do what it was asked; tried several times.
    #[error("could not {action} {name} in {place}: {reason}")]
    Far {
        /// What was being done.
        action: &'static str,
        /// The object.
        name: String,
        /// Where.
        place: String,
        /// Why, with all causes.
        reason: String,
    },
    /// The store has no such blob.
    #[error("the store has no blob {digest}")]
    Absent {
        /// The name that was asked for.
        digest: Digest,
    },
    /// A blob did not match its name; it was moved to `aside` and is no longer in the store.
    #[error("blob {digest} was damaged (its bytes are {found}); it was set aside as {}", aside.display())]
    Corrupt {
        /// The name that was asked for.
        digest: Digest,
        /// What the bytes hash to.
        found: Digest,
        /// Where the damaged file lies now.
        aside: PathBuf,
    },
    /// Received bytes are not those that were announced; they were thrown away.
    #[error("the bytes received are {found}, not {expected} as announced; send them again")]
    Mismatch {
        /// Announced.
        expected: Digest,
        /// Received.
        found: Digest,
    },
    /// More bytes came than were announced.
    #[error("blob {digest} is longer than the {size} bytes announced")]
    TooLong {
        /// Announced.
        digest: Digest,
        /// Announced, in bytes.
        size: u64,
    },
    /// The folder is not a store that this program can use.
    #[error("{} is not a store: {reason}", path.display())]
    NotAStore {
        /// The folder.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// Only the owner of a store commits.
    #[error("the store {} is owned by another process, which alone may commit", path.display())]
    NotOwner {
        /// The store's folder.
        path: PathBuf,
    },
    /// A file in a folder cannot be part of a tree.
    #[error("{} cannot be kept in a tree: {reason}", path.display())]
    Unkeepable {
        /// The file.
        path: PathBuf,
        /// Why, and what to do.
        reason: String,
    },
    /// A blob is not a tree, or not in canonical form.
    #[error("blob {digest} is not a tree: {reason}")]
    NotATree {
        /// The blob's name.
        digest: Digest,
        /// What is wrong with it.
        reason: String,
    },
}

impl StoreError {
    /// Takes a system error with its place; a full disk becomes its own kind.
    pub(crate) fn io(action: &'static str, path: &Path, source: io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::Full { action, path, source },
            _ => Self::Io { action, path, source },
        }
    }

    /// Takes an error of a bucket with its place and all its causes.
    pub(crate) fn far(action: &'static str, name: &str, place: &str, error: &dyn std::error::Error) -> Self {
        let mut reason = error.to_string();
        let mut next = error.source();
        while let Some(cause) = next {
            let text = cause.to_string();
            // Many errors repeat their cause in their own text.
            if !reason.contains(&text) {
                reason = format!("{reason}: {text}");
            }
            next = cause.source();
        }
        Self::Far {
            action,
            name: name.to_owned(),
            place: place.to_owned(),
            reason,
        }
    }

    /// Finds the store's own error again in one that went through [`std::io::Read`].
    pub fn from_read(error: io::Error, digest: Digest) -> Self {
        match error.downcast::<Self>() {
            Ok(own) => own,
            Err(source) => Self::io("read", Path::new(&digest.to_string()), source),
        }
    }
}

impl From<StoreError> for io::Error {
    fn from(error: StoreError) -> Self {
        let kind = match &error {
            StoreError::Io { source, .. } | StoreError::Full { source, .. } => source.kind(),
            StoreError::Absent { .. } => io::ErrorKind::NotFound,
            StoreError::NotOwner { .. } => io::ErrorKind::PermissionDenied,
            _ => io::ErrorKind::InvalidData,
        };
        io::Error::new(kind, error)
    }
}

/// Names the place in a system error: `fs::rename(..).at("rename", path)?`.
pub(crate) trait At<T> {
    fn at(self, action: &'static str, path: &Path) -> Result<T>;
}

impl<T> At<T> for io::Result<T> {
    fn at(self, action: &'static str, path: &Path) -> Result<T> {
        self.map_err(|source| StoreError::io(action, path, source))
    }
}
