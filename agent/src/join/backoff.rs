//! Pauses between attempts to join: they grow, and no two agents keep the same step. Pure.

use std::time::Duration;

const FIRST: Duration = Duration::from_millis(200);
/// A coordinator that was started again waits a little longer for agents that may hold items (`QUIET` in its engine).
const LONGEST: Duration = Duration::from_secs(10);
/// After a refusal: somebody has to change something first.
const REFUSED: Duration = Duration::from_secs(60);

/// The next pause, and those before.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    failures: u32,
}

impl Backoff {
    /// It worked.
    pub(super) fn reset(&mut self) {
        self.failures = 0;
    }

    /// Pause after another failure; `random` is even over all its values.
    pub(super) fn next(&mut self, random: u32) -> Duration {
        let grown = FIRST.saturating_mul(1 << self.failures.min(10)).min(LONGEST);
        self.failures += 1;
        jittered(grown, random)
    }

    /// Pause after a refusal.
    pub(super) fn refused(random: u32) -> Duration {
        jittered(REFUSED, random)
    }
}

/// Between half of the pause and all of it.
fn jittered(pause: Duration, random: u32) -> Duration {
    pause.mul_f64(0.5 + 0.5 * f64::from(random) / f64::from(u32::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_to_a_bound_and_start_anew() {
        let mut backoff = Backoff::default();
        let pauses: Vec<u128> = (0..9).map(|_| backoff.next(u32::MAX).as_millis()).collect();
        assert_eq!(pauses, [200, 400, 800, 1600, 3200, 6400, 10000, 10000, 10000]);
        backoff.reset();
        assert_eq!(backoff.next(0), Duration::from_millis(100));
        (0..100).for_each(|_| assert!(backoff.next(7) <= LONGEST));
    }
}
