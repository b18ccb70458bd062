//! Linux: one thread polls the agent's pipe, the item's log and its pidfd; the launcher is the subreaper, so
//! that every orphan of an item becomes its child and can be found and ended.

use std::fs::{self, File};
use std::io::{self, Read};
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicI32, Ordering};
use std::time::{Duration, Instant};

use rustix::process::{Pid, PidfdFlags, Signal, pidfd_open};

use super::groups::{self, Version};
use super::item_group::ItemGroup;
use super::unix::{Reaped, reap, send};
use super::{Counted, Event, Exit, Sample, Usage};
use crate::launcher::Launch;

/// Most bytes that are taken from a pipe at once: as much as a pipe holds.
const PIECE_BYTES: usize = 64 << 10;
/// How long processes may take to vanish after a kill; those that wait for a dead disk take for ever.
const KILL_PATIENCE: Duration = Duration::from_secs(10);
/// How often to look whether the first process has ended, where the kernel has no pidfd (before 5.3).
const WITHOUT_PIDFD: Duration = Duration::from_millis(2);

/// The launcher's view of the system.
pub(crate) struct Host {
    signals: File,
    item: Option<Item>,
    /// What orphans of the item took, which its first process has not waited for.
    orphans: Usage,
    ticks_per_second: u64,
    page_bytes: u64,
    /// The group of this process, once one was made for an item.
    home: Option<(PathBuf, Version)>,
    /// It was said that no group can be made.
    groupless: bool,
}

struct Item {
    pid: i32,
    /// Counts, limits and ends all its processes, where that can be had.
    group: Option<ItemGroup>,
    pidfd: Option<OwnedFd>,
    log: Option<File>,
    exit: Option<Exit>,
    /// The first process was collected: its number may be another's by now.
    collected: bool,
}

/// To be called by the launcher right after it has started: a second guard beside its input, for when the
/// agent dies. The signal comes when the *thread* that started the launcher ends, so that must be one that
/// lives as long as the launcher.
pub(crate) fn guard_launcher() -> io::Result<()> {
    rustix::process::set_parent_process_death_signal(Some(Signal::TERM))?;
    Ok(())
}

/// Ends a process group whose launcher is gone.
pub(crate) fn end_group(pid: u32) {
    if let Ok(pid @ 2..) = i32::try_from(pid) {
        send(-pid, libc::SIGKILL);
    }
}

impl Host {
    /// Makes this process the subreaper of all that it starts.
    pub(crate) fn start() -> io::Result<Self> {
        rustix::process::set_child_subreaper(Some(rustix::process::getpid()))?;
        Ok(Self {
            signals: catch_signals()?,
            item: None,
            orphans: Usage::default(),
            ticks_per_second: rustix::param::clock_ticks_per_second(),
            page_bytes: rustix::param::page_size() as u64,
            home: None,
            groupless: false,
        })
    }

    /// Starts the item: in a process group of its own, with output and errors in one pipe.
    pub(crate) fn spawn(&mut self, launch: &Launch) -> io::Result<()> {
        let (log, writer) = io::pipe()?;
        let log = OwnedFd::from(log);
        rustix::io::ioctl_fionbio(&log, true)?;
        let stdin = if launch.stdin.as_os_str().is_empty() {
            Stdio::null()
        } else {
            File::open(&launch.stdin)?.into()
        };
        let stdout: Stdio = if launch.stdout.as_os_str().is_empty() {
            writer.try_clone()?.into()
        } else {
            File::create(&launch.stdout)?.into()
        };
        // Nothing here needs a hook between fork and exec, so that the standard library takes the quick way,
        // which does not copy this process.
        let mut command = Command::new(&launch.program);
        command
            .args(&launch.arguments)
            .env_clear()
            .envs(launch.environment.iter().map(|(name, value)| (name, value)))
            .current_dir(&launch.folder)
            .process_group(0)
            .stdin(stdin)
            .stdout(stdout)
            .stderr(writer);
        let mut group = self.make_group(&launch.group);
        let child = match group.as_mut() {
            Some(group) => {
                let child = group.start_inside(|| command.spawn())?;
                group.limit(launch.memory_limit_bytes);
                child
            }
            None => command.spawn()?,
        };
        let pid = child.id().cast_signed();
        let pidfd = Pid::from_raw(pid).and_then(|pid| pidfd_open(pid, PidfdFlags::empty()).ok());
        self.orphans = Usage::default();
        self.item = Some(Item {
            pid,
            group,
            pidfd,
            log: Some(log.into()),
            exit: None,
            collected: false,
        });
        Ok(())
    }

    /// Process number of the running item.
    pub(crate) fn pid(&self) -> u32 {
        self.item.as_ref().map_or(0, |item| item.pid.cast_unsigned())
    }

    /// Waits until something happens, at most for `timeout` if there is one.
    pub(crate) fn wait(&mut self, timeout: Option<Duration>) -> io::Result<Vec<Event>> {
        let none: RawFd = -1;
        let item = self.item.as_ref();
        let log = item
            .and_then(|item| item.log.as_ref())
            .map_or(none, AsRawFd::as_raw_fd);
        let pidfd = item
            .and_then(|item| item.pidfd.as_ref())
            .map_or(none, AsRawFd::as_raw_fd);
        let poll_fd = |fd| libc::pollfd {
            fd,
            events: libc::POLLIN,
            revents: 0,
        };
        let mut polled = [
            poll_fd(libc::STDIN_FILENO),
            poll_fd(self.signals.as_raw_fd()),
            poll_fd(log),
            poll_fd(pidfd),
        ];
        let blind = item.is_some_and(|item| item.pidfd.is_none() && !item.collected);
        let timeout = if blind {
            Some(timeout.map_or(WITHOUT_PIDFD, |t| t.min(WITHOUT_PIDFD)))
        } else {
            timeout
        };
        // Rounded up: waking up before the time would mean to wait again for nothing.
        let timeout_ms = timeout.map_or(-1, |timeout| {
            i32::try_from(timeout.as_micros().div_ceil(1000)).unwrap_or(i32::MAX)
        });
        // SAFETY: the pointer and the length are those of a live array; negative descriptors are skipped.
        let ready = unsafe { libc::poll(polled.as_mut_ptr(), polled.len() as libc::nfds_t, timeout_ms) };
        if ready < 0 {
            let error = io::Error::last_os_error();
            return if error.kind() == io::ErrorKind::Interrupted {
                Ok(Vec::new())
            } else {
                Err(error)
            };
        }
        let [input, signal, log, exit] = polled.map(|fd| fd.revents != 0);
        let mut events = Vec::new();
        if input {
            events.push(read_input()?);
        }
        if signal {
            events.push(Event::InputClosed);
        }
        if log && let Some(piece) = self.read_log()? {
            events.push(Event::Log(piece));
        }
        if exit || blind {
            self.reap_ended();
            events.extend(
                self.item
                    .as_mut()
                    .and_then(|item| item.exit.take())
                    .map(Event::Exited),
            );
        }
        Ok(events)
    }

    /// Looks at all living processes of the item.
    pub(crate) fn sample(&mut self) -> Sample {
        self.reap_orphans();
        let mut sample = Sample::default();
        let group = self.item.as_mut().and_then(|item| item.group.as_mut());
        let counted = group.and_then(|group| {
            sample.shortage = group.shortage();
            group.memory_bytes()
        });
        let tree = descendants();
        for pid in &tree {
            if counted.is_none() {
                // One process: its resident memory. Several share pages, which must not be counted twice.
                let memory = if tree.len() > 1 {
                    proportional_bytes(*pid)
                } else {
                    None
                };
                sample.memory_bytes += memory
                    .or_else(|| resident_bytes(*pid, self.page_bytes))
                    .unwrap_or(0);
            }
            let ticks = cpu_ticks(*pid).unwrap_or(0);
            sample.cpu += Duration::from_millis(ticks * 1000 / self.ticks_per_second);
        }
        sample.memory_bytes += counted.unwrap_or(0);
        sample
    }

    /// What the system has counted of the item as a whole; to be asked once all processes are gone.
    pub(crate) fn counted(&mut self) -> Counted {
        let group = self.item.as_mut().and_then(|item| item.group.as_mut());
        group.map(ItemGroup::counted).unwrap_or_default()
    }

    /// The group for an item, if its agent may have groups. Without one the item is watched by sampling.
    fn make_group(&mut self, folder: &Path) -> Option<ItemGroup> {
        if folder.as_os_str().is_empty() {
            return None;
        }
        let home = match self.home.take() {
            Some(home) => Ok(home),
            None => groups::own_group().map_err(io::Error::other),
        };
        let made = home.and_then(|home| ItemGroup::make(folder, self.home.insert(home)));
        match made {
            Ok(group) => Some(group),
            Err(error) => {
                if !std::mem::replace(&mut self.groupless, true) {
                    eprintln!("tidemill launcher: no group {}: {error}", folder.display());
                }
                None
            }
        }
    }

    /// Asks all processes of the item to end.
    pub(crate) fn ask_to_end(&mut self) {
        for pid in descendants() {
            send(pid, libc::SIGTERM);
            send(pid, libc::SIGCONT);
        }
    }

    /// Kills all processes of the item; the first one's exit comes from [`Host::wait`] as usual.
    pub(crate) fn kill(&mut self) {
        self.kill_all();
    }

    /// To be called when the first process has ended, or when all must end: kills whatever is still there and
    /// waits until it is gone. Tells how many processes that were, and what all orphans took.
    pub(crate) fn sweep(&mut self) -> io::Result<(u32, Usage)> {
        let started = Instant::now();
        let mut found = 0;
        let mut pause = Duration::from_micros(200);
        while self.reap_ended() {
            let tree = descendants();
            found = found.max(tree.len());
            self.kill_all();
            if started.elapsed() > KILL_PATIENCE {
                return Err(io::Error::other(format!("processes {tree:?} cannot be ended")));
            }
            std::thread::sleep(pause);
            pause = (pause * 2).min(Duration::from_millis(20));
        }
        Ok((u32::try_from(found).unwrap_or(u32::MAX), self.orphans))
    }

    /// What the log still holds; to be called until it gives nothing, once all processes are gone.
    pub(crate) fn rest_of_log(&mut self) -> io::Result<Option<Vec<u8>>> {
        let piece = self.read_log()?;
        if piece.is_none() {
            self.item = None;
        }
        Ok(piece)
    }

    fn read_log(&mut self) -> io::Result<Option<Vec<u8>>> {
        let Some(item) = self.item.as_mut() else {
            return Ok(None);
        };
        let Some(log) = item.log.as_mut() else {
            return Ok(None);
        };
        let mut piece = vec![0; PIECE_BYTES];
        match log.read(&mut piece) {
            Ok(0) => {
                item.log = None;
                Ok(None)
            }
            Ok(length) => {
                piece.truncate(length);
                Ok(Some(piece))
            }
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
                ) =>
            {
                Ok(None)
            }
            Err(error) => Err(error),
        }
    }

    /// Collects ended children; tells whether any child is left.
    fn reap_ended(&mut self) -> bool {
        loop {
            match reap(-1, false) {
                Reaped::NoChildren => return false,
                Reaped::AllLive => return true,
                Reaped::One(pid, exit) => match self.item.as_mut() {
                    Some(item) if item.pid == pid => {
                        item.exit = Some(exit);
                        item.pidfd = None;
                        item.collected = true;
                    }
                    _ => self.orphans.add(exit.usage),
                },
            }
        }
    }

    /// Collects ended orphans of a running item, so that they do not pile up; its first process stays for
    /// [`Host::wait`], whose pidfd tells of it.
    fn reap_orphans(&mut self) {
        let Some(first) = self.item.as_ref().map(|item| item.pid) else {
            return;
        };
        for pid in children_of_self() {
            if pid != first
                && let Reaped::One(_, exit) = reap(pid, false)
            {
                self.orphans.add(exit.usage);
            }
        }
    }

    /// The group at one blow, so that nothing in it can start more; then whatever has left the group.
    fn kill_all(&self) {
        if let Some(item) = self.item.as_ref().filter(|item| !item.collected) {
            send(-item.pid, libc::SIGKILL);
        }
        if let Some(group) = self.item.as_ref().and_then(|item| item.group.as_ref()) {
            group.kill();
        }
        for pid in descendants() {
            send(pid, libc::SIGKILL);
        }
    }
}

fn read_input() -> io::Result<Event> {
    let mut bytes = vec![0; PIECE_BYTES];
    let length = rustix::io::retry_on_intr(|| rustix::io::read(rustix::stdio::stdin(), &mut bytes))?;
    bytes.truncate(length);
    Ok(if length == 0 {
        Event::InputClosed
    } else {
        Event::Input(bytes)
    })
}

/// Write end of the pipe that wakes the launcher on a signal.
static SIGNALLED: AtomicI32 = AtomicI32::new(-1);

extern "C" fn on_signal(_: libc::c_int) {
    let byte = 1_u8;
    // SAFETY: write may be called in a handler; the pointer is to one live byte.
    unsafe { libc::write(SIGNALLED.load(Ordering::Relaxed), (&raw const byte).cast(), 1) };
}

/// Signals that ask the launcher to end become readable in the file that this gives. A handler, since a
/// blocked or ignored signal would be so in every item too.
fn catch_signals() -> io::Result<File> {
    let (reader, writer) = io::pipe()?;
    SIGNALLED.store(std::os::fd::IntoRawFd::into_raw_fd(writer), Ordering::Relaxed);
    for signal in [libc::SIGTERM, libc::SIGINT, libc::SIGHUP] {
        // SAFETY: sigaction is plain data, for which all zeroes is a value.
        let mut action: libc::sigaction = unsafe { std::mem::zeroed() };
        action.sa_sigaction = on_signal as *const () as libc::sighandler_t;
        action.sa_flags = libc::SA_RESTART;
        // SAFETY: the handler only calls what is allowed in one; the pointer is to a live value.
        if unsafe { libc::sigaction(signal, &raw const action, std::ptr::null_mut()) } != 0 {
            return Err(io::Error::last_os_error());
        }
    }
    // SAFETY: the descriptor was just made and is given away by `reader`.
    Ok(unsafe { File::from_raw_fd(std::os::fd::IntoRawFd::into_raw_fd(reader)) })
}

/// All processes below this one, zombies included.
fn descendants() -> Vec<i32> {
    let mut found = children_of_self();
    let mut next = 0;
    while let Some(pid) = found.get(next).copied() {
        next += 1;
        // A process that a thread has started is listed under that thread.
        for thread in fs::read_dir(format!("/proc/{pid}/task"))
            .into_iter()
            .flatten()
            .flatten()
        {
            found.extend(
                listed_children(&thread.path().join("children"))
                    .into_iter()
                    .flatten(),
            );
        }
    }
    found
}

fn children_of_self() -> Vec<i32> {
    // Only the main thread starts processes, and orphans fall to it.
    listed_children(std::path::Path::new("/proc/thread-self/children"))
        .unwrap_or_else(|| children_by_search(std::process::id().cast_signed()))
}

fn listed_children(path: &std::path::Path) -> Option<Vec<i32>> {
    let text = fs::read_to_string(path).ok()?;
    Some(
        text.split_ascii_whitespace()
            .filter_map(|pid| pid.parse().ok())
            .collect(),
    )
}

/// For kernels without the lists of children: all processes are looked at, and grandchildren are given too.
fn children_by_search(root: i32) -> Vec<i32> {
    let processes: Vec<(i32, i32)> = fs::read_dir("/proc")
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter_map(|pid| Some((pid, i32::try_from(stat_field(pid, 4)?).ok()?)))
        .collect();
    let mut found = vec![root];
    let mut next = 0;
    while let Some(parent) = found.get(next).copied() {
        next += 1;
        found.extend(
            processes
                .iter()
                .filter(|(_, of)| *of == parent)
                .map(|(pid, _)| *pid),
        );
    }
    found.split_off(1)
}

/// A number of `/proc/PID/stat`, counted from 1 as in its manual page (proc_pid_stat(5)); only those behind
/// the name, which may hold anything.
fn stat_field(pid: i32, number: usize) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    text.rsplit_once(')')?
        .1
        .split_ascii_whitespace()
        .nth(number - 3)?
        .parse()
        .ok()
}

/// Of the process and of its children that it has waited for.
fn cpu_ticks(pid: i32) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let fields = text.rsplit_once(')')?.1.split_ascii_whitespace();
    Some(
        fields
            .skip(14 - 3)
            .take(4)
            .filter_map(|field| field.parse::<u64>().ok())
            .sum(),
    )
}

fn resident_bytes(pid: i32, page_bytes: u64) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/statm")).ok()?;
    Some(text.split_ascii_whitespace().nth(1)?.parse::<u64>().ok()? * page_bytes)
}

/// Each shared page counts by its share.
fn proportional_bytes(pid: i32) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{pid}/smaps_rollup")).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix("Pss:"))?;
    Some(line.split_ascii_whitespace().next()?.parse::<u64>().ok()? * 1024)
}
