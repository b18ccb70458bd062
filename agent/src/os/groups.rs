//! Where the groups of items are made: control groups below the agent's own, in which the kernel itself limits memory. Both versions
//! (the kernel's documents `admin-guide/cgroup-v2` and `admin-guide/cgroup-v1/memory`). Where none may be made, the reason is
//! given, and items are watched by sampling alone.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long groups of ended processes may take to become empty.
const EMPTY_PATIENCE: Duration = Duration::from_secs(2);
const EMPTY_PAUSE: Duration = Duration::from_millis(5);

/// The two ways in which Linux groups processes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Version {
    One,
    Two,
}

/// A folder for the groups of one agent's items. Dropping it ends what is in them and removes them.
#[derive(Debug)]
pub struct Groups {
    folder: PathBuf,
    /// Counts the agent and all of its items, also when the agent had to move.
    whole: PathBuf,
}

impl Groups {
    /// Makes the folder, and clears what a killed agent of the same `id` has left, where the file `note` says. In version two, where a group with
    /// processes has no groups below it, this process moves into one of its own; only if nobody else is in its group.
    ///
    /// # Errors
    /// Why the kernel lets this process make none; for people.
    pub fn make(id: &str, note: &Path) -> Result<Self, String> {
        let name = format!("tidemill-{id}");
        let before = fs::read_to_string(note).unwrap_or_default();
        let before = Path::new(before.trim());
        // The note may be of another time, or of a machine whose disk was copied; nothing but this agent's own group is touched.
        if before.file_name().is_some_and(|found| *found == *name) && before.join("cgroup.procs").exists() {
            clear(before);
        }
        let (own, version) = own_group()?;
        let groups = Self {
            folder: own.join(name),
            whole: own,
        };
        // Without a note, what is left is found all the same as long as the agent is started in the same group.
        let _ = fs::write(note, format!("{}\n", groups.folder.display()));
        // From here on what was made is removed again by the drop.
        groups.prepare(id, version)?;
        Ok(groups)
    }

    /// Where the group of an item may be made.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Memory that the agent and its items hold, without what the kernel keeps of files.
    pub(crate) fn held_bytes(&self) -> Option<u64> {
        let text = fs::read_to_string(self.whole.join("memory.stat")).ok()?;
        number_of(&text, "total_rss").or_else(|| number_of(&text, "anon"))
    }

    fn prepare(&self, id: &str, version: Version) -> Result<(), String> {
        clear(&self.folder);
        match version {
            Version::One => {
                // Otherwise what items take would escape the limit of a container around the agent.
                let within = read(&self.whole.join("memory.use_hierarchy"))?;
                if within.trim() != "1" {
                    return Err(format!(
                        "{} does not count the groups below it",
                        self.whole.display()
                    ));
                }
                make_folder(&self.folder)?;
            }
            Version::Two => {
                let kinds = read(&self.whole.join("cgroup.controllers"))?;
                if !lists_memory(&kinds) {
                    return Err(format!("memory is not delegated to {}", self.whole.display()));
                }
                make_folder(&self.folder)?;
                self.pass_memory_on(id)?;
                write(&self.folder.join("cgroup.subtree_control"), "+memory")?;
            }
        }
        let probe = self.path("probe");
        make_folder(&probe)?;
        let limit = limit_file(version);
        let tried = write(&probe.join(limit), "67108864");
        clear(&probe);
        tried
    }

    /// Version two: groups below the agent's own get a memory limit.
    fn pass_memory_on(&self, id: &str) -> Result<(), String> {
        let passes = self.whole.join("cgroup.subtree_control");
        if lists_memory(&read(&passes)?) {
            return Ok(());
        }
        let Err(reason) = write(&passes, "+memory") else {
            return Ok(());
        };
        let here = read(&self.whole.join("cgroup.procs"))?;
        let own = std::process::id().to_string();
        if here.split_whitespace().any(|pid| pid != own) {
            return Err(format!("{reason}; other programs are in the same group"));
        }
        let aside = self.whole.join(format!("tidemill-{id}-agent"));
        let moved = make_folder(&aside)
            .and_then(|()| write(&aside.join("cgroup.procs"), "0"))
            .and_then(|()| write(&passes, "+memory"));
        if moved.is_err() {
            // As it was; where that fails too, the agent only stands in a group of its own.
            let _ = write(&self.whole.join("cgroup.procs"), "0");
            let _ = fs::remove_dir(&aside);
        }
        moved
    }
}

impl Drop for Groups {
    fn drop(&mut self) {
        clear(&self.folder);
    }
}

/// The group of this process that limits its memory.
pub(super) fn own_group() -> Result<(PathBuf, Version), String> {
    let groups = read(Path::new("/proc/self/cgroup"))?;
    let mounts = read(Path::new("/proc/self/mountinfo"))?;
    let (path, version) = memory_path(&groups).ok_or("this kernel has no control groups")?;
    let folder = folder_of(&mounts, &path, version)
        .ok_or_else(|| format!("the control group {path} is nowhere to be seen"))?;
    if folder.is_dir() {
        Ok((folder, version))
    } else {
        Err(format!("the control group {} is not there", folder.display()))
    }
}

/// From `/proc/self/cgroup` (cgroups(7)): lines of a number, kinds and a path. A kind that stands beside a number is of version one.
fn memory_path(groups: &str) -> Option<(String, Version)> {
    let lines = || {
        groups
            .lines()
            .filter_map(|line| line.split_once(':')?.1.split_once(':'))
    };
    let first = lines().find(|(kinds, _)| kinds.split(',').any(|kind| kind == "memory"));
    let second = || lines().find(|(kinds, _)| kinds.is_empty());
    first
        .map(|(_, path)| (path.to_owned(), Version::One))
        .or_else(|| second().map(|(_, path)| (path.to_owned(), Version::Two)))
}

/// From `/proc/self/mountinfo` (proc_pid_mountinfo(5)): where the group `path` is seen.
fn folder_of(mounts: &str, path: &str, version: Version) -> Option<PathBuf> {
    mounts.lines().rev().find_map(|line| {
        let (place, kind) = line.split_once(" - ")?;
        let (root, point) = place.split(' ').nth(3).zip(place.split(' ').nth(4))?;
        let mut kind = kind.split(' ');
        let (system, options) = (kind.next()?, kind.nth(1)?);
        let fits = match version {
            Version::One => system == "cgroup" && options.split(',').any(|option| option == "memory"),
            Version::Two => system == "cgroup2",
        };
        if !fits {
            return None;
        }
        let below = Path::new(path).strip_prefix(root).ok()?;
        Some(Path::new(point).join(below))
    })
}

pub(super) fn limit_file(version: Version) -> &'static str {
    match version {
        Version::One => "memory.limit_in_bytes",
        Version::Two => "memory.max",
    }
}

/// Ends whatever is in a group and in those below it, and removes them. One that is not there is no error; one that does not
/// become empty stays, and is tried again at the next start.
pub(super) fn clear(folder: &Path) {
    let below = fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in below.filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_dir())) {
        clear(&entry.path());
    }
    let mut waited = Duration::ZERO;
    while let Err(error) = fs::remove_dir(folder) {
        if error.kind() == io::ErrorKind::NotFound || waited > EMPTY_PATIENCE {
            return;
        }
        kill_all(folder);
        std::thread::sleep(EMPTY_PAUSE);
        waited += EMPTY_PAUSE;
    }
}

/// Kills all processes of a group: at one blow where the kernel can do that (5.14, version two).
pub(super) fn kill_all(folder: &Path) {
    if fs::write(folder.join("cgroup.kill"), "1").is_ok() {
        return;
    }
    let here = fs::read_to_string(folder.join("cgroup.procs")).unwrap_or_default();
    for pid in here.split_whitespace().filter_map(|pid| pid.parse().ok()) {
        super::unix::send(pid, libc::SIGKILL);
    }
}

/// A figure of a file with a name and a number on each line.
pub(super) fn number_of(text: &str, name: &str) -> Option<u64> {
    let mut lines = text.lines().filter_map(|line| line.split_once(' '));
    lines.find(|(found, _)| *found == name)?.1.trim().parse().ok()
}

fn lists_memory(kinds: &str) -> bool {
    kinds.split_whitespace().any(|kind| kind == "memory")
}

fn read(path: &Path) -> Result<String, String> {
    fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

fn write(path: &Path, text: &str) -> Result<(), String> {
    fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))
}

fn make_folder(path: &Path) -> Result<(), String> {
    match fs::create_dir(path) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => {
            Err(format!("{}: {error}", path.display()))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kind_of_groups_that_limits_memory_is_found() {
        let both = "4:memory:/dock\n1:cpu,cpuacct:/\n0::/user.slice/x\n";
        assert_eq!(memory_path(both), Some(("/dock".to_owned(), Version::One)));
        let second = "0::/system.slice/mill.service\n";
        let found = Some(("/system.slice/mill.service".to_owned(), Version::Two));
        assert_eq!(memory_path(second), found);
        assert_eq!(memory_path("1:name=systemd:/\n"), None);
    }

    #[test]
    fn a_group_is_found_below_the_part_that_is_mounted() {
        let mounts = "31 23 0:28 / /sys/fs/cgroup rw - tmpfs tmpfs rw,mode=755\n\
            35 31 0:32 /hold /sys/fs/cgroup/memory rw,relatime shared:9 - cgroup cgroup rw,memory\n\
            41 31 0:38 / /sys/fs/cgroup/unified rw,relatime - cgroup2 cgroup2 rw\n";
        let found = folder_of(mounts, "/hold/crate", Version::One);
        assert_eq!(found, Some(PathBuf::from("/sys/fs/cgroup/memory/crate")));
        assert_eq!(folder_of(mounts, "/elsewhere", Version::One), None);
        let found = folder_of(mounts, "/", Version::Two);
        assert_eq!(found, Some(PathBuf::from("/sys/fs/cgroup/unified")));
    }

    #[test]
    fn figures_are_read_by_their_whole_name() {
        let text = "oom_kill_disable 0\nunder_oom 0\noom_kill 3\n";
        assert_eq!(number_of(text, "oom_kill"), Some(3));
        assert_eq!(number_of(text, "oom"), None);
    }
}
