//! Items of a run counted by step and by variant, kept up with each event. Pure.

use std::collections::HashMap;

use tidemill_proto::state;
use tidemill_proto::v1::{ItemRow, ItemState, StateCounts};

/// Counts by step, by variant, and which items failed.
#[derive(Debug, Default, Clone)]
pub struct Tally {
    steps: Vec<(String, StateCounts)>,
    step_numbers: HashMap<String, usize>,
    variants: HashMap<String, StateCounts>,
    failed: Vec<usize>,
}

/// How many variants have come how far.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct VariantCounts {
    /// All.
    pub all: usize,
    /// Those of which every item has an outcome.
    pub complete: usize,
    /// Those with an item that failed or was cut off.
    pub spoilt: usize,
}

impl Tally {
    /// Takes a row in the place of the one before, which had this state.
    pub(super) fn change(&mut self, before: ItemState, row: &ItemRow, index: usize) {
        let now = row.state();
        let (subject, step) = row.address.split_once('/').unwrap_or(("", &row.address));
        let number = match self.step_numbers.get(step) {
            Some(number) => *number,
            None => {
                self.steps.push((step.to_owned(), StateCounts::default()));
                self.step_numbers.insert(step.to_owned(), self.steps.len() - 1);
                self.steps.len() - 1
            }
        };
        moved(&mut self.steps[number].1, before, now);
        // Groups and the item over all are no variants.
        if !subject.contains('=') && subject != "all" {
            match self.variants.get_mut(subject) {
                Some(counts) => moved(counts, before, now),
                None => moved(self.variants.entry(subject.to_owned()).or_default(), before, now),
            }
        }
        if now == ItemState::Failed && before != now {
            self.failed.push(index);
        } else if before == ItemState::Failed && before != now {
            self.failed.retain(|failed| *failed != index);
        }
    }

    /// Steps in the order in which their items were first seen, which is the plan's.
    pub fn steps(&self) -> &[(String, StateCounts)] {
        &self.steps
    }

    /// Failed items, in the order in which they failed.
    pub fn failed(&self) -> &[usize] {
        &self.failed
    }

    /// Sums over the variants.
    pub fn variants(&self) -> VariantCounts {
        let is_complete = |counts: &&StateCounts| finished(counts) == total(counts);
        let is_spoilt = |counts: &&StateCounts| counts.failed + counts.cut_off > 0;
        VariantCounts {
            all: self.variants.len(),
            complete: self.variants.values().filter(is_complete).count(),
            spoilt: self.variants.values().filter(is_spoilt).count(),
        }
    }
}

fn moved(counts: &mut StateCounts, before: ItemState, now: ItemState) {
    if let Some(count) = state::count_mut(counts, before) {
        *count = count.saturating_sub(1);
    }
    if let Some(count) = state::count_mut(counts, now) {
        *count += 1;
    }
}

/// Number of all items of some counts.
pub fn total(counts: &StateCounts) -> u32 {
    state::ALL
        .into_iter()
        .map(|state| state::count(counts, state))
        .sum()
}

/// Number of those with an outcome.
pub fn finished(counts: &StateCounts) -> u32 {
    let finished = state::ALL.into_iter().filter(|state| state::is_finished(*state));
    finished.map(|state| state::count(counts, state)).sum()
}
