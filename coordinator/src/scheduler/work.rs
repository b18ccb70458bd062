//! Work that is left: cores and memory, each times the time for which they are held.

use super::ids::Millis;
use super::spec::Amount;

/// A sum over items.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Work {
    millicore_ms: u128,
    byte_ms: u128,
}

impl Work {
    pub(super) fn of(need: Amount, elapsed_ms: Millis) -> Self {
        Self {
            millicore_ms: u128::from(need.millicores) * u128::from(elapsed_ms),
            byte_ms: u128::from(need.memory_bytes) * u128::from(elapsed_ms),
        }
    }

    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            millicore_ms: self.millicore_ms.saturating_add(other.millicore_ms),
            byte_ms: self.byte_ms.saturating_add(other.byte_ms),
        }
    }

    pub(super) fn minus(self, other: Self) -> Self {
        Self {
            millicore_ms: self.millicore_ms.saturating_sub(other.millicore_ms),
            byte_ms: self.byte_ms.saturating_sub(other.byte_ms),
        }
    }

    pub(super) fn times(self, factor: u64) -> Self {
        Self {
            millicore_ms: self.millicore_ms.saturating_mul(u128::from(factor)),
            byte_ms: self.byte_ms.saturating_mul(u128::from(factor)),
        }
    }

    /// How long it takes at least where `lent`, as the work of one millisecond, is there all the time.
    pub(super) fn time_on(self, lent: Work) -> Millis {
        let by = |taken: u128, lent: u128| if lent == 0 { 0 } else { taken.div_ceil(lent) };
        let longest = by(self.millicore_ms, lent.millicore_ms).max(by(self.byte_ms, lent.byte_ms));
        Millis::try_from(longest).unwrap_or(Millis::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_short_decides_how_long_work_takes() {
        let need = Amount {
            millicores: 1000,
            memory_bytes: 100,
        };
        let work = Work::of(need, 50).times(4);
        let lent = |millicores, memory_bytes| {
            Work::of(
                Amount {
                    millicores,
                    memory_bytes,
                },
                1,
            )
        };
        assert_eq!(work.time_on(lent(4000, 1000)), 50);
        assert_eq!(work.time_on(lent(4000, 100)), 200);
        assert_eq!(work.minus(Work::of(need, 50)).time_on(lent(1000, 1000)), 150);
        assert_eq!(Work::default().plus(work), work);
    }
}
