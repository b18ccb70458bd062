//! A run as told by the events of a watch so far. Pure.

use std::collections::BTreeSet;

use tidemill_proto::state;
use tidemill_proto::v1::{ItemRow, ItemState, RunRow, RunState, StateCounts, WatchEvent, watch_event};

use super::tally::{self, Tally};

/// The run and its items.
#[derive(Debug, Default, Clone)]
pub struct Picture {
    /// The run; its name is empty until the first event.
    pub run: RunRow,
    /// By index in the plan; rows that have not come yet have an empty address.
    pub items: Vec<ItemRow>,
    running: BTreeSet<usize>,
    tally: Tally,
}

/// What an event changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Nothing that is shown.
    Nothing,
    /// The first sight of the run.
    Begun,
    /// Counts, estimate or note of the run.
    Run,
    /// One item.
    Item {
        /// In the plan.
        index: usize,
        /// As it was; `Unspecified` when it is seen for the first time.
        before: ItemState,
    },
}

impl Change {
    /// The item, if it has just come into this state.
    pub fn newly(self, wanted: ItemState, picture: &Picture) -> Option<&ItemRow> {
        self.moved(picture).filter(|row| row.state() == wanted)
    }

    /// The item, if it has just come to an outcome.
    pub fn finished(self, picture: &Picture) -> Option<&ItemRow> {
        self.moved(picture).filter(|row| state::is_finished(row.state()))
    }

    fn moved(self, picture: &Picture) -> Option<&ItemRow> {
        match self {
            Self::Item { index, before } => picture.items.get(index).filter(|row| row.state() != before),
            _ => None,
        }
    }
}

impl Picture {
    /// Takes one event in.
    pub fn apply(&mut self, event: WatchEvent) -> Change {
        match event.event {
            None => Change::Nothing,
            Some(watch_event::Event::Run(run)) => {
                let begun = self.run.run.is_empty();
                self.run = run;
                if begun { Change::Begun } else { Change::Run }
            }
            Some(watch_event::Event::Item(row)) => {
                let index = row.index as usize;
                if self.items.len() <= index {
                    self.items.resize_with(index + 1, ItemRow::default);
                }
                let before = self.items[index].state();
                if row.state() == ItemState::Running {
                    self.running.insert(index);
                } else {
                    self.running.remove(&index);
                }
                self.tally.change(before, &row, index);
                self.items[index] = row;
                Change::Item { index, before }
            }
        }
    }

    /// Its items counted by step and variant.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Items that run now, in the order of the plan.
    pub fn running(&self) -> impl Iterator<Item = &ItemRow> {
        self.running.iter().map(|index| &self.items[*index])
    }

    /// Number of all items, by the run's counts.
    pub fn total(&self) -> u32 {
        tally::total(&self.run.counts.unwrap_or_default())
    }

    /// Number of items that have an outcome.
    pub fn finished(&self) -> u32 {
        tally::finished(&self.run.counts.unwrap_or_default())
    }

    /// `3 running, 1 failed`: every state that has items, but `waiting` and `ready`.
    pub fn counts_in_words(&self) -> String {
        counts_in_words(&self.run)
    }

    /// Nothing more will change: the run has ended, and every item was seen with its outcome.
    ///
    /// The first event may say already that the run has ended; its items come behind it.
    pub fn is_complete(&self) -> bool {
        self.run.state() == RunState::Ended
            && self.items.len() == self.total() as usize
            && self.items.iter().all(|row| state::is_finished(row.state()))
    }

    /// Milliseconds until the estimated end, if there is an estimate that is not past.
    pub fn remaining_ms(&self, now_ms: i64) -> Option<u64> {
        u64::try_from(self.run.finish_estimate_ms - now_ms)
            .ok()
            .filter(|ms| *ms > 0 && self.run.finish_estimate_ms > 0)
    }
}

/// `12 done, 40 reused, 1 failed`: every state that has items, but `waiting` and `ready`.
pub fn counts_in_words(run: &RunRow) -> String {
    words_of(&run.counts.unwrap_or_default())
}

/// The same of some counts.
pub fn words_of(counts: &StateCounts) -> String {
    let shown = state::ALL
        .into_iter()
        .filter(|state| !matches!(state, ItemState::Waiting | ItemState::Ready));
    let words: Vec<String> = shown
        .map(|state| (state::count(counts, state), state::word(state)))
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(index: u32, state: ItemState) -> WatchEvent {
        let row = ItemRow {
            index,
            state: state.into(),
            address: format!("v{index}/copy"),
            ..ItemRow::default()
        };
        WatchEvent {
            event: Some(watch_event::Event::Item(row)),
        }
    }

    fn run(counts: StateCounts) -> WatchEvent {
        let row = RunRow {
            run: "dock.1".into(),
            counts: Some(counts),
            ..RunRow::default()
        };
        WatchEvent {
            event: Some(watch_event::Event::Run(row)),
        }
    }

    #[test]
    fn events_add_up() {
        let mut picture = Picture::default();
        assert!(matches!(
            picture.apply(run(StateCounts {
                ready: 3,
                ..StateCounts::default()
            })),
            Change::Begun
        ));
        picture.apply(item(2, ItemState::Running));
        picture.apply(item(0, ItemState::Running));
        let names: Vec<&str> = picture.running().map(|row| row.address.as_str()).collect();
        assert_eq!(names, ["v0/copy", "v2/copy"]);
        assert!(
            picture
                .apply(item(2, ItemState::Done))
                .finished(&picture)
                .is_some()
        );
        assert!(
            picture
                .apply(item(2, ItemState::Done))
                .finished(&picture)
                .is_none(),
            "told twice"
        );
        assert!(
            picture
                .apply(item(0, ItemState::Failed))
                .newly(ItemState::Failed, &picture)
                .is_some()
        );
        assert_eq!(picture.running().count(), 0);
        picture.apply(run(StateCounts {
            ready: 1,
            done: 1,
            failed: 1,
            ..StateCounts::default()
        }));
        assert_eq!((picture.total(), picture.finished()), (3, 2));
        assert_eq!(picture.counts_in_words(), "1 done, 1 failed");
    }

    #[test]
    fn a_run_that_had_ended_is_complete_once_its_items_came() {
        let counts = StateCounts {
            reused: 2,
            ..StateCounts::default()
        };
        let ended = RunRow {
            counts: Some(counts),
            state: RunState::Ended.into(),
            ..RunRow::default()
        };
        let mut picture = Picture::default();
        picture.apply(WatchEvent {
            event: Some(watch_event::Event::Run(ended)),
        });
        assert!(!picture.is_complete());
        picture.apply(item(1, ItemState::Reused));
        assert!(!picture.is_complete());
        picture.apply(item(0, ItemState::Reused));
        assert!(picture.is_complete());
    }

    #[test]
    fn an_estimate_that_is_past_is_none() {
        let mut picture = Picture::default();
        assert_eq!(picture.remaining_ms(0), None);
        picture.run.finish_estimate_ms = 5_000;
        assert_eq!(picture.remaining_ms(2_000), Some(3_000));
        assert_eq!(picture.remaining_ms(6_000), None);
    }
}
