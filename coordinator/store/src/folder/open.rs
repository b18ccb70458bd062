//! Opening a store, and clearing up what a dead owner left.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io::{self, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime};

use super::far::Far;
use super::layout::{Layout, PartFile};
use super::{CommitState, Role, Shared, Store};
use crate::error::{At, Result, StoreError};
use crate::os::{self, GroupSync};

/// How long staged files that nobody committed are kept.
const STALE: Duration = Duration::from_secs(24 * 60 * 60);

/// What a sweep of `incoming/` removed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Swept {
    /// Number of files.
    pub files: u64,
    /// Their size.
    pub bytes: u64,
}

impl Store {
    /// Opens the store as its owner, the one process that commits; creates it if there is none.
    ///
    /// Clears what a dead owner left: files staged before the machine was last started (they were never
    /// synced and may hold anything), and files older than a day. Younger ones are kept, since agents that
    /// outlived the owner will name them. That there is only one owner is the caller's care (a file lock).
    pub fn open_owner(root: &Path) -> Result<Self> {
        Self::open_or_create(root, Role::Owner)
    }

    /// Opens a store as a cache of this process: as [`Store::open_owner`], but commits do not sync. What a
    /// power cut damages is noticed when it is read, set aside, and can be fetched again.
    pub fn open_cache(root: &Path) -> Result<Self> {
        Self::open_or_create(root, Role::Cache)
    }

    /// Opens another process's store to read from it and stage into it. Fails if there is none.
    pub fn open(root: &Path) -> Result<Self> {
        let layout = Layout::new(root);
        let id = read_id(&layout)?;
        let Some(id) = id else {
            let reason = "it has no file `store-id`".to_owned();
            return Err(StoreError::NotAStore {
                path: root.to_owned(),
                reason,
            });
        };
        Self::assemble(layout, id, Role::Guest, None)
    }

    /// Removes files of `incoming/` that were last written `older_than` ago and never committed.
    pub fn sweep_incoming(&self, older_than: Duration) -> Result<Swept> {
        let now = SystemTime::now();
        self.sweep_where(|modified| now.duration_since(modified).is_ok_and(|age| age >= older_than))
    }

    fn open_or_create(root: &Path, role: Role) -> Result<Self> {
        let layout = Layout::new(root);
        for folder in [layout.blobs(), layout.incoming(), layout.aside()] {
            fs::create_dir_all(folder).at("create", folder)?;
        }
        let id = owner_id(&layout)?;
        let store = Self::assemble(layout, id, role, None)?;
        store.clear_after_dead_owner()?;
        if role == Role::Owner {
            // A dead owner may have renamed blobs in without having synced their folders; from now on
            // "it is there" has to mean "it is on disk".
            store.shared.group_sync.sync_everything().at("sync", root)?;
            store.load_doomed()?;
        }
        Ok(store)
    }

    pub(super) fn assemble(layout: Layout, id: String, role: Role, far: Option<Far>) -> Result<Self> {
        let group_sync = GroupSync::open(layout.root()).at("open", layout.root())?;
        Ok(Self {
            shared: Arc::new(Shared {
                layout,
                id,
                role,
                far,
                group_sync,
                staged_here: Mutex::new(HashMap::new()),
                commit: Mutex::new(CommitState::default()),
                doomed: super::doomed::DoomedSet::default(),
                checked: super::parts::Checked::default(),
                cannot_clone_to: Mutex::new(HashSet::new()),
            }),
        })
    }

    pub(super) fn clear_after_dead_owner(&self) -> Result<()> {
        let layout = &self.shared.layout;
        let boot_file = layout.boot_file();
        let before = match fs::read_to_string(&boot_file) {
            Ok(text) => Some(text),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error).at("read", &boot_file),
        };
        let now = os::boot_id();
        if now.is_some() && before == now {
            self.sweep_incoming(STALE)?;
            return Ok(());
        }
        let swept = self.sweep_where(|_| true)?;
        if swept.files > 0 {
            tracing::info!(
                files = swept.files,
                "removed staged files from before the machine's last start"
            );
        }
        write_small(layout, &boot_file, now.as_deref().unwrap_or("unknown"))
    }

    fn sweep_where(&self, stale: impl Fn(SystemTime) -> bool) -> Result<Swept> {
        let incoming = self.shared.layout.incoming();
        let mut swept = Swept::default();
        for entry in fs::read_dir(incoming).at("list", incoming)? {
            let path = entry.at("list", incoming)?.path();
            // A file may be renamed or removed by its writer meanwhile: then it is not stale.
            let Ok(metadata) = fs::symlink_metadata(&path) else {
                continue;
            };
            let modified = metadata.modified().at("read the time of", &path)?;
            if stale(modified) && super::layout::remove_any(&path).is_ok() {
                swept.files += 1;
                swept.bytes += metadata.len();
            }
        }
        Ok(swept)
    }
}

/// The id in this folder, made if there is none.
pub(super) fn owner_id(layout: &Layout) -> Result<String> {
    if let Some(id) = read_id(layout)? {
        return Ok(id);
    }
    let id = uuid::Uuid::new_v4().to_string();
    write_small(layout, &layout.id_file(), &id)?;
    Ok(id)
}

fn read_id(layout: &Layout) -> Result<Option<String>> {
    let path = layout.id_file();
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error).at("read", &path),
    };
    match uuid::Uuid::try_parse(text.trim()) {
        Ok(id) => Ok(Some(id.to_string())),
        Err(_) => Err(StoreError::NotAStore {
            path: layout.root().to_owned(),
            reason: "its file `store-id` holds no uuid".to_owned(),
        }),
    }
}

/// Writes a small file so that it is there wholly or not at all.
pub(super) fn write_small(layout: &Layout, path: &Path, text: &str) -> Result<()> {
    let part = PartFile::new(layout.new_part());
    let mut file = fs::File::create_new(part.path()).at("create", part.path())?;
    file.write_all(text.as_bytes()).at("write", part.path())?;
    file.sync_all().at("sync", part.path())?;
    part.rename_to(path)
}
