//! The run's median duration, which stands in where nothing is known about an item.

use super::ids::Millis;

/// Durations kept for the median.
const KEPT: usize = 64;
/// Counts as the median while nothing at all is known.
const FIRST_GUESS_MS: Millis = 60_000;

/// Expected durations at first, then the last measured ones.
#[derive(Debug)]
pub(super) struct Durations {
    /// The newest measured durations, as a ring.
    measured: Vec<Millis>,
    next: usize,
    total: u64,
    median_ms: Millis,
}

impl Durations {
    /// Stands for an unknown duration.
    pub(super) const UNKNOWN: Millis = Millis::MAX;

    pub(super) fn new(expected: impl Iterator<Item = Millis>) -> Self {
        let mut expected: Vec<Millis> = expected.collect();
        let median_ms = median(&mut expected).unwrap_or(FIRST_GUESS_MS);
        Self {
            measured: Vec::new(),
            next: 0,
            total: 0,
            median_ms,
        }
    }

    pub(super) fn median_ms(&self) -> Millis {
        self.median_ms
    }

    pub(super) fn or_median(&self, expected_ms: Millis) -> Millis {
        if expected_ms == Self::UNKNOWN {
            self.median_ms
        } else {
            expected_ms
        }
    }

    /// Adds a measured duration. True if the number of them has doubled: time to look again at what was
    /// derived from the median.
    pub(super) fn add(&mut self, elapsed_ms: Millis) -> bool {
        if self.measured.len() < KEPT {
            self.measured.push(elapsed_ms);
        } else {
            self.measured[self.next] = elapsed_ms;
        }
        self.next = (self.next + 1) % KEPT;
        self.total += 1;
        // The median of many moves slowly; sorting for each of them would show in the cost of a decision.
        if self.total < 8 || self.total.is_multiple_of(16) {
            let mut sorted = self.measured.clone();
            self.median_ms = median(&mut sorted).unwrap_or(FIRST_GUESS_MS);
        }
        self.total.is_power_of_two()
    }
}

fn median(values: &mut [Millis]) -> Option<Millis> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable(middle).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_follows_what_was_measured() {
        let mut durations = Durations::new([10, 20, 30].into_iter());
        assert_eq!(durations.or_median(Durations::UNKNOWN), 20);
        assert_eq!(durations.or_median(7), 7);
        durations.add(100);
        assert_eq!(durations.median_ms(), 100);
        for _ in 0..200 {
            durations.add(5);
        }
        assert_eq!(durations.median_ms(), 5);
    }

    #[test]
    fn without_any_knowledge_a_first_guess_counts() {
        assert_eq!(Durations::new(std::iter::empty()).median_ms(), FIRST_GUESS_MS);
    }
}
