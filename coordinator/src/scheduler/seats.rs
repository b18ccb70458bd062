//! Seats: how many of each kind there are and how many are taken.

use std::collections::BTreeMap;

use super::ids::SeatId;
use super::spec::SeatUse;

/// Seats that items take together; equal sets share one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct SeatSetId(u32);

impl SeatSetId {
    /// No seats.
    pub(super) const EMPTY: Self = Self(0);
}

/// All seats.
#[derive(Debug)]
pub(super) struct Seats {
    sets: Vec<Vec<SeatUse>>,
    numbers: BTreeMap<Vec<SeatUse>, SeatSetId>,
    kinds: BTreeMap<SeatId, Kind>,
}

#[derive(Debug, Default, Clone, Copy)]
struct Kind {
    count: u32,
    taken: u32,
}

impl Default for Seats {
    fn default() -> Self {
        Self {
            sets: vec![Vec::new()],
            numbers: BTreeMap::from([(Vec::new(), SeatSetId::EMPTY)]),
            kinds: BTreeMap::new(),
        }
    }
}

impl Seats {
    /// The number of a set, in any order.
    pub(super) fn set(&mut self, mut uses: Vec<SeatUse>) -> SeatSetId {
        uses.retain(|one| one.count > 0);
        if uses.is_empty() {
            return SeatSetId::EMPTY;
        }
        uses.sort();
        if let Some(number) = self.numbers.get(&uses) {
            return *number;
        }
        let number = SeatSetId(self.sets.len() as u32);
        self.sets.push(uses.clone());
        self.numbers.insert(uses, number);
        number
    }

    pub(super) fn set_count(&mut self, seat: SeatId, count: u32) {
        self.kinds.entry(seat).or_default().count = count;
    }

    /// The first kind of the set that has too few free seats, with what is wanted and what is free.
    pub(super) fn lacking(&self, set: SeatSetId) -> Option<(SeatUse, u32)> {
        self.sets[set.0 as usize].iter().find_map(|one| {
            let free = self.free(one.seat);
            (free < one.count).then_some((*one, free))
        })
    }

    pub(super) fn take(&mut self, set: SeatSetId) {
        for one in &self.sets[set.0 as usize] {
            self.kinds.entry(one.seat).or_default().taken += one.count;
        }
    }

    pub(super) fn give_back(&mut self, set: SeatSetId) {
        for one in &self.sets[set.0 as usize] {
            let kind = self.kinds.entry(one.seat).or_default();
            kind.taken = kind.taken.saturating_sub(one.count);
        }
    }

    fn free(&self, seat: SeatId) -> u32 {
        self.kinds
            .get(&seat)
            .map_or(0, |kind| kind.count.saturating_sub(kind.taken))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seats_are_taken_and_given_back() {
        let mut seats = Seats::default();
        let two = seats.set(vec![SeatUse {
            seat: SeatId(4),
            count: 2,
        }]);
        assert_eq!(
            seats.lacking(two),
            Some((
                SeatUse {
                    seat: SeatId(4),
                    count: 2
                },
                0
            ))
        );
        seats.set_count(SeatId(4), 3);
        assert_eq!(seats.lacking(two), None);
        seats.take(two);
        assert_eq!(
            seats.lacking(two),
            Some((
                SeatUse {
                    seat: SeatId(4),
                    count: 2
                },
                1
            ))
        );
        seats.give_back(two);
        assert_eq!(seats.lacking(two), None);
    }

    #[test]
    fn equal_sets_share_a_number_in_any_order() {
        let mut seats = Seats::default();
        let one = SeatUse {
            seat: SeatId(0),
            count: 1,
        };
        let other = SeatUse {
            seat: SeatId(1),
            count: 1,
        };
        assert_eq!(seats.set(vec![one, other]), seats.set(vec![other, one]));
        assert_eq!(
            seats.set(vec![SeatUse {
                seat: SeatId(0),
                count: 0
            }]),
            SeatSetId::EMPTY
        );
    }
}
