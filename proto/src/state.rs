//! Item states and their words: one word, one meaning, on the wire, in the CLI and on pages alike.

use crate::v1::{ItemState, StateCounts};

/// All states, in the order in which counts are shown.
pub const ALL: [ItemState; 8] = [
    ItemState::Waiting,
    ItemState::Ready,
    ItemState::Running,
    ItemState::Done,
    ItemState::Reused,
    ItemState::Failed,
    ItemState::CutOff,
    ItemState::Stopped,
];

/// The state's word.
pub fn word(state: ItemState) -> &'static str {
    match state {
        ItemState::Unspecified => "unknown",
        ItemState::Waiting => "waiting",
        ItemState::Ready => "ready",
        ItemState::Running => "running",
        ItemState::Done => "done",
        ItemState::Reused => "reused",
        ItemState::Failed => "failed",
        ItemState::CutOff => "cut-off",
        ItemState::Stopped => "stopped",
    }
}

/// The state that a word names.
pub fn from_word(text: &str) -> Option<ItemState> {
    ALL.into_iter().find(|state| word(*state) == text)
}

/// Whether an item in this state has an outcome.
pub fn is_finished(state: ItemState) -> bool {
    matches!(
        state,
        ItemState::Done | ItemState::Reused | ItemState::Failed | ItemState::CutOff | ItemState::Stopped
    )
}

/// Whether an item in this state has outputs.
pub fn has_outputs(state: ItemState) -> bool {
    matches!(state, ItemState::Done | ItemState::Reused)
}

/// The count for `state`, to read or change.
pub fn count_mut(counts: &mut StateCounts, state: ItemState) -> Option<&mut u32> {
    Some(match state {
        ItemState::Unspecified => return None,
        ItemState::Waiting => &mut counts.waiting,
        ItemState::Ready => &mut counts.ready,
        ItemState::Running => &mut counts.running,
        ItemState::Done => &mut counts.done,
        ItemState::Reused => &mut counts.reused,
        ItemState::Failed => &mut counts.failed,
        ItemState::CutOff => &mut counts.cut_off,
        ItemState::Stopped => &mut counts.stopped,
    })
}

/// The count for `state`.
pub fn count(counts: &StateCounts, state: ItemState) -> u32 {
    let mut copy = *counts;
    count_mut(&mut copy, state).map_or(0, |count| *count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_unique_and_read_back() {
        for state in ALL {
            assert_eq!(from_word(word(state)), Some(state));
        }
    }

    #[test]
    fn every_state_has_a_count_of_its_own() {
        let mut counts = StateCounts::default();
        for (n, state) in ALL.into_iter().enumerate() {
            *count_mut(&mut counts, state).unwrap() = n as u32 + 1;
        }
        for (n, state) in ALL.into_iter().enumerate() {
            assert_eq!(count(&counts, state), n as u32 + 1);
        }
    }
}
