//! How much of a log goes through: its beginning, and its end, where failures stand. Pure.

use std::collections::VecDeque;

/// Of the beginning.
pub(super) const HEAD_BYTES: u64 = 32 << 20;
/// Of the end, once the beginning is full.
const TAIL_BYTES: usize = 256 << 10;

/// Lets the beginning of a log through and keeps the end.
#[derive(Debug)]
pub(super) struct Limiter {
    room: u64,
    tail: VecDeque<u8>,
    dropped_bytes: u64,
}

impl Limiter {
    pub(super) fn new(head_bytes: u64) -> Self {
        Self {
            room: head_bytes,
            tail: VecDeque::new(),
            dropped_bytes: 0,
        }
    }

    /// The part of `piece` that goes through now.
    pub(super) fn feed<'a>(&mut self, piece: &'a [u8]) -> &'a [u8] {
        let now = piece.len().min(usize::try_from(self.room).unwrap_or(usize::MAX));
        self.room -= now as u64;
        let (now, later) = piece.split_at(now);
        self.tail.extend(later);
        let over = self.tail.len().saturating_sub(TAIL_BYTES);
        self.tail.drain(..over);
        self.dropped_bytes += over as u64;
        now
    }

    /// What was kept back, behind a line that says what is missing.
    pub(super) fn finish(self) -> Vec<u8> {
        if self.tail.is_empty() {
            return Vec::new();
        }
        let mut end = if self.dropped_bytes > 0 {
            format!(
                "\n[tidemill: {} bytes of output left out here]\n",
                self.dropped_bytes
            )
            .into_bytes()
        } else {
            Vec::new()
        };
        end.extend(self.tail);
        end
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_log_goes_through_whole() {
        let mut limiter = Limiter::new(10);
        assert_eq!(limiter.feed(b"timber"), b"timber");
        assert_eq!(limiter.feed(b"iron"), b"iron");
        assert_eq!(limiter.finish(), b"");
    }

    #[test]
    fn of_a_long_log_beginning_and_end_are_kept_and_the_gap_is_marked() {
        let mut limiter = Limiter::new(4);
        assert_eq!(limiter.feed(b"head and "), b"head");
        let filler = vec![b'x'; TAIL_BYTES];
        assert_eq!(limiter.feed(&filler), b"");
        assert_eq!(limiter.feed(b" end"), b"");
        let end = String::from_utf8(limiter.finish()).unwrap();
        assert!(
            end.starts_with("\n[tidemill: 9 bytes of output left out here]\nxxx"),
            "{}",
            &end[..60]
        );
        assert!(end.ends_with("x end"));
    }
}
