//! The group of one item, as its launcher sees it: the kernel limits, counts and ends the whole process tree.
//!
//! What the kernel keeps of files (a cache) is counted in a group but gives way by itself before anything is ended. So it is no part
//! of what an item needs: figures here leave it out.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::groups::{Version, clear, kill_all, limit_file, number_of};
use super::{Counted, Shortage};

/// A group with one item in it. Dropping it removes it.
#[derive(Debug)]
pub(super) struct ItemGroup {
    folder: PathBuf,
    /// Where the launcher belongs.
    home: PathBuf,
    version: Version,
    limit_bytes: u64,
    /// Most that was seen to be kept of files.
    cached_bytes: u64,
}

impl ItemGroup {
    /// Makes the group, for a launcher that belongs to `home`. One that is left from before is ended and made anew, since its
    /// counts are of another item.
    pub(super) fn make(folder: &Path, (home, version): &(PathBuf, Version)) -> io::Result<Self> {
        if let Err(error) = fs::create_dir(folder) {
            if error.kind() != io::ErrorKind::AlreadyExists {
                return Err(error);
            }
            clear(folder);
            fs::create_dir(folder)?;
        }
        Ok(Self {
            folder: folder.to_owned(),
            home: home.clone(),
            version: *version,
            limit_bytes: 0,
            cached_bytes: 0,
        })
    }

    /// Runs `start` while this process is in the group, so that what it starts is in it from its first instruction; then goes back.
    /// Moving a small launcher to and fro is cheaper than the hook behind a fork that would move the item.
    pub(super) fn start_inside<T>(&self, start: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        fs::write(self.folder.join("cgroup.procs"), "0")?;
        let started = start();
        if let Err(error) = fs::write(self.home.join("cgroup.procs"), "0") {
            // An item must not run that can only be ended together with its launcher: then both end here.
            kill_all(&self.folder);
            return Err(error);
        }
        started
    }

    /// From now on the kernel keeps the group within so much memory, and out of swap. After the start, since the launcher was in it.
    pub(super) fn limit(&mut self, bytes: u64) {
        if bytes == 0 {
            return;
        }
        self.limit_bytes = bytes;
        let set = |file: &str, text: &str| {
            // What the kernel does not take (it has no swap accounting, the item is over already) sampling still sees.
            let _ = fs::write(self.folder.join(file), text);
        };
        let text = bytes.to_string();
        match self.version {
            Version::One => {
                set("memory.swappiness", "0");
                set(limit_file(self.version), &text);
                // Memory and swap together: not below the limit of memory alone, which must stand before.
                set("memory.memsw.limit_in_bytes", &text);
            }
            Version::Two => {
                set("memory.swap.max", "0");
                set("memory.oom.group", "1");
                set(limit_file(self.version), &text);
            }
        }
    }

    /// What the item takes now, without what is kept of files.
    pub(super) fn memory_bytes(&mut self) -> Option<u64> {
        let used = self.number(match self.version {
            Version::One => "memory.usage_in_bytes",
            Version::Two => "memory.current",
        })?;
        let cached = self.look_at_cache()?;
        Some(used.saturating_sub(cached))
    }

    /// What the kernel has counted, once all processes are gone.
    pub(super) fn counted(&mut self) -> Counted {
        Counted {
            peak_bytes: self.peak_bytes(),
            shortage: self.shortage(),
        }
    }

    /// The most that it took at any moment: less the most that was seen to be kept of files, and with it.
    fn peak_bytes(&mut self) -> Option<(u64, u64)> {
        self.look_at_cache();
        let peak = self.number(match self.version {
            Version::One => "memory.max_usage_in_bytes",
            Version::Two => "memory.peak",
        })?;
        Some((peak.saturating_sub(self.cached_bytes), peak))
    }

    /// Whether the kernel has ended a process of the group, and why.
    pub(super) fn shortage(&self) -> Option<Shortage> {
        let read = |file: &str| fs::read_to_string(self.folder.join(file)).unwrap_or_default();
        let (ended, at_limit) = match self.version {
            Version::One => {
                let ended = number_of(&read("memory.oom_control"), "oom_kill");
                // Where swap is counted, the limit on both is met first, and some kernels do not count how often.
                let nearly = self.limit_bytes - self.limit_bytes / 64;
                let peak = self.number("memory.max_usage_in_bytes");
                (ended, peak.is_some_and(|peak| peak >= nearly))
            }
            Version::Two => {
                let events = read("memory.events");
                let at_limit = number_of(&events, "oom").is_some_and(|times| times > 0);
                (number_of(&events, "oom_kill"), at_limit)
            }
        };
        if ended.unwrap_or(0) == 0 {
            return None;
        }
        Some(if self.limit_bytes > 0 && at_limit {
            Shortage::OverLimit
        } else {
            Shortage::Machine
        })
    }

    /// Kills all processes of the item.
    pub(super) fn kill(&self) {
        kill_all(&self.folder);
    }

    fn look_at_cache(&mut self) -> Option<u64> {
        let text = fs::read_to_string(self.folder.join("memory.stat")).ok()?;
        let prefix = match self.version {
            Version::One => "total_",
            Version::Two => "",
        };
        let cached = ["inactive_file", "active_file"]
            .iter()
            .map(|name| number_of(&text, &format!("{prefix}{name}")))
            .sum::<Option<u64>>()?;
        self.cached_bytes = self.cached_bytes.max(cached);
        Some(cached)
    }

    fn number(&self, file: &str) -> Option<u64> {
        let text = fs::read_to_string(self.folder.join(file)).ok()?;
        text.trim().parse().ok()
    }
}

impl Drop for ItemGroup {
    fn drop(&mut self) {
        clear(&self.folder);
    }
}
