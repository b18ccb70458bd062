//! The launcher's view of a system without pidfds and subreapers: threads wait for pipes and for the first
//! process, sysinfo knows which processes descend from it.
//!
//! What this cannot do as well as Linux: a process that leaves both the tree and the group between two looks
//! is not found again.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, Read};
use std::process::{Command, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

use sysinfo::{Pid, ProcessesToUpdate, Signal, System};

use super::{Counted, Event, Sample, Usage, end_group, group_lives, own_group, wait_for_exit};
use crate::launcher::Launch;

const PIECE_BYTES: usize = 64 << 10;
/// How long processes may take to vanish after a kill.
const KILL_PATIENCE: Duration = Duration::from_secs(10);
/// How long the rest of a log may take to arrive once all its writers are gone.
const LOG_PATIENCE: Duration = Duration::from_millis(500);

pub(crate) struct Host {
    sender: Sender<Noted>,
    noted: Receiver<Noted>,
    system: System,
    item: Option<Item>,
    /// Counts items, so that a late thread of an earlier one is not listened to.
    serial: u64,
}

/// What a thread saw.
enum Noted {
    Agent(Event),
    Item(u64, Event),
    LogEnded(u64),
}

struct Item {
    pid: u32,
    /// Every process of the item that was ever seen, with its start time: numbers are used again.
    seen: HashMap<Pid, u64>,
    log_ended: bool,
}

impl Host {
    pub(crate) fn start() -> io::Result<Self> {
        let (sender, noted) = mpsc::channel();
        let to_host = sender.clone();
        std::thread::Builder::new().name("input".into()).spawn(move || {
            let closed = read_all(io::stdin().lock(), |piece| {
                to_host.send(Noted::Agent(Event::Input(piece))).is_ok()
            });
            drop(closed);
            let _ = to_host.send(Noted::Agent(Event::InputClosed));
        })?;
        let system = System::new().map_err(|error| io::Error::other(error.to_string()))?;
        Ok(Self {
            sender,
            noted,
            system,
            item: None,
            serial: 0,
        })
    }

    pub(crate) fn spawn(&mut self, launch: &Launch) -> io::Result<()> {
        let (log, writer) = io::pipe()?;
        let is_empty = |path: &std::path::Path| path.as_os_str().is_empty();
        let stdin = if is_empty(&launch.stdin) {
            Stdio::null()
        } else {
            File::open(&launch.stdin)?.into()
        };
        let stdout: Stdio = if is_empty(&launch.stdout) {
            writer.try_clone()?.into()
        } else {
            File::create(&launch.stdout)?.into()
        };
        let mut command = Command::new(&launch.program);
        command
            .args(&launch.arguments)
            .env_clear()
            .envs(launch.environment.iter().map(|(name, value)| (name, value)))
            .current_dir(&launch.folder)
            .stdin(stdin)
            .stdout(stdout)
            .stderr(writer);
        own_group(&mut command);
        let child = command.spawn()?;
        // It holds the write end of the pipe.
        drop(command);
        self.serial += 1;
        let (serial, pid) = (self.serial, child.id());
        self.item = Some(Item {
            pid,
            seen: HashMap::new(),
            log_ended: false,
        });
        let to_host = self.sender.clone();
        std::thread::Builder::new().name("log".into()).spawn(move || {
            let read = read_all(log, |piece| {
                to_host.send(Noted::Item(serial, Event::Log(piece))).is_ok()
            });
            drop(read);
            let _ = to_host.send(Noted::LogEnded(serial));
        })?;
        let to_host = self.sender.clone();
        std::thread::Builder::new().name("exit".into()).spawn(move || {
            let _ = to_host.send(Noted::Item(serial, Event::Exited(wait_for_exit(child))));
        })?;
        Ok(())
    }

    pub(crate) fn pid(&self) -> u32 {
        self.item.as_ref().map_or(0, |item| item.pid)
    }

    pub(crate) fn wait(&mut self, timeout: Option<Duration>) -> io::Result<Vec<Event>> {
        let until = timeout.map(|timeout| Instant::now() + timeout);
        loop {
            let noted = match until {
                None => self.noted.recv().map_err(|_| RecvTimeoutError::Disconnected),
                Some(until) => self
                    .noted
                    .recv_timeout(until.saturating_duration_since(Instant::now())),
            };
            match noted {
                Ok(noted) => {
                    if let Some(event) = self.sort_out(noted) {
                        return Ok(vec![event]);
                    }
                }
                Err(RecvTimeoutError::Timeout) => return Ok(Vec::new()),
                Err(RecvTimeoutError::Disconnected) => return Ok(vec![Event::InputClosed]),
            }
        }
    }

    pub(crate) fn sample(&mut self) -> Sample {
        let mut sample = Sample::default();
        for pid in self.tree() {
            if let Some(process) = self.system.process(pid) {
                sample.memory_bytes += process.memory();
                sample.cpu += Duration::from_millis(process.accumulated_cpu_time());
            }
        }
        sample
    }

    /// This system counts processes one by one.
    pub(crate) fn counted(&mut self) -> Counted {
        Counted::default()
    }

    pub(crate) fn ask_to_end(&mut self) {
        for pid in self.tree() {
            if let Some(process) = self.system.process(pid) {
                // Where the system has no polite request, the kill that follows is the only one.
                let _ = process.kill_with(Signal::Term);
            }
        }
    }

    pub(crate) fn kill(&mut self) {
        let Some(pid) = self.item.as_ref().map(|item| item.pid) else {
            return;
        };
        end_group(pid);
        for pid in self.tree() {
            if let Some(process) = self.system.process(pid) {
                process.kill();
            }
        }
    }

    pub(crate) fn sweep(&mut self) -> io::Result<(u32, Usage)> {
        let started = Instant::now();
        let mut found = 0;
        let mut pause = Duration::from_millis(1);
        loop {
            let tree = self.tree();
            if tree.is_empty() && !group_lives(self.pid()) {
                return Ok((u32::try_from(found).unwrap_or(u32::MAX), Usage::default()));
            }
            found = found.max(tree.len());
            self.kill();
            if started.elapsed() > KILL_PATIENCE {
                return Err(io::Error::other(format!("processes {tree:?} cannot be ended")));
            }
            std::thread::sleep(pause);
            pause = (pause * 2).min(Duration::from_millis(50));
        }
    }

    pub(crate) fn rest_of_log(&mut self) -> io::Result<Option<Vec<u8>>> {
        let until = Instant::now() + LOG_PATIENCE;
        while self.item.as_ref().is_some_and(|item| !item.log_ended) {
            let Ok(noted) = self
                .noted
                .recv_timeout(until.saturating_duration_since(Instant::now()))
            else {
                break;
            };
            match noted {
                // For whoever waits next.
                Noted::Agent(event) => {
                    let _ = self.sender.send(Noted::Agent(event));
                    if Instant::now() >= until {
                        break;
                    }
                }
                noted => {
                    if let Some(Event::Log(piece)) = self.sort_out(noted) {
                        return Ok(Some(piece));
                    }
                }
            }
        }
        self.item = None;
        Ok(None)
    }

    fn sort_out(&mut self, noted: Noted) -> Option<Event> {
        match noted {
            Noted::Agent(event) => Some(event),
            Noted::Item(serial, event) => (serial == self.serial && self.item.is_some()).then_some(event),
            Noted::LogEnded(serial) => {
                if let Some(item) = self.item.as_mut().filter(|_| serial == self.serial) {
                    item.log_ended = true;
                }
                None
            }
        }
    }

    /// Living processes of the item: its first, all that descend from one ever seen, and those themselves.
    fn tree(&mut self) -> Vec<Pid> {
        let Some(item) = self.item.as_mut() else {
            return Vec::new();
        };
        self.system.refresh_processes(ProcessesToUpdate::All, true);
        let processes = self.system.processes();
        let first = Pid::from_u32(item.pid);
        if item.seen.is_empty()
            && let Some(process) = processes.get(&first)
        {
            item.seen.insert(first, process.start_time());
        }
        loop {
            let known = item.seen.len();
            for (pid, process) in processes {
                let descends = process.parent().and_then(|parent| item.seen.get(&parent));
                // A child is never older than its parent: an older one is of somebody who had the number before.
                if descends.is_some_and(|parent_start| process.start_time() >= *parent_start) {
                    item.seen.entry(*pid).or_insert_with(|| process.start_time());
                }
            }
            if item.seen.len() == known {
                break;
            }
        }
        let lives = |(pid, start): (&Pid, &u64)| {
            let process = processes.get(pid)?;
            let is_dead = matches!(
                process.status(),
                sysinfo::ProcessStatus::Zombie | sysinfo::ProcessStatus::Dead
            );
            (process.start_time() == *start && !is_dead).then_some(*pid)
        };
        item.seen.iter().filter_map(lives).collect()
    }
}

/// Groups of processes with a memory limit by the system: not to be had here.
#[cfg(not(target_os = "linux"))]
#[derive(Debug)]
pub struct Groups(std::convert::Infallible);

#[cfg(not(target_os = "linux"))]
impl Groups {
    /// # Errors
    /// Always, for people.
    pub fn make(_id: &str, _note: &std::path::Path) -> Result<Self, String> {
        Err("this system has no control groups".to_owned())
    }

    /// Where the group of an item may be made.
    pub fn path(&self, _name: &str) -> std::path::PathBuf {
        match self.0 {}
    }

    pub(crate) fn held_bytes(&self) -> Option<u64> {
        match self.0 {}
    }
}

/// Hands all that is read to `take`, until the end or until that says no.
fn read_all(mut input: impl Read, mut take: impl FnMut(Vec<u8>) -> bool) -> io::Result<()> {
    loop {
        let mut piece = vec![0; PIECE_BYTES];
        let length = input.read(&mut piece)?;
        piece.truncate(length);
        if length == 0 || !take(piece) {
            return Ok(());
        }
    }
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    fn launch(script: &str) -> Launch {
        Launch {
            program: "/bin/sh".into(),
            arguments: vec!["-c".into(), script.into()],
            environment: vec![("PATH".into(), "/usr/bin:/bin".into())],
            folder: "/".into(),
            ..Launch::default()
        }
    }

    /// Waits for the end; gives exit code, signal, log and the number of leftovers.
    fn finish(host: &mut Host) -> (Option<i32>, i32, String, u32) {
        let mut log = Vec::new();
        let exit = loop {
            let mut exited = None;
            for event in host.wait(Some(Duration::from_secs(10))).unwrap() {
                match event {
                    Event::Log(piece) => log.extend(piece),
                    Event::Exited(exit) => exited = Some(exit),
                    Event::Input(_) | Event::InputClosed => {}
                }
            }
            if let Some(exit) = exited {
                break exit;
            }
        };
        let (leftovers, _) = host.sweep().unwrap();
        assert!(
            host.counted().peak_bytes.is_none(),
            "nobody counts them together here"
        );
        while let Some(piece) = host.rest_of_log().unwrap() {
            log.extend(piece);
        }
        (exit.code, exit.signal, String::from_utf8(log).unwrap(), leftovers)
    }

    #[test]
    fn items_follow_each_other_with_their_own_logs() {
        let mut host = Host::start().unwrap();
        host.spawn(&launch("echo timber; exit 3")).unwrap();
        assert_eq!(finish(&mut host), (Some(3), 0, "timber\n".to_owned(), 0));
        host.spawn(&launch("echo iron >&2")).unwrap();
        assert_eq!(finish(&mut host), (Some(0), 0, "iron\n".to_owned(), 0));
    }

    #[test]
    fn a_tree_is_measured_and_ended() {
        let mut host = Host::start().unwrap();
        host.spawn(&launch(
            "setsid sh -c 'trap \"\" TERM; while :; do sleep 0.1; done' & sleep 30",
        ))
        .unwrap();
        std::thread::sleep(Duration::from_millis(300));
        assert!(host.sample().memory_bytes > 1 << 20);
        assert!(host.tree().len() >= 3, "{:?}", host.tree());
        host.kill();
        let (code, signal, _, _) = finish(&mut host);
        assert_eq!((code, signal), (None, 9));
    }
    #[test]
    fn a_polite_item_may_tidy_up() {
        let mut host = Host::start().unwrap();
        host.spawn(&launch(
            "trap 'echo tidied; exit 5' TERM; echo ready; while :; do sleep 0.05; done",
        ))
        .unwrap();
        std::thread::sleep(Duration::from_millis(300));
        host.ask_to_end();
        let (code, _, log, _) = finish(&mut host);
        assert_eq!(code, Some(5));
        assert!(log.starts_with("ready\n") && log.ends_with("tidied\n"), "{log}");
    }
}
