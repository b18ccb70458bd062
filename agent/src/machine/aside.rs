//! Steps aside for the machine's owner: when other programs use the processor or the memory for a while, first
//! nothing new is taken, then items are handed back; once they are quiet for a while, all is as before. Pure.

use std::time::Duration;

/// From when on other programs count as their owner's work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Cores that other programs use.
    pub cores: Option<f32>,
    /// Memory that other programs use, in bytes.
    pub memory_bytes: Option<u64>,
    /// Nothing new is taken when they use more for so long.
    pub hold_after: Duration,
    /// Items are handed back when they use more for so long.
    pub hand_back_after: Duration,
    /// Items are taken again when they use less for so long.
    pub return_after: Duration,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            cores: None,
            memory_bytes: None,
            hold_after: Duration::from_secs(15),
            hand_back_after: Duration::from_secs(60),
            return_after: Duration::from_secs(120),
        }
    }
}

/// How far the agent has stepped aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Stance {
    /// Takes items.
    Lending,
    /// Takes nothing new.
    Holding,
    /// Has nothing running either.
    Yielding,
}

/// A short mean: one busy moment, or one quiet one, is no change.
const MEAN_OVER: Duration = Duration::from_secs(5);

/// Follows what other programs use.
#[derive(Debug, Clone)]
pub(crate) struct Aside {
    thresholds: Thresholds,
    stance: Stance,
    mean_cores: f32,
    /// For how long the other programs have been busy, or quiet.
    busy: bool,
    lasts: Duration,
}

impl Aside {
    pub(crate) fn new(thresholds: Thresholds) -> Self {
        Self {
            thresholds,
            stance: Stance::Lending,
            mean_cores: 0.0,
            busy: false,
            lasts: Duration::ZERO,
        }
    }

    /// Takes a look into account: what other programs use, and the time since the look before.
    pub(crate) fn update(&mut self, cores: f32, memory_bytes: u64, elapsed: Duration) -> Stance {
        let weight = 1.0 - (-elapsed.as_secs_f32() / MEAN_OVER.as_secs_f32()).exp();
        self.mean_cores += (cores - self.mean_cores) * weight;
        let over_cores = self.thresholds.cores.is_some_and(|most| self.mean_cores > most);
        let over_memory = self
            .thresholds
            .memory_bytes
            .is_some_and(|most| memory_bytes > most);
        let busy = over_cores || over_memory;
        if busy == self.busy {
            self.lasts += elapsed;
        } else {
            self.busy = busy;
            self.lasts = Duration::ZERO;
        }
        let reached = |wanted: Duration| self.lasts >= wanted;
        self.stance = if busy && reached(self.thresholds.hand_back_after) {
            Stance::Yielding
        } else if busy && reached(self.thresholds.hold_after) {
            self.stance.max(Stance::Holding)
        } else if !busy && reached(self.thresholds.return_after) {
            Stance::Lending
        } else {
            self.stance
        };
        self.stance
    }

    pub(crate) fn stance(&self) -> Stance {
        self.stance
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GIB: u64 = 1 << 30;

    fn aside() -> Aside {
        Aside::new(Thresholds {
            cores: Some(2.0),
            memory_bytes: Some(8 * GIB),
            hold_after: Duration::from_secs(10),
            hand_back_after: Duration::from_secs(30),
            return_after: Duration::from_secs(60),
        })
    }

    /// Stances after each of so many seconds.
    fn seconds(aside: &mut Aside, count: u32, cores: f32, memory_bytes: u64) -> Vec<Stance> {
        let second = Duration::from_secs(1);
        (0..count)
            .map(|_| aside.update(cores, memory_bytes, second))
            .collect()
    }

    #[test]
    fn it_holds_then_yields_then_comes_back() {
        let mut aside = aside();
        let busy = seconds(&mut aside, 60, 0.5, 9 * GIB);
        let first = |stance| busy.iter().position(|one| *one == stance);
        assert_eq!(
            (first(Stance::Holding), first(Stance::Yielding)),
            (Some(10), Some(30))
        );
        let quiet = seconds(&mut aside, 61, 0.5, 7 * GIB);
        assert_eq!(quiet[59], Stance::Yielding, "not at once");
        assert_eq!(quiet[60], Stance::Lending);
    }

    #[test]
    fn a_short_burst_changes_nothing_and_a_short_pause_does_not_either() {
        let mut aside = aside();
        assert!(
            seconds(&mut aside, 8, 8.0, 0)
                .iter()
                .all(|one| *one == Stance::Lending)
        );
        seconds(&mut aside, 60, 0.0, 0);
        seconds(&mut aside, 20, 8.0, 0);
        assert_eq!(aside.stance(), Stance::Holding);
        for _ in 0..10 {
            seconds(&mut aside, 20, 0.0, 0);
            seconds(&mut aside, 5, 8.0, 0);
        }
        assert_eq!(aside.stance(), Stance::Holding, "never quiet for long enough");
    }

    #[test]
    fn without_thresholds_nobody_is_in_the_way() {
        let mut aside = Aside::new(Thresholds::default());
        assert!(
            seconds(&mut aside, 900, 64.0, 900 * GIB)
                .iter()
                .all(|one| *one == Stance::Lending)
        );
    }
}
