//! What an item is expected to need: declared first, learned from measured attempts afterwards. Pure.
//!
//! One [`Learned`] is kept for each step signature (the step's operations or arguments without variant values,
//! and the versions of its tools); the record stores it as two plain lists of numbers.

use crate::scheduler::Millis;

/// Measured attempts that are kept for one step signature; older ones are forgotten.
pub const SAMPLES_KEPT: usize = 16;

/// One measured attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// Bytes of all inputs together.
    pub input_bytes: u64,
    /// Highest memory of the process tree. For an attempt that was ended over its memory limit: what it had
    /// reached by then.
    pub peak_memory_bytes: u64,
    /// Wall-clock duration; `None` for an attempt that did not run to its end.
    pub elapsed_ms: Option<Millis>,
}

/// The last measured attempts of one step signature, oldest first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Learned {
    samples: Vec<Sample>,
}

impl Learned {
    /// The kept samples, oldest first.
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Adds a measured attempt and forgets the oldest one beyond [`SAMPLES_KEPT`].
    pub fn add(&mut self, sample: Sample) {
        if self.samples.len() == SAMPLES_KEPT {
            self.samples.remove(0);
        }
        self.samples.push(sample);
    }
}
