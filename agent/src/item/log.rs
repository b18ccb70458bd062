//! What an item wrote: all of it for the store, the last lines for the result, and pieces for whoever
//! watches, of which there may not be too many.

use std::borrow::Cow;
use std::time::{Duration, Instant};

/// Longest tail, in bytes.
const TAIL_BYTES: usize = 2048;
/// A shorter log takes a block of the disk either way.
const WORTH_PACKING_BYTES: usize = 4 << 10;
const ZSTD_LEVEL: i32 = 3;
/// Most bytes that go to watchers in one [`PERIOD`].
const LIVE_BYTES: usize = 64 << 10;
const PERIOD: Duration = Duration::from_millis(250);

/// The log of one item. The launcher bounds its size.
#[derive(Debug)]
pub(crate) struct ItemLog {
    bytes: Vec<u8>,
    live: LiveLimit,
}

impl ItemLog {
    pub(crate) fn new() -> Self {
        Self {
            bytes: Vec::new(),
            live: LiveLimit {
                since: Instant::now(),
                sent: 0,
                skipped: 0,
            },
        }
    }

    /// Takes a piece; gives what watchers get of it.
    pub(crate) fn add(&mut self, piece: &[u8]) -> Vec<u8> {
        self.bytes.extend_from_slice(piece);
        self.live.pass(piece, Instant::now())
    }

    /// Adds a line of our own, marked as such.
    pub(crate) fn remark(&mut self, text: &str) -> Vec<u8> {
        let begin = if self.bytes.last().is_none_or(|byte| *byte == b'\n') {
            ""
        } else {
            "\n"
        };
        self.add(format!("{begin}[tidemill] {text}\n").as_bytes())
    }

    /// What the store keeps, and whether that is compressed: only where it is worth the time.
    pub(crate) fn packed(&self) -> (Cow<'_, [u8]>, bool) {
        if self.bytes.len() >= WORTH_PACKING_BYTES
            && let Ok(packed) = zstd::bulk::compress(&self.bytes, ZSTD_LEVEL)
            && packed.len() < self.bytes.len() - self.bytes.len() / 8
        {
            return (packed.into(), true);
        }
        (self.bytes.as_slice().into(), false)
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The last whole lines that fit in 2 KiB; of one longer line its end.
    pub(crate) fn tail(&self) -> String {
        let cut = self.bytes.len().saturating_sub(TAIL_BYTES);
        let mut tail = &self.bytes[cut..];
        if cut > 0
            && self.bytes[cut - 1] != b'\n'
            && let Some(line_end) = tail.iter().position(|byte| *byte == b'\n')
            && line_end + 1 < tail.len()
        {
            tail = &tail[line_end + 1..];
        }
        let mut text = String::from_utf8_lossy(tail).into_owned();
        // A replaced byte takes three.
        while text.len() > TAIL_BYTES {
            text.remove(0);
        }
        text
    }
}

/// Bounds what watchers get; what is left out is named, and the whole log has it.
#[derive(Debug)]
struct LiveLimit {
    since: Instant,
    sent: usize,
    skipped: usize,
}

impl LiveLimit {
    fn pass(&mut self, piece: &[u8], now: Instant) -> Vec<u8> {
        let mut out = Vec::new();
        if now.duration_since(self.since) >= PERIOD {
            self.since = now;
            self.sent = 0;
            if self.skipped > 0 {
                out = format!("\n[tidemill] {} bytes not shown live\n", self.skipped).into_bytes();
                self.skipped = 0;
            }
        }
        let passed = piece.len().min(LIVE_BYTES.saturating_sub(self.sent));
        self.sent += passed;
        self.skipped += piece.len() - passed;
        out.extend_from_slice(&piece[..passed]);
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_is_whole_lines_within_two_kibibytes() {
        let mut log = ItemLog::new();
        log.add(b"one\ntwo\n");
        assert_eq!(log.tail(), "one\ntwo\n");
        (0..500).for_each(|n| drop(log.add(format!("line {n}\n").as_bytes())));
        let tail = log.tail();
        assert!(
            tail.len() <= TAIL_BYTES && tail.len() > TAIL_BYTES - 10,
            "{}",
            tail.len()
        );
        assert!(tail.starts_with("line ") && tail.ends_with("line 499\n"));
    }

    #[test]
    fn a_long_log_is_packed_and_a_short_or_random_one_is_not() {
        let mut log = ItemLog::new();
        log.add(b"done\n");
        assert_eq!(log.packed(), (Cow::Borrowed(&b"done\n"[..]), false));
        (0..5000).for_each(|n| drop(log.add(format!("pass {n}: closed 3 holes\n").as_bytes())));
        let (packed, is_packed) = log.packed();
        assert!(
            is_packed && packed.len() * 4 < log.bytes().len(),
            "{}",
            packed.len()
        );
        assert_eq!(zstd::decode_all(&packed[..]).unwrap(), log.bytes());
        let mut noise = ItemLog::new();
        let mut seed = 7_u32;
        let bytes: Vec<u8> = (0..8000)
            .map(|_| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (seed >> 24) as u8
            })
            .collect();
        noise.add(&bytes);
        assert!(!noise.packed().1);
    }

    #[test]
    fn the_tail_of_one_long_line_or_of_odd_bytes_is_bounded() {
        let mut log = ItemLog::new();
        log.add(&[0xFF; 5000]);
        assert!(log.tail().len() <= TAIL_BYTES);
        assert!(!log.tail().is_empty());
    }

    #[test]
    fn remarks_begin_on_a_line_of_their_own() {
        let mut log = ItemLog::new();
        log.add(b"no line end");
        log.remark("dropped: a.tmp");
        assert_eq!(log.bytes(), b"no line end\n[tidemill] dropped: a.tmp\n");
    }

    #[test]
    fn watchers_get_a_bounded_amount_and_are_told_of_the_rest() {
        let start = Instant::now();
        let mut live = LiveLimit {
            since: start,
            sent: 0,
            skipped: 0,
        };
        let piece = vec![b'x'; 50 << 10];
        assert_eq!(live.pass(&piece, start).len(), 50 << 10);
        assert_eq!(live.pass(&piece, start).len(), 14 << 10);
        let later = live.pass(b"next", start + PERIOD);
        assert_eq!(
            String::from_utf8(later).unwrap(),
            "\n[tidemill] 36864 bytes not shown live\nnext"
        );
    }
}
