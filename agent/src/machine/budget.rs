//! How much the machine lends now: what its owner allows, cut down by what other programs use. Pure.

use std::time::Duration;

use super::Machine;

/// Processor use of others counts as its mean over this time.
const MEAN_OVER: Duration = Duration::from_secs(30);
/// One core more is taken back when others use this much beyond those already taken back …
const TAKE_AT: f32 = 0.6;
/// … and one is lent again when they use this much less, so that the figure does not swing.
const GIVE_AT: f32 = 0.7;

/// One look at the machine.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Reading {
    /// Cores in use, by anybody.
    pub busy_cores: f32,
    /// Of these, by the agent and its items.
    pub own_cores: f32,
    /// Memory that programs could still take.
    pub available_bytes: u64,
    /// Memory that the agent's items take.
    pub items_bytes: u64,
    /// Since the reading before.
    pub elapsed: Duration,
}

/// What is lent now.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Lent {
    pub millicores: u32,
    pub memory_bytes: u64,
    /// Mean use by other programs, in cores.
    pub load_cores: f32,
}

/// What may be lent, and the mean use by others.
#[derive(Debug, Clone)]
pub(crate) struct Budget {
    machine: Machine,
    millicores: u32,
    memory_bytes: u64,
    fixed: bool,
    mean_load: f32,
    taken_back: u32,
}

impl Budget {
    /// `fixed`: cores are lent whatever others use; memory that is not there cannot be lent either way.
    pub(crate) fn new(machine: Machine, millicores: u32, memory_bytes: u64, fixed: bool) -> Self {
        Self {
            machine,
            millicores,
            memory_bytes,
            fixed,
            mean_load: 0.0,
            taken_back: 0,
        }
    }

    /// Takes a reading into account; gives what is lent now.
    pub(crate) fn update(&mut self, reading: Reading) -> Lent {
        let load = (reading.busy_cores - reading.own_cores).max(0.0);
        // Exponential mean: as old readings fade, so does their weight.
        let weight = 1.0 - (-reading.elapsed.as_secs_f32() / MEAN_OVER.as_secs_f32()).exp();
        self.mean_load += (load - self.mean_load) * weight;
        let taken = self.taken_back as f32;
        if self.mean_load > taken + TAKE_AT {
            self.taken_back = (self.mean_load - TAKE_AT).ceil() as u32;
        } else if self.mean_load < taken - GIVE_AT {
            self.taken_back = (self.mean_load + GIVE_AT).floor() as u32;
        }
        Lent {
            millicores: self.lent_millicores(),
            memory_bytes: self.lendable_bytes(reading.available_bytes, reading.items_bytes),
            load_cores: self.mean_load,
        }
    }

    /// Memory to lend in all, to running items too.
    pub(crate) fn lendable_bytes(&self, available_bytes: u64, items_bytes: u64) -> u64 {
        let there = (available_bytes + items_bytes).saturating_sub(self.floor_bytes());
        self.memory_bytes.min(there)
    }

    /// Whether so little memory is left that an item should go.
    pub(crate) fn is_pressed(&self, available_bytes: u64) -> bool {
        available_bytes < self.floor_bytes() / 2
    }

    /// Left alone in any case: a twentieth of the machine's memory, within 64 MiB to 1 GiB.
    fn floor_bytes(&self) -> u64 {
        (self.machine.memory_bytes / 20).clamp(64 << 20, 1 << 30)
    }

    fn lent_millicores(&self) -> u32 {
        if self.fixed {
            return self.millicores;
        }
        let left = self
            .machine
            .cores
            .saturating_sub(self.taken_back)
            .saturating_mul(1000);
        self.millicores.min(left)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GIB: u64 = 1 << 30;

    fn budget(fixed: bool) -> Budget {
        Budget::new(
            Machine {
                cores: 8,
                memory_bytes: 16 * GIB,
            },
            6000,
            12 * GIB,
            fixed,
        )
    }

    fn after(budget: &mut Budget, busy: f32, own: f32, seconds: u64) -> Lent {
        let reading = Reading {
            busy_cores: busy,
            own_cores: own,
            available_bytes: 14 * GIB,
            items_bytes: 0,
            elapsed: Duration::from_secs(1),
        };
        (0..seconds).map(|_| budget.update(reading)).last().unwrap()
    }

    #[test]
    fn only_lasting_use_by_others_cuts_cores_and_only_what_they_need() {
        let mut budget = budget(false);
        assert_eq!(after(&mut budget, 8.0, 2.0, 3).millicores, 6000, "a short burst");
        assert_eq!(
            after(&mut budget, 8.0, 2.0, 300).millicores,
            2000,
            "6 of 8 cores in use"
        );
        assert_eq!(
            after(&mut budget, 2.0, 0.0, 300).millicores,
            6000,
            "2 of 8 in use: 6 are left"
        );
    }

    #[test]
    fn own_items_are_not_others() {
        assert_eq!(after(&mut budget(false), 6.0, 6.2, 300).millicores, 6000);
    }

    #[test]
    fn a_swing_around_a_whole_core_changes_nothing() {
        let mut budget = budget(false);
        let first = after(&mut budget, 3.0, 0.0, 300).millicores;
        for busy in [3.4, 2.6, 3.5, 2.5] {
            assert_eq!(after(&mut budget, busy, 0.0, 120).millicores, first, "{busy}");
        }
    }

    #[test]
    fn embedded_cores_are_fixed_and_memory_is_what_is_there() {
        let mut budget = budget(true);
        assert_eq!(after(&mut budget, 8.0, 0.0, 300).millicores, 6000);
        let floor = 16 * GIB / 20;
        assert_eq!(budget.lendable_bytes(3 * GIB, GIB), 4 * GIB - floor);
        assert_eq!(budget.lendable_bytes(15 * GIB, GIB), 12 * GIB);
        assert!(budget.is_pressed(floor / 2 - 1) && !budget.is_pressed(floor / 2));
    }
}
