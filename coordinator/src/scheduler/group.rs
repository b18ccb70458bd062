//! Ready items that need the same, gathered so that one look decides for all of them.
//!
//! A run of a hundred thousand items has a few dozen groups: placement looks at groups, never at all ready items.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::ids::{AgentId, Millis, RequirementId, RunId};
use super::seats::SeatSetId;
use super::spec::Amount;

/// All that decides whether an item fits an agent. Items with equal keys fit the same agents.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct GroupKey {
    pub(super) requirement: RequirementId,
    pub(super) need: Amount,
    pub(super) seats: SeatSetId,
    pub(super) expected: DurationClass,
    /// Not there, if any other agent could take it.
    pub(super) avoid: Option<AgentId>,
    /// An agent went down under these items: no two of them on one agent, so that the one that does it is
    /// found without blaming its neighbours twice.
    pub(super) wary: bool,
}

/// A duration to a quarter of a power of two, or unknown: items whose durations differ by more are not in one
/// group, since a long one in front would hide that a short one may still fill in. Coarse, so that groups stay few.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct DurationClass(u8);

impl DurationClass {
    pub(super) const UNKNOWN: Self = Self(u8::MAX);

    pub(super) fn of(elapsed_ms: Millis) -> Self {
        // Below 4 ms every value is its own class.
        if elapsed_ms < 4 {
            return Self(elapsed_ms as u8);
        }
        // `below` has its two bits behind the leading one as the quarter; the class is one above it, so that
        // exact quarters stay where they are.
        let below = elapsed_ms - 1;
        if below < 4 {
            return Self(4);
        }
        let octave = below.ilog2();
        let quarter = (below >> (octave - 2)) & 3;
        Self(((octave - 1) * 4 + quarter as u32 + 1) as u8)
    }
}

/// Rounds memory up to one of 32 steps for each power of two (at most 3.1 % more than asked), and never beyond
/// `largest`, what the largest agent lends, if the exact need fits there.
pub(super) fn rounded_memory(memory_bytes: u64, largest: u64) -> u64 {
    const SMALLEST: u64 = 1 << 20;
    if memory_bytes == 0 {
        return 0;
    }
    let step = SMALLEST.max((1 << memory_bytes.ilog2()) / 32);
    match memory_bytes.checked_next_multiple_of(step) {
        Some(rounded) if rounded <= largest || memory_bytes > largest => rounded,
        _ => memory_bytes,
    }
}

/// Place in line within a run: longest path first, then plan order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Turn {
    pub(super) path_ms: Millis,
    pub(super) index: Reverse<u32>,
}

/// Whether a group has to be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Search {
    /// It may fit on any agent.
    Open,
    /// It fitted nowhere: only agents that have gained room since are worth a look.
    FitsNowhere,
    /// Too few seats are free.
    LacksSeats,
}

/// Ready items of one run with one need.
#[derive(Debug)]
pub(super) struct Group {
    pub(super) run: RunId,
    pub(super) key: GroupKey,
    pub(super) search: Search,
    /// Pass in which it was last tried in vain.
    pub(super) tried_in_pass: u64,
    /// Agent that is reserved for it.
    pub(super) reserved: Option<AgentId>,
    /// No agent that is here could ever hold it, as far as is known: not worth trying to reserve.
    pub(super) cannot_reserve: bool,
    /// Place in the list of groups with items; `None`: not in it.
    pub(super) active_at: Option<u32>,
    /// Items that are really in it. The heap also holds left-overs of items that went away.
    pub(super) live: u32,
    heap: BinaryHeap<Turn>,
}

impl Group {
    pub(super) fn new(run: RunId, key: GroupKey) -> Self {
        Self {
            run,
            key,
            search: Search::Open,
            tried_in_pass: 0,
            reserved: None,
            cannot_reserve: false,
            active_at: None,
            live: 0,
            heap: BinaryHeap::new(),
        }
    }

    /// The next in line. Only valid after [`Group::drop_stale`].
    pub(super) fn first(&self) -> Option<Turn> {
        self.heap.peek().copied()
    }

    pub(super) fn push(&mut self, turn: Turn) {
        self.heap.push(turn);
        self.live += 1;
    }

    pub(super) fn pop(&mut self) {
        self.heap.pop();
        self.live -= 1;
    }

    /// Takes left-overs off the front. `is_here` says whether the item is ready in this group.
    pub(super) fn drop_stale(&mut self, is_here: impl Fn(u32) -> bool) {
        if self.live == 0 {
            self.heap.clear();
        }
        while self.heap.peek().is_some_and(|turn| !is_here(turn.index.0)) {
            self.heap.pop();
        }
    }

    /// Fills the heap anew with the items that are here.
    pub(super) fn refill(&mut self, turn_of: impl Fn(u32) -> Option<Turn>) {
        let mut turns: Vec<Turn> = std::mem::take(&mut self.heap)
            .into_iter()
            .filter_map(|turn| turn_of(turn.index.0))
            .collect();
        turns.sort_unstable();
        turns.dedup();
        self.heap = turns.into();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_in_one_class_differ_by_at_most_a_quarter() {
        let mut shortest = 0;
        for elapsed_ms in 1..100_000 {
            let (before, class) = (DurationClass::of(elapsed_ms - 1), DurationClass::of(elapsed_ms));
            assert!(class >= before, "{elapsed_ms}");
            if class > before {
                shortest = elapsed_ms;
            }
            assert!(elapsed_ms * 4 <= shortest * 5, "{elapsed_ms} beside {shortest}");
        }
        assert!(DurationClass::of(Millis::MAX - 1) < DurationClass::UNKNOWN);
    }

    #[test]
    fn memory_is_rounded_a_little_and_never_off_the_largest_agent() {
        let gib = 1 << 30;
        assert_eq!(rounded_memory(gib, 64 * gib), gib);
        assert_eq!(rounded_memory(3 * gib, 64 * gib), 3 * gib);
        assert_eq!(rounded_memory(1, 64 * gib), 1 << 20);
        assert_eq!(rounded_memory(0, 64 * gib), 0);
        let odd = 5 * gib + 12_345;
        let rounded = rounded_memory(odd, 64 * gib);
        assert!(rounded > odd && rounded < odd + odd / 31);
        assert_eq!(rounded_memory(odd, odd + 1), odd);
        assert_eq!(rounded_memory(u64::MAX, 0), u64::MAX);
    }
}
