//! Room on the coordinator's own disk: nothing is placed while too little of it is left, since results that cannot be
//! recorded are lost work. What runs meanwhile still has the part that is kept back.
//!
//! A share that hangs answers nobody, so each disk is asked on a thread of its own; the engine goes by the last answer,
//! and says when that is old.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use tidemill_store::backend::Address;
use tokio::sync::mpsc::UnboundedSender;

use super::Engine;
use super::event::Event as EngineEvent;
use crate::config::Config;
use crate::scheduler::Event;

/// Between two questions to a disk.
const EVERY: Duration = Duration::from_millis(500);
/// A disk that has not answered for so long is spoken of.
const LATE: Duration = Duration::from_secs(10);

/// Kept back where nothing else is set: so much, or this share of the disk if that is less.
const KEPT_BYTES: u64 = 1 << 30;
const KEPT_SHARE: u64 = 20;
/// Placing goes on once so much more than what is kept is free: not to and fro with every result.
const CLEARANCE_SHARE: u64 = 10;

/// What a disk answered.
#[derive(Debug)]
pub struct RoomSeen {
    /// Which of the watched folders.
    folder: usize,
    /// `None`: the system does not say.
    disk: Option<Disk>,
}

/// The disks of record and store, and what they last said; by default none.
#[derive(Default)]
pub(super) struct RoomWatch {
    disks: Vec<Watched>,
    /// The watchers end when this goes.
    _ending: Vec<mpsc::Sender<()>>,
}

struct Watched {
    folder: PathBuf,
    disk: Option<Disk>,
    answered: Instant,
    is_late: bool,
}

impl RoomWatch {
    /// Asks the disks from now on; `tell` gets their answers.
    pub(super) fn start(config: &Config, tell: &UnboundedSender<EngineEvent>) -> io::Result<Self> {
        // A share is a disk, too; a bucket's room is its provider's.
        let store = match &config.store {
            Address::Folder(folder) => Some(folder),
            Address::Share(share) => Some(&share.folder),
            Address::Bucket(_) => None,
        };
        let (mut disks, mut ending) = (Vec::new(), Vec::new());
        for (number, folder) in std::iter::once(&config.data).chain(store).enumerate() {
            let (end, ended) = mpsc::channel();
            let (own, tell) = (folder.clone(), tell.clone());
            let ask = move || loop {
                let disk = Disk::of(&own);
                let seen = RoomSeen { folder: number, disk };
                let has_ended = tell.send(EngineEvent::RoomSeen(seen)).is_err();
                if has_ended || ended.recv_timeout(EVERY) != Err(RecvTimeoutError::Timeout) {
                    return;
                }
            };
            thread::Builder::new().name("room".to_owned()).spawn(ask)?;
            ending.push(end);
            disks.push(Watched::new(folder.clone()));
        }
        Ok(Self {
            disks,
            _ending: ending,
        })
    }
}

impl Watched {
    fn new(folder: PathBuf) -> Self {
        Self {
            folder,
            disk: None,
            answered: Instant::now(),
            is_late: false,
        }
    }

    /// In words, how long it has not answered, if that is too long.
    fn lateness(&self, now: Instant) -> Option<String> {
        let silent = now.saturating_duration_since(self.answered);
        (silent >= LATE).then(|| {
            format!(
                "the disk under {} has not said for {} s how much room it has; look whether it still answers",
                self.folder.display(),
                silent.as_secs()
            )
        })
    }
}

/// Free and all bytes of a disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Disk {
    free_bytes: u64,
    total_bytes: u64,
}

impl Disk {
    /// `None`: the system does not say.
    fn of(folder: &Path) -> Option<Self> {
        Some(Self {
            free_bytes: fs4::available_space(folder).ok()?,
            total_bytes: fs4::total_space(folder).ok()?,
        })
    }

    fn kept_bytes(self, set: Option<u64>) -> u64 {
        set.unwrap_or_else(|| KEPT_BYTES.min(self.total_bytes / KEPT_SHARE))
    }

    /// Why nothing is placed, if so; `held`: nothing was placed until now.
    fn refusal(self, folder: &Path, set: Option<u64>, held: bool) -> Option<String> {
        let kept = self.kept_bytes(set);
        let wanted = if held { kept + kept / CLEARANCE_SHARE } else { kept };
        (self.free_bytes < wanted).then(|| {
            format!(
                "nothing is started: the coordinator's disk under {} has {} free, and {} are kept back",
                folder.display(),
                amount(self.free_bytes),
                amount(kept)
            )
        })
    }
}

fn amount(bytes: u64) -> String {
    const MIB: f64 = 1024.0 * 1024.0;
    match bytes as f64 / MIB {
        mib if mib >= 1024.0 => format!("{:.1} GiB", mib / 1024.0),
        mib => format!("{mib:.1} MiB"),
    }
}

impl Engine {
    /// A disk has answered.
    pub(super) fn room_seen(&mut self, seen: &RoomSeen) {
        let Some(watched) = self.room.disks.get_mut(seen.folder) else {
            return;
        };
        watched.disk = seen.disk;
        watched.answered = Instant::now();
        if std::mem::take(&mut watched.is_late) {
            tracing::info!("the disk under {} answers again", watched.folder.display());
        }
        self.hold_or_free();
    }

    /// Tells of disks that do not answer.
    pub(super) fn look_at_room(&mut self) {
        let now = Instant::now();
        for watched in &mut self.room.disks {
            if !watched.is_late
                && let Some(why) = watched.lateness(now)
            {
                watched.is_late = true;
                tracing::warn!("{why}; until then its last answer counts");
            }
        }
    }

    /// What is to be said of room, if anything: why nothing is placed, or which disk does not answer.
    pub(super) fn room_note(&self) -> Option<String> {
        let now = Instant::now();
        let late = || self.room.disks.iter().find_map(|watched| watched.lateness(now));
        self.no_room.clone().or_else(late)
    }

    /// Holds or frees placement, by the last answers.
    fn hold_or_free(&mut self) {
        let held = self.no_room.is_some();
        let refusal = self.room.disks.iter().find_map(|watched| {
            watched
                .disk?
                .refusal(&watched.folder, self.config.keep_disk_bytes, held)
        });
        match (&refusal, held) {
            (Some(why), false) => {
                tracing::warn!("{why}; it goes on by itself once there is room");
                self.step(Event::Hold { held: true });
            }
            (None, true) => {
                tracing::info!("there is room on the coordinator's disk again: items are placed");
                self.step(Event::Hold { held: false });
            }
            _ => {}
        }
        self.no_room = refusal;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn refusal(free_mib: u64, total_mib: u64, set: Option<u64>, held: bool) -> Option<String> {
        let disk = Disk {
            free_bytes: free_mib * MIB,
            total_bytes: total_mib * MIB,
        };
        disk.refusal(Path::new("/srv/mill"), set, held)
    }

    #[test]
    fn a_twentieth_is_kept_back_but_no_more_than_a_gibibyte_or_what_was_set() {
        assert_eq!(refusal(6, 100, None, false), None);
        assert!(refusal(4, 100, None, false).is_some());
        assert_eq!(refusal(1025, 1 << 20, None, false), None);
        assert_eq!(
            refusal(512, 1 << 20, None, false).unwrap(),
            "nothing is started: the coordinator's disk under /srv/mill has 512.0 MiB free, and 1.0 GiB are kept back"
        );
        assert!(refusal(4000, 1 << 20, Some(5000 * MIB), false).is_some());
        assert_eq!(refusal(0, 1 << 20, Some(0), false), None);
    }

    #[test]
    fn a_little_more_room_has_to_come_back_before_it_goes_on() {
        assert_eq!(refusal(105, 1 << 20, Some(100 * MIB), false), None);
        assert!(refusal(105, 1 << 20, Some(100 * MIB), true).is_some());
        assert_eq!(refusal(110, 1 << 20, Some(100 * MIB), true), None);
    }

    #[test]
    fn a_disk_that_does_not_answer_is_named_with_the_time_of_its_silence() {
        let watched = Watched::new(PathBuf::from("/mnt/mill"));
        assert_eq!(watched.lateness(watched.answered + LATE / 2), None);
        let said = watched.lateness(watched.answered + LATE * 3).unwrap();
        assert!(said.contains("/mnt/mill has not said for 30 s"), "{said}");
    }

    /// The first answers come at once, and the watchers end with the watch.
    #[test]
    fn disks_are_asked_beside_the_engine() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("store")).unwrap();
        let config = Config::embedded(folder.path());
        let (tell, mut told) = tokio::sync::mpsc::unbounded_channel();
        let watch = RoomWatch::start(&config, &tell).unwrap();
        drop(tell);
        assert_eq!(watch.disks.len(), 2);
        for _ in 0..2 {
            match told.blocking_recv() {
                Some(EngineEvent::RoomSeen(seen)) => assert!(seen.disk.is_some(), "{seen:?}"),
                other => panic!("{other:?}"),
            }
        }
        drop(watch);
        while told.blocking_recv().is_some() {}
    }
}
