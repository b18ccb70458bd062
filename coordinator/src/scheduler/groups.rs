//! All groups of ready items, over all runs.

use super::group::{Group, GroupKey, Search, Turn};
use super::run::Run;

/// Groups by number; numbers of removed runs are given out again.
#[derive(Debug, Default)]
pub(super) struct Groups {
    list: Vec<Group>,
    free: Vec<u32>,
    /// Groups with items, in no particular order: whoever looks compares ranks, which are never equal.
    active: Vec<u32>,
}

impl Groups {
    pub(super) fn get(&self, number: u32) -> &Group {
        &self.list[number as usize]
    }

    pub(super) fn get_mut(&mut self, number: u32) -> &mut Group {
        &mut self.list[number as usize]
    }

    /// The run's group for a need, made if it is not there.
    pub(super) fn number_of(&mut self, run: &mut Run, key: GroupKey) -> u32 {
        if let Some(number) = run.groups.get(&key) {
            return *number;
        }
        let group = Group::new(run.id, key);
        let number = match self.free.pop() {
            Some(number) => {
                self.list[number as usize] = group;
                number
            }
            None => {
                self.list.push(group);
                self.list.len() as u32 - 1
            }
        };
        run.groups.insert(key, number);
        number
    }

    pub(super) fn push(&mut self, number: u32, turn: Turn) {
        let group = &mut self.list[number as usize];
        group.push(turn);
        if group.active_at.is_none() {
            // While it was empty nobody looked whether its need fits.
            group.search = Search::Open;
            group.cannot_reserve = false;
            group.active_at = Some(self.active.len() as u32);
            self.active.push(number);
        }
    }

    pub(super) fn deactivate(&mut self, number: u32) {
        let Some(at) = self.list[number as usize].active_at.take() else {
            return;
        };
        self.active.swap_remove(at as usize);
        if let Some(moved) = self.active.get(at as usize) {
            self.list[*moved as usize].active_at = Some(at);
        }
    }

    pub(super) fn active(&self) -> impl Iterator<Item = (u32, &Group)> {
        self.active
            .iter()
            .map(|number| (*number, &self.list[*number as usize]))
    }

    pub(super) fn for_each_active(&mut self, mut change: impl FnMut(&mut Group)) {
        for number in &self.active {
            change(&mut self.list[*number as usize]);
        }
    }

    /// Frees the groups of a run that is removed. They must be empty.
    pub(super) fn free(&mut self, numbers: impl Iterator<Item = u32>) {
        for number in numbers {
            self.deactivate(number);
            self.free.push(number);
        }
    }
}
