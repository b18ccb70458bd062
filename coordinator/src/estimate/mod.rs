//! What an item is expected to need: declared first, learned from measured attempts afterwards. Pure.
//!
//! One [`Learned`] is kept for each step signature (the step's operations or arguments without variant values,
//! and the versions of its tools). Memory and time are taken as growing in a straight line with the size of the
//! inputs, from a base that is there for any input: a program's own size does not shrink with its input.

mod line;

use crate::scheduler::{Amount, Estimate, Millis};
use line::{Point, median, slope};

/// Measured attempts that are kept for one step signature; older ones are forgotten.
pub const SAMPLES_KEPT: usize = 16;
/// Measured attempts from which on a declaration no longer counts.
pub const SAMPLES_TRUSTED: usize = 3;
/// Learned memory is what was measured, and a fifth more,
const MEMORY_HEADROOM: f64 = 0.2;
/// or, from so many attempts on that all ran to their end, twice what they differ by, but at least a twentieth more. A fifth of a large
/// item is often the room of many small ones, and of a second large one.
const STEADY_FROM: usize = 8;
const STEADY_HEADROOM: f64 = 0.05;
/// Beyond the largest size that was measured by more than this factor nothing is known to be steady.
const STEADY_REACH: f64 = 1.25;
/// An attempt that was ended over its limit would have needed more: with the headroom, half as much again.
const ENDED_EARLY: f64 = 1.25;
/// No process is expected to need less.
const LEAST_MEMORY_BYTES: u64 = 16 << 20;

/// One measured attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// Bytes of all inputs together.
    pub input_bytes: u64,
    /// Highest memory of the process tree. For an attempt that was ended over its memory limit: what it had
    /// reached by then.
    pub peak_memory_bytes: u64,
    /// Wall-clock duration; `None` for an attempt that was ended over its memory limit.
    pub elapsed_ms: Option<Millis>,
}

/// The last measured attempts of one step signature, oldest first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Learned {
    samples: Vec<Sample>,
}

/// What measured attempts say about an item with inputs of a given size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Expectation {
    /// Memory to book: measured, with headroom.
    pub memory_bytes: u64,
    /// Expected duration; `None`: no attempt ran to its end.
    pub elapsed_ms: Option<Millis>,
}

impl Learned {
    /// The kept samples, oldest first.
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Adds a measured attempt and forgets the oldest one beyond [`SAMPLES_KEPT`], but neither the last one of the largest size nor that
    /// of the smallest: large items run first, and many small ones after them would leave nothing that is known of large ones.
    pub fn add(&mut self, sample: Sample) {
        self.samples.push(sample);
        if self.samples.len() > SAMPLES_KEPT {
            let size = |at: &usize| self.samples[*at].input_bytes;
            let places = || 0..self.samples.len();
            // Of equals, `max_by_key` gives the last and `min_by_key` the first.
            let largest = places().max_by_key(size);
            let smallest = places().rev().min_by_key(size);
            let oldest = places().find(|at| Some(*at) != largest && Some(*at) != smallest);
            self.samples.remove(oldest.unwrap_or(0));
        }
    }

    /// Attempts that ran to their end, of those kept.
    pub fn complete(&self) -> usize {
        self.samples
            .iter()
            .filter(|sample| sample.elapsed_ms.is_some())
            .count()
    }

    /// What the samples say about inputs of this size. `None`: there are none.
    ///
    /// Memory: the line that lies above every sample, with headroom; among at most sixteen samples the largest
    /// is the high quantile. The headroom is a fifth, or less where many attempts hardly differ. Never less than the smallest peak that was seen. Time: the line through the
    /// middle of the samples, never less than half the shortest duration.
    pub fn expect(&self, input_bytes: u64) -> Option<Expectation> {
        let size = input_bytes as f64;
        let peaks: Vec<Point> = self
            .samples
            .iter()
            .map(|sample| {
                let ended_early = if sample.elapsed_ms.is_none() {
                    ENDED_EARLY
                } else {
                    1.0
                };
                Point {
                    size: sample.input_bytes as f64,
                    value: sample.peak_memory_bytes as f64 * ended_early,
                }
            })
            .collect();
        let growth = slope(&peaks);
        let base = peaks
            .iter()
            .map(|peak| peak.value - growth * peak.size)
            .reduce(f64::max)?;
        let smallest = peaks.iter().map(|peak| peak.value).reduce(f64::min)?;
        let needed = (base + growth * size).max(smallest);
        let most = needed * MEMORY_HEADROOM;
        let headroom = if self.is_steady_at(size) {
            let differ = peaks
                .iter()
                .map(|peak| base + growth * peak.size - peak.value)
                .fold(0.0, f64::max);
            (2.0 * differ).max(needed * STEADY_HEADROOM).min(most)
        } else {
            most
        };
        Some(Expectation {
            memory_bytes: ((needed + headroom).ceil() as u64).max(LEAST_MEMORY_BYTES),
            elapsed_ms: self.expect_elapsed_ms(size),
        })
    }

    /// Enough is known about inputs of this size for less headroom.
    fn is_steady_at(&self, size: f64) -> bool {
        let largest = self.samples.iter().map(|sample| sample.input_bytes).max();
        self.samples.len() >= STEADY_FROM
            && self.complete() == self.samples.len()
            && largest.is_some_and(|largest| size <= largest as f64 * STEADY_REACH)
    }

    fn expect_elapsed_ms(&self, size: f64) -> Option<Millis> {
        let times: Vec<Point> = self
            .samples
            .iter()
            .filter_map(|sample| {
                let value = sample.elapsed_ms? as f64;
                Some(Point {
                    size: sample.input_bytes as f64,
                    value,
                })
            })
            .collect();
        let growth = slope(&times);
        let mut bases: Vec<f64> = times.iter().map(|time| time.value - growth * time.size).collect();
        let shortest = times.iter().map(|time| time.value).reduce(f64::min)?;
        let middle = median(&mut bases)? + growth * size;
        Some(middle.max(shortest / 2.0).round() as Millis)
    }
}

/// The estimate that counts for an item.
///
/// - `declared`: what the manifest says, or the defaults.
/// - `learned`: of the item's own step signature.
/// - `before`: of the signature that the step had before its parameters or tools changed, if it is known.
/// - `input_bytes`: of all inputs of the item together.
///
/// Once three attempts were measured, what was learned counts alone: a guess that was ten times too high heals.
/// Before, the larger of all that is known counts. Cores are always as declared.
pub fn estimate(
    declared: Estimate,
    learned: &Learned,
    before: Option<&Learned>,
    input_bytes: u64,
) -> Estimate {
    let own = learned.expect(input_bytes);
    if let Some(own) = own.filter(|_| learned.complete() >= SAMPLES_TRUSTED) {
        return Estimate {
            need: Amount {
                memory_bytes: own.memory_bytes,
                ..declared.need
            },
            elapsed_ms: own.elapsed_ms,
        };
    }
    let known = [own, before.and_then(|before| before.expect(input_bytes))];
    let memory_bytes = known
        .iter()
        .flatten()
        .map(|known| known.memory_bytes)
        .fold(declared.need.memory_bytes, u64::max);
    let elapsed_ms = known
        .iter()
        .flatten()
        .map(|known| known.elapsed_ms)
        .fold(declared.elapsed_ms, Option::max);
    Estimate {
        need: Amount {
            memory_bytes,
            ..declared.need
        },
        elapsed_ms,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn learned(samples: &[(u64, u64, Option<Millis>)]) -> Learned {
        let mut learned = Learned::default();
        for (input_mib, peak_mib, elapsed_ms) in samples {
            learned.add(Sample {
                input_bytes: input_mib * MIB,
                peak_memory_bytes: peak_mib * MIB,
                elapsed_ms: *elapsed_ms,
            });
        }
        learned
    }

    fn declared(memory_mib: u64, elapsed_ms: Option<Millis>) -> Estimate {
        Estimate {
            need: Amount {
                millicores: 2000,
                memory_bytes: memory_mib * MIB,
            },
            elapsed_ms,
        }
    }

    #[test]
    fn without_samples_the_declaration_counts() {
        let declared = declared(300, Some(5));
        assert_eq!(estimate(declared, &Learned::default(), None, MIB), declared);
    }

    #[test]
    fn a_guess_ten_times_too_high_heals_after_three_samples() {
        let two = learned(&[(1, 100, Some(10)), (1, 90, Some(12))]);
        assert_eq!(
            estimate(declared(1000, None), &two, None, MIB).need.memory_bytes,
            1000 * MIB
        );
        let three = learned(&[(1, 100, Some(10)), (1, 90, Some(12)), (1, 95, Some(40))]);
        let healed = estimate(declared(1000, Some(99)), &three, None, MIB);
        assert_eq!(healed, declared(120, Some(12)));
    }

    #[test]
    fn a_guess_too_low_gives_way_to_the_first_sample() {
        let one = learned(&[(1, 300, Some(10))]);
        assert_eq!(
            estimate(declared(100, None), &one, None, MIB),
            declared(360, Some(10))
        );
    }

    #[test]
    fn after_a_change_of_parameters_what_was_learned_before_still_counts() {
        let before = learned(&[(1, 500, Some(70)); 5]);
        let first = estimate(declared(100, Some(20)), &Learned::default(), Some(&before), MIB);
        assert_eq!(first, declared(600, Some(70)));
        let now = learned(&[(1, 50, Some(7)); 3]);
        assert_eq!(
            estimate(declared(100, Some(20)), &now, Some(&before), MIB),
            declared(60, Some(7))
        );
    }

    #[test]
    fn memory_and_time_grow_with_the_inputs_from_a_base() {
        // 100 MiB and 1 s for any input, and 3 MiB and 10 ms for each MiB of it.
        let sizes = [10u64, 40, 25, 100];
        let samples: Vec<_> = sizes
            .iter()
            .map(|size| (*size, 100 + 3 * size, Some(1000 + 10 * size)))
            .collect();
        let expected = learned(&samples).expect(200 * MIB).unwrap();
        assert!(expected.memory_bytes.abs_diff(840 * MIB) <= 1, "{expected:?}");
        assert_eq!(expected.elapsed_ms, Some(3000));
        let tiny = learned(&samples).expect(0).unwrap();
        // Not below the smallest that was seen.
        assert_eq!((tiny.memory_bytes, tiny.elapsed_ms), (156 * MIB, Some(1000)));
    }

    #[test]
    fn every_sample_fits_into_what_is_expected_for_its_size() {
        let samples = [
            (5, 80, Some(1)),
            (9, 700, Some(1)),
            (30, 200, Some(1)),
            (60, 90, Some(1)),
            (7, 60, None),
        ];
        let learned = learned(&samples);
        for (input, peak, _) in samples {
            let expected = learned.expect(input * MIB).unwrap();
            assert!(
                expected.memory_bytes >= peak * MIB * 6 / 5,
                "{input}: {expected:?}"
            );
        }
    }

    #[test]
    fn an_attempt_that_was_ended_over_its_memory_asks_for_half_as_much_again() {
        let ended = learned(&[(1, 200, None)]);
        let expected = ended.expect(MIB).unwrap();
        assert_eq!((expected.memory_bytes, expected.elapsed_ms), (300 * MIB, None));
        // It does not count as measured: the declaration is still looked at.
        assert_eq!(
            estimate(declared(400, None), &ended, None, MIB).need.memory_bytes,
            400 * MIB
        );
    }

    #[test]
    fn old_samples_are_forgotten() {
        let mut learned = learned(&[(1, 4000, Some(10))]);
        for _ in 0..SAMPLES_KEPT {
            learned.add(Sample {
                input_bytes: MIB,
                peak_memory_bytes: 50 * MIB,
                elapsed_ms: Some(10),
            });
        }
        assert_eq!(learned.samples().len(), SAMPLES_KEPT);
        assert_eq!(learned.expect(MIB).unwrap().memory_bytes, 105 * MIB / 2);
    }

    #[test]
    fn many_small_items_leave_what_is_known_of_the_large_one() {
        let mut samples = vec![(70, 285, Some(6000))];
        samples.extend((0..40).map(|number| (2 + number % 5, 13 + 4 * (number % 5), Some(1500))));
        let learned = learned(&samples);
        assert_eq!(learned.samples().len(), SAMPLES_KEPT);
        let large = learned.expect(70 * MIB).unwrap().memory_bytes;
        assert_eq!(large, 285 * MIB * 21 / 20, "a twentieth more than what was seen");
    }

    #[test]
    fn headroom_shrinks_only_where_many_attempts_hardly_differ() {
        let steady = |peaks: &[u64]| {
            let samples: Vec<_> = peaks.iter().map(|peak| (1, *peak, Some(10))).collect();
            learned(&samples).expect(MIB).unwrap().memory_bytes
        };
        assert_eq!(steady(&[100; 7]), 120 * MIB, "too few");
        assert_eq!(steady(&[100; 8]), 105 * MIB);
        assert_eq!(steady(&[100, 96, 100, 98, 97, 99, 100, 100]), 108 * MIB);
        assert_eq!(steady(&[100, 50, 100, 90, 60, 80, 100, 100]), 120 * MIB);
        let mut ended = vec![(1, 100, Some(10)); 9];
        ended.push((1, 80, None));
        let ended = learned(&ended).expect(MIB).unwrap().memory_bytes;
        assert_eq!(ended, 120 * MIB, "one was ended over its memory");
        let far = learned(&[(1, 100, Some(10)); 9])
            .expect(2 * MIB)
            .unwrap()
            .memory_bytes;
        assert_eq!(far, 120 * MIB, "nothing was seen of that size");
    }
}
