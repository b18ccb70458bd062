//! Logs of items that run right now, for those who follow them. The whole log is a blob once the attempt has
//! ended; here only the last part is kept, so that memory is bounded by the number of running items.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use bytes::{Bytes, BytesMut};
use tokio::sync::watch;

/// Most bytes that are kept of one running item's log.
const KEPT_BYTES: usize = 256 * 1024;

/// One item of one run.
pub type LogPlace = (Arc<str>, u32);

/// The logs of running items. Clones share them.
#[derive(Debug, Clone, Default)]
pub struct LogHub {
    logs: Arc<Mutex<HashMap<LogPlace, Arc<LiveLog>>>>,
}

/// The log of one attempt while it runs.
#[derive(Debug)]
pub struct LiveLog {
    attempt: u32,
    kept: Mutex<Kept>,
    moved: watch::Sender<()>,
}

#[derive(Debug, Default)]
struct Kept {
    bytes: BytesMut,
    /// How many bytes of the log stood before the kept ones.
    before: u64,
    ended: bool,
}

/// What there is to read from a position on.
#[derive(Debug, PartialEq, Eq)]
pub struct LogRead {
    /// Bytes from the position on, or from the oldest kept byte if that is later.
    pub data: Bytes,
    /// Where to go on.
    pub next: u64,
    /// Bytes between the position and `data` that are no longer kept.
    pub skipped: u64,
    /// Nothing follows.
    pub ended: bool,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The data is plain bytes, sound after any panic.
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

impl LogHub {
    /// An attempt begins.
    pub fn begin(&self, place: LogPlace, attempt: u32) {
        let log = LiveLog {
            attempt,
            kept: Mutex::default(),
            moved: watch::Sender::new(()),
        };
        if let Some(old) = lock(&self.logs).insert(place, Arc::new(log)) {
            old.end();
        }
    }

    /// A running attempt wrote `data`.
    pub fn append(&self, place: &LogPlace, data: &[u8]) {
        if let Some(log) = self.get(place) {
            log.append(data);
        }
    }

    /// The attempt has ended; its followers read the rest and leave.
    pub fn end(&self, place: &LogPlace) {
        if let Some(log) = lock(&self.logs).remove(place) {
            log.end();
        }
    }

    /// The log of an item that runs now.
    pub fn get(&self, place: &LogPlace) -> Option<Arc<LiveLog>> {
        lock(&self.logs).get(place).cloned()
    }
}

impl LiveLog {
    /// Number of the attempt that writes it.
    pub fn attempt(&self) -> u32 {
        self.attempt
    }

    fn append(&self, data: &[u8]) {
        let mut kept = lock(&self.kept);
        kept.bytes.extend_from_slice(data);
        let excess = kept.bytes.len().saturating_sub(KEPT_BYTES);
        if excess > 0 {
            let _ = kept.bytes.split_to(excess);
            kept.before += excess as u64;
        }
        drop(kept);
        self.moved.send_replace(());
    }

    fn end(&self) {
        lock(&self.kept).ended = true;
        self.moved.send_replace(());
    }

    /// Wakes whoever waits for more.
    pub fn subscribe(&self) -> watch::Receiver<()> {
        self.moved.subscribe()
    }

    /// What is there from `position` on.
    pub fn read(&self, position: u64) -> LogRead {
        let kept = lock(&self.kept);
        let end = kept.before + kept.bytes.len() as u64;
        let from = position.clamp(kept.before, end);
        let data = Bytes::copy_from_slice(&kept.bytes[(from - kept.before) as usize..]);
        LogRead {
            data,
            next: end,
            skipped: from.saturating_sub(position),
            ended: kept.ended,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place() -> LogPlace {
        ("dock.1".into(), 3)
    }

    #[test]
    fn a_follower_reads_on_where_it_stopped_and_sees_the_end() {
        let hub = LogHub::default();
        hub.begin(place(), 1);
        hub.append(&place(), b"sand");
        let log = hub.get(&place()).unwrap();
        let first = log.read(0);
        assert_eq!(
            (&first.data[..], first.next, first.ended),
            (&b"sand"[..], 4, false)
        );
        hub.append(&place(), b"ing");
        hub.end(&place());
        let rest = log.read(first.next);
        assert_eq!((&rest.data[..], rest.skipped, rest.ended), (&b"ing"[..], 0, true));
        assert!(hub.get(&place()).is_none());
    }

    #[test]
    fn only_the_last_part_is_kept_and_the_gap_is_told() {
        let hub = LogHub::default();
        hub.begin(place(), 1);
        hub.append(&place(), &vec![b'a'; KEPT_BYTES]);
        hub.append(&place(), b"end");
        let read = hub.get(&place()).unwrap().read(0);
        assert_eq!((read.data.len(), read.skipped), (KEPT_BYTES, 3));
        assert!(read.data.ends_with(b"end"));
    }
}
