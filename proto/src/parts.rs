//! How a big blob is cut, so that several pieces of it travel at once and a cut costs little.

use std::collections::BTreeMap;
use std::ops::Range;

/// Blobs above this size, in bytes, travel in parts.
pub const BIG_BYTES: u64 = 32 * 1024 * 1024;

/// Largest size of one part, in bytes.
pub const PART_BYTES: u64 = 8 * 1024 * 1024;

/// So many parts of one blob travel at once: enough that a far connection is not idle between two of them.
pub const PARTS_AT_ONCE: usize = 4;

/// So many ranges are told at once, whatever size was announced.
pub const MOST_RANGES: usize = 1024;

/// Which bytes of a blob have arrived.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Extents {
    /// End by start; none touches another.
    ends: BTreeMap<u64, u64>,
}

impl Extents {
    /// Notes that a range has arrived, in part or wholly for the second time perhaps.
    pub fn add(&mut self, range: Range<u64>) {
        if range.is_empty() {
            return;
        }
        let Range { mut start, mut end } = range;
        let touching: Vec<u64> = self
            .ends
            .range(..=end)
            .rev()
            .take_while(|(_, known_end)| **known_end >= start)
            .map(|(known_start, _)| *known_start)
            .collect();
        for known_start in touching {
            if let Some(known_end) = self.ends.remove(&known_start) {
                start = start.min(known_start);
                end = end.max(known_end);
            }
        }
        self.ends.insert(start, end);
    }

    /// What of a blob of `size` bytes is not there, in order, cut into pieces of at most `longest` bytes; the first
    /// [`MOST_RANGES`] of them.
    pub fn lacking(&self, size: u64, longest: u64) -> Vec<Range<u64>> {
        let mut lacking = Vec::new();
        let mut at = 0;
        let known = self.ends.iter().map(|(start, end)| (*start, *end));
        for (start, end) in known.chain([(size, size)]) {
            while at < start.min(size) {
                if lacking.len() >= MOST_RANGES {
                    return lacking;
                }
                let next = start.min(size).min(at.saturating_add(longest.max(1)));
                lacking.push(at..next);
                at = next;
            }
            at = at.max(end);
        }
        lacking
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_lacking_is_all_that_did_not_arrive_and_no_more() {
        let mut extents = Extents::default();
        assert_eq!(extents.lacking(25, 10), [0..10, 10..20, 20..25]);
        assert_eq!(extents.lacking(0, 10), []);
        extents.add(10..14);
        extents.add(3..3);
        extents.add(20..25);
        assert_eq!(extents.lacking(25, 10), [0..10, 14..20]);
        extents.add(12..16); // overlaps
        extents.add(16..20); // touches both sides
        assert_eq!(extents.lacking(25, 4), [0..4, 4..8, 8..10]);
        assert_eq!(extents.lacking(30, 10), [0..10, 25..30]);
        extents.add(0..10);
        assert_eq!(extents.lacking(25, 10), []);
        assert_eq!(extents.ends, BTreeMap::from([(0, 25)]));
    }

    #[test]
    fn an_absurd_size_makes_no_absurd_list() {
        let lacking = Extents::default().lacking(u64::MAX, PART_BYTES);
        assert_eq!(lacking.len(), MOST_RANGES);
        assert_eq!(lacking[1].start, PART_BYTES);
    }

    /// Against a plain list of bytes, over many orders of arrival.
    #[test]
    fn extents_agree_with_a_list_of_bytes() {
        let mut seed = 7_u64;
        let mut random = |below: u64| {
            seed = seed
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (seed >> 33) % below
        };
        for _ in 0..500 {
            let (mut extents, mut bytes) = (Extents::default(), [false; 40]);
            for _ in 0..random(12) {
                let start = random(40);
                let range = start..(start + random(12)).min(40);
                extents.add(range.clone());
                range.for_each(|at| bytes[at as usize] = true);
                let mut found = [true; 40];
                for lacking in extents.lacking(40, 5) {
                    assert!(lacking.end - lacking.start <= 5 && !lacking.is_empty());
                    lacking.for_each(|at| found[at as usize] = false);
                }
                assert_eq!(found, bytes);
            }
        }
    }
}
