//! Opening a store, and clearing up what a dead owner left.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime};

use super::far::Far;
use super::layout::{Layout, PartFile, digest_of_name};
use super::staging::hash_file;
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
    /// Brings to its end what a dead owner or a power cut left: what is staged and matches its name becomes a blob
    /// (it may have been acknowledged, or agents that outlived the owner will name it), what does not is removed, and so
    /// are files that were being written before the machine was last started, or more than a day ago. That there is only
    /// one owner is the caller's care (a file lock).
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
        if role == Role::Owner {
            store.bring_to_end()?;
        }
        store.clear_after_dead_owner()?;
        if role == Role::Owner {
            // Also what a dead owner renamed before its sync had ended: from now on "it is there" has to mean "it is on
            // disk".
            store.shared.group_sync.sync_everything().at("sync", root)?;
            store.load_doomed()?;
        }
        Ok(store)
    }

    /// Makes blobs of the staged files that match their names, and removes the others. A commit renames what it has
    /// synced without a second sync, so after a power cut an acknowledged blob may be found here.
    fn bring_to_end(&self) -> Result<()> {
        let incoming = self.shared.layout.incoming();
        let mut staged = BTreeMap::new();
        let (mut damaged, mut known) = (0_u64, 0_u64);
        for entry in fs::read_dir(incoming).at("list", incoming)? {
            let path = entry.at("list", incoming)?.path();
            let name = path.file_name().and_then(|name| name.to_str());
            let Some(digest) = name.and_then(digest_of_name) else {
                continue;
            };
            let is_known = staged.contains_key(&digest) || self.size(&digest)?.is_some();
            // One that cannot be read is no better than a damaged one.
            if !is_known && hash_file(&path).is_ok_and(|(found, _)| found == digest) {
                staged.insert(digest, path);
                continue;
            }
            match super::layout::remove_any(&path) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => {
                    return Err(error).at("remove", &path);
                }
                _ => {}
            }
            *(if is_known { &mut known } else { &mut damaged }) += 1;
        }
        if staged.is_empty() && damaged + known == 0 {
            return Ok(());
        }
        let files: Vec<&Path> = staged.values().map(PathBuf::as_path).collect();
        self.shared
            .group_sync
            .sync_files(incoming, &files)
            .at("sync", incoming)?;
        for (digest, path) in &staged {
            self.shared.layout.ensure_shard(digest)?;
            let blob = self.shared.layout.blob(digest);
            fs::rename(path, &blob).at("rename a file to", &blob)?;
            os::protect_stored(&blob).at("protect", &blob)?;
        }
        tracing::info!(
            stored = staged.len(),
            damaged,
            known,
            "went through what was staged when the store was last used"
        );
        Ok(())
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
                cannot_clone: AtomicBool::new(false),
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

    /// What writers left that died half-way, at least `older_than` ago: staged files that nobody committed, and on a share
    /// or in a bucket puts that never ended. Takes it away if `remove`.
    pub fn left_over(&self, older_than: Duration, remove: bool) -> Result<Swept> {
        let now = SystemTime::now();
        let stale = |modified| now.duration_since(modified).is_ok_and(|age| age >= older_than);
        let mut swept = self.go_through_incoming(stale, remove)?;
        if let Some(far) = &self.shared.far {
            let left = far.backend.left_over(older_than, remove)?;
            swept.files += left.puts;
            swept.bytes += left.bytes;
        }
        Ok(swept)
    }

    fn sweep_where(&self, stale: impl Fn(SystemTime) -> bool) -> Result<Swept> {
        self.go_through_incoming(stale, true)
    }

    fn go_through_incoming(&self, stale: impl Fn(SystemTime) -> bool, remove: bool) -> Result<Swept> {
        let incoming = self.shared.layout.incoming();
        let mut swept = Swept::default();
        for entry in fs::read_dir(incoming).at("list", incoming)? {
            let path = entry.at("list", incoming)?.path();
            // A file may be renamed or removed by its writer meanwhile: then it is not stale.
            let Ok(metadata) = fs::symlink_metadata(&path) else {
                continue;
            };
            let modified = metadata.modified().at("read the time of", &path)?;
            if stale(modified) && (!remove || super::layout::remove_any(&path).is_ok()) {
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

/// Writes a small file so that it is there wholly or not at all, and durably.
pub(super) fn write_small(layout: &Layout, path: &Path, text: &str) -> Result<()> {
    let part = PartFile::new(layout.new_part());
    let mut file = fs::File::create_new(part.path()).at("create", part.path())?;
    file.write_all(text.as_bytes()).at("write", part.path())?;
    file.sync_all().at("sync", part.path())?;
    part.rename_to(path)?;
    os::sync_folder(layout.root()).at("sync", layout.root())
}
