//! Groups of processes with a memory limit of their own (control groups, either version), as a container has. Linux and root;
//! elsewhere [`MemoryLimit::make`] says what is missing.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::studio::wrapped;

/// One group. Removed on drop.
pub struct MemoryLimit {
    folder: PathBuf,
    is_second: bool,
}

impl MemoryLimit {
    /// A new group; `None`: not to be had here, which is said.
    pub fn make(name: &str, bytes: u64) -> Option<Self> {
        let found = Self::try_make(name, bytes);
        match found {
            Ok(limit) => Some(limit),
            Err(problem) => {
                crate::faults::skip(&format!("no memory limit by the kernel: {problem}"));
                None
            }
        }
    }

    fn try_make(name: &str, bytes: u64) -> Result<Self, String> {
        let name = format!("tidemill-{}-{name}", std::process::id());
        let first = Path::new("/sys/fs/cgroup/memory");
        let (root, is_second, file) =
            if first.join("memory.limit_in_bytes").exists() || first.join("memory.usage_in_bytes").exists() {
                (first, false, "memory.limit_in_bytes")
            } else {
                let second = Path::new("/sys/fs/cgroup");
                let kinds = std::fs::read_to_string(second.join("cgroup.subtree_control"));
                let kinds = kinds.map_err(|error| format!("{}: {error}", second.display()))?;
                if !kinds.split_whitespace().any(|kind| kind == "memory") {
                    // Given by a system's service manager, as a rule; changing it here would change the machine.
                    return Err("groups below /sys/fs/cgroup are not given a memory limit".to_owned());
                }
                (second, true, "memory.max")
            };
        let folder = root.join(name);
        let words = |error: std::io::Error| format!("{}: {error}", folder.display());
        std::fs::create_dir(&folder).map_err(words)?;
        let limit = Self {
            folder: folder.clone(),
            is_second,
        };
        std::fs::write(folder.join(file), bytes.to_string()).map_err(words)?;
        Ok(limit)
    }

    /// The same command in this group. Its process keeps its number.
    pub fn inside(&self, command: &Command) -> Command {
        let mut inside = Command::new("sh");
        inside
            .args(["-c", "echo $$ > \"$0\" && exec \"$@\""])
            .arg(self.folder.join("cgroup.procs"));
        wrapped(inside, command)
    }

    /// How many processes the kernel has ended for lack of memory in it.
    pub fn ended_by_kernel(&self) -> u64 {
        // Of this group alone: an item that outgrows its own group below is ended by the kernel, as it should be.
        let file = if self.is_second {
            "memory.events.local"
        } else {
            "memory.oom_control"
        };
        let text = std::fs::read_to_string(self.folder.join(file)).expect("the group is there");
        let line = text.lines().find_map(|line| line.strip_prefix("oom_kill "));
        line.expect("a count of ends").trim().parse().expect("a number")
    }

    /// Memory that programs in it hold: not what is kept of files, which gives way.
    pub fn held_bytes(&self) -> u64 {
        let text = std::fs::read_to_string(self.folder.join("memory.stat")).expect("the group is there");
        let name = if self.is_second { "anon " } else { "total_rss " };
        let line = text.lines().find_map(|line| line.strip_prefix(name));
        line.expect("what is held").trim().parse().expect("a number")
    }
}

impl Drop for MemoryLimit {
    fn drop(&mut self) {
        // Processes that were just killed take a moment to be gone from it.
        for _ in 0..100 {
            if remove(&self.folder).is_ok() {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
    }
}

/// With the groups below it, which an agent that was killed has left.
fn remove(folder: &Path) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)?.flatten() {
        if entry.file_type()?.is_dir() {
            remove(&entry.path())?;
        }
    }
    std::fs::remove_dir(folder)
}
