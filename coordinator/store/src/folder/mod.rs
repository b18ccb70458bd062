//! The folder backend.
//!
//! [`Store`] is a handle on shared state; each file here adds the calls of one direction to it.

mod arrival;
mod commit;
mod damage;
mod doomed;
mod export;
mod far;
mod layout;
mod look;
mod open;
mod parts;
mod read;
mod staging;
mod together;

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use tidemill_proto::Digest;

use crate::backend::Address;
use crate::os::GroupSync;
use layout::Layout;

pub use arrival::Arrival;
pub use commit::CommitReport;
pub use doomed::Doomed;
pub use export::ExportMode;
pub use far::{blob_name, id_name};
pub use look::{Aside, BlobEntry, BlobIter, Usage, UsagePart};
pub use open::Swept;
pub use parts::PartReader;
pub use read::BlobReader;
pub use staging::{Incoming, Staged};

pub(crate) use export::parent_of;
pub(crate) use layout::PartFile;

/// A handle on a store in a folder: cheap to clone, may be used from many threads. Every call blocks.
#[derive(Clone)]
pub struct Store {
    shared: Arc<Shared>,
}

struct Shared {
    layout: Layout,
    id: String,
    role: Role,
    /// Where the blobs are, if not in this folder.
    far: Option<far::Far>,
    group_sync: GroupSync,
    /// Names in `incoming/` of what this handle staged, so that a commit rarely has to list the folder.
    staged_here: Mutex<HashMap<Digest, Vec<String>>>,
    /// Held through a whole commit, so that groups follow one another and removals come between them.
    commit: Mutex<CommitState>,
    /// Blobs that are about to be removed.
    doomed: doomed::DoomedSet,
    /// Big blobs that were found whole a short while ago.
    checked: parts::Checked,
    /// Blobs cannot be cloned, not even on their own file system.
    cannot_clone: AtomicBool,
    /// File systems onto which blobs cannot be cloned, so that we ask each only once.
    cannot_clone_to: Mutex<HashSet<u64>>,
}

/// What a handle may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Role {
    /// Commits, durably.
    Owner,
    /// Commits without syncs: losing a blob in a power cut only means fetching it again.
    Cache,
    /// Reads and stages; commits are the owner's.
    Guest,
}

#[derive(Default)]
struct CommitState {
    /// When staged files were last looked through for those that nobody needs.
    tidied: Option<Instant>,
}

impl Store {
    /// The store's own id, as in its file `store-id`.
    pub fn id(&self) -> &str {
        &self.shared.id
    }

    /// Where the store is, as an agent or a person would name it.
    pub fn address(&self) -> Address {
        match &self.shared.far {
            Some(far) => far.address.clone(),
            None => Address::Folder(self.root().to_owned()),
        }
    }

    /// The store's folder; of one whose blobs are elsewhere, the folder in which it stages.
    pub fn root(&self) -> &Path {
        self.shared.layout.root()
    }
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Store")
            .field("root", &self.root())
            .field("role", &self.shared.role)
            .finish()
    }
}

/// What is guarded stays consistent between any two statements, so a panic elsewhere is no reason to stop.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
