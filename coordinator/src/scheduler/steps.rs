//! Steps that only ever fail are held back while the rest of the run goes on.

use std::collections::BTreeMap;

use super::STEP_FAILURE_LIMIT;

/// What happened to the steps of one run so far.
#[derive(Debug, Default)]
pub(super) struct Steps {
    records: BTreeMap<u32, StepRecord>,
}

#[derive(Debug, Default)]
struct StepRecord {
    succeeded: bool,
    failures: u32,
    held: bool,
    /// It was held and let go again: held once more at twice the limit, then given up.
    tried_again: bool,
    /// Ready items that are held back, in the order in which they were put here.
    parked: Vec<u32>,
}

/// What to do with a step that is held back when nothing else is left.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Leftover {
    /// Try these items.
    Release { step: u32, items: Vec<u32> },
    /// Conclude them as failed.
    GiveUp {
        step: u32,
        items: Vec<u32>,
        failures: u32,
    },
}

impl Steps {
    /// An item of the step succeeded. Returns the items to let go, if the step was held.
    pub(super) fn succeeded(&mut self, step: u32) -> Option<Vec<u32>> {
        let record = self.records.entry(step).or_default();
        record.succeeded = true;
        if !std::mem::take(&mut record.held) {
            return None;
        }
        Some(std::mem::take(&mut record.parked))
    }

    /// An item of the step is failed for good. True if the step is held back from now on.
    pub(super) fn failed(&mut self, step: u32) -> bool {
        let record = self.records.entry(step).or_default();
        record.failures += 1;
        let limit = if record.tried_again {
            2 * STEP_FAILURE_LIMIT
        } else {
            STEP_FAILURE_LIMIT
        };
        let hold = !record.succeeded && !record.held && record.failures >= limit;
        record.held |= hold;
        hold
    }

    pub(super) fn is_held(&self, step: u32) -> bool {
        // Nearly always empty or without held steps: the common case is one look-up.
        self.records.get(&step).is_some_and(|record| record.held)
    }

    pub(super) fn has_success(&self, step: u32) -> bool {
        self.records.get(&step).is_some_and(|record| record.succeeded)
    }

    pub(super) fn failures(&self, step: u32) -> u32 {
        self.records.get(&step).map_or(0, |record| record.failures)
    }

    /// Puts a ready item of a held step aside.
    pub(super) fn park(&mut self, step: u32, index: u32) {
        self.records.entry(step).or_default().parked.push(index);
    }

    /// Takes one item back out, when it gets a result in another way.
    pub(super) fn unpark(&mut self, step: u32, index: u32) {
        if let Some(record) = self.records.get_mut(&step) {
            record.parked.retain(|parked| *parked != index);
        }
    }

    /// The first held step with parked items: to be called when nothing else is left to do.
    pub(super) fn leftover(&mut self) -> Option<Leftover> {
        let (step, record) = self
            .records
            .iter_mut()
            .find(|(_, record)| record.held && !record.parked.is_empty())?;
        let items = std::mem::take(&mut record.parked);
        if record.tried_again {
            return Some(Leftover::GiveUp {
                step: *step,
                items,
                failures: record.failures,
            });
        }
        record.held = false;
        record.tried_again = true;
        Some(Leftover::Release { step: *step, items })
    }

    /// Forgets failures and holds of a step whose items are opened again.
    pub(super) fn reopen(&mut self, step: u32) -> Vec<u32> {
        self.records
            .remove(&step)
            .map_or_else(Vec::new, |record| record.parked)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_held_after_five_failures_and_given_up_after_ten() {
        let mut steps = Steps::default();
        for _ in 0..4 {
            assert!(!steps.failed(3));
        }
        assert!(steps.failed(3));
        assert!(steps.is_held(3));
        steps.park(3, 7);
        assert_eq!(
            steps.leftover(),
            Some(Leftover::Release {
                step: 3,
                items: vec![7]
            })
        );
        assert!(!steps.is_held(3));
        for _ in 0..4 {
            assert!(!steps.failed(3));
        }
        assert!(steps.failed(3));
        steps.park(3, 9);
        assert_eq!(
            steps.leftover(),
            Some(Leftover::GiveUp {
                step: 3,
                items: vec![9],
                failures: 10
            })
        );
        assert_eq!(steps.leftover(), None);
    }

    #[test]
    fn a_success_lets_a_held_step_go() {
        let mut steps = Steps::default();
        for _ in 0..5 {
            steps.failed(0);
        }
        steps.park(0, 1);
        assert_eq!(steps.succeeded(0), Some(vec![1]));
        assert!(!steps.failed(0));
        assert!(!steps.is_held(0));
    }
}
