//! Limits of one item over time. Pure: all times are since the item's start.

use std::time::Duration;

use super::frame::Cause;
use crate::os::Shortage;

/// First look at memory; small items that leak at once are caught early.
const FIRST_SAMPLE: Duration = Duration::from_millis(10);
/// Longest pause between two looks.
const LONGEST_PAUSE: Duration = Duration::from_millis(100);
/// Pause while more than half of the limit is in use.
const NEAR_PAUSE: Duration = Duration::from_millis(20);
/// Between the request to end and the kill.
const GRACE: Duration = Duration::from_millis(500);

/// What is to be done now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// Look at the tree's memory and tell [`Watch::sampled`].
    Sample,
    /// Ask the whole tree to end.
    Ask,
    /// Kill the whole tree.
    Kill,
}

/// The limits of a running item and what was seen of it.
#[derive(Debug)]
pub(super) struct Watch {
    time_limit: Option<Duration>,
    memory_limit_bytes: u64,
    sample_at: Duration,
    pause: Duration,
    kill_at: Option<Duration>,
    cause: Cause,
    /// The machine had no memory for one of its processes.
    starved: bool,
    peak_bytes: u64,
}

impl Watch {
    /// 0 stands for no limit.
    pub(super) fn new(time_limit_ms: u64, memory_limit_bytes: u64) -> Self {
        Self {
            time_limit: (time_limit_ms > 0).then(|| Duration::from_millis(time_limit_ms)),
            memory_limit_bytes,
            sample_at: FIRST_SAMPLE,
            pause: FIRST_SAMPLE,
            kill_at: None,
            cause: Cause::Itself,
            starved: false,
            peak_bytes: 0,
        }
    }

    /// When [`Watch::due`] has something to say, if nothing else happens.
    pub(super) fn next(&self) -> Duration {
        let limit = if self.cause == Cause::Itself {
            self.time_limit
        } else {
            self.kill_at
        };
        limit.map_or(self.sample_at, |limit| limit.min(self.sample_at))
    }

    /// What is to be done at `now`; ask again until it says nothing.
    pub(super) fn due(&mut self, now: Duration) -> Option<Step> {
        if self.kill_at.is_some_and(|at| at <= now) {
            self.kill_at = None;
            return Some(Step::Kill);
        }
        if self.cause == Cause::Itself && self.time_limit.is_some_and(|limit| limit <= now) {
            return Some(self.end(Cause::TimeLimit, now));
        }
        if self.sample_at <= now {
            self.sample_at = now + self.pause;
            self.pause = (self.pause * 2).min(LONGEST_PAUSE);
            return Some(Step::Sample);
        }
        None
    }

    /// Notes what a look at the tree found.
    pub(super) fn sampled(&mut self, memory_bytes: u64, now: Duration) -> Option<Step> {
        self.peak_bytes = self.peak_bytes.max(memory_bytes);
        if self.memory_limit_bytes == 0 {
            return None;
        }
        if memory_bytes > self.memory_limit_bytes && self.cause == Cause::Itself {
            // No grace: what is asked politely goes on taking memory that others need.
            self.cause = Cause::MemoryLimit;
            return Some(Step::Kill);
        }
        if memory_bytes > self.memory_limit_bytes / 2 {
            self.sample_at = self.sample_at.min(now + NEAR_PAUSE);
        }
        None
    }

    /// The system has ended one of its processes for lack of memory; the others are of no use any more. Of an item that succeeds
    /// in spite of what its machine did, nothing is said.
    pub(super) fn short_of_memory(&mut self, shortage: Shortage) -> Option<Step> {
        if self.cause != Cause::Itself {
            return None;
        }
        match shortage {
            Shortage::OverLimit => {
                self.cause = Cause::MemoryLimit;
                Some(Step::Kill)
            }
            Shortage::Machine => {
                self.starved = true;
                None
            }
        }
    }

    /// The agent wants the item ended.
    pub(super) fn asked(&mut self, now: Duration) -> Option<Step> {
        (self.cause == Cause::Itself).then(|| self.end(Cause::Asked, now))
    }

    /// Who ended the item, which succeeded or not.
    pub(super) fn cause(&self, succeeded: bool) -> Cause {
        match self.cause {
            Cause::Itself if self.starved && !succeeded => Cause::MachineMemory,
            cause => cause,
        }
    }

    pub(super) fn peak_bytes(&self) -> u64 {
        self.peak_bytes
    }

    fn end(&mut self, cause: Cause, now: Duration) -> Step {
        self.cause = cause;
        self.kill_at = Some(now + GRACE);
        Step::Ask
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn samples_come_soon_and_then_seldom() {
        let mut watch = Watch::new(0, 0);
        let mut at = Vec::new();
        while watch.next() < ms(600) {
            let now = watch.next();
            assert_eq!(watch.due(now), Some(Step::Sample));
            assert_eq!(watch.due(now), None);
            at.push(now.as_millis());
        }
        assert_eq!(at, [10, 20, 40, 80, 160, 260, 360, 460, 560]);
    }

    #[test]
    fn an_item_over_time_is_asked_and_then_killed() {
        let mut watch = Watch::new(50, 0);
        assert_eq!(watch.due(ms(50)), Some(Step::Ask));
        assert_eq!(watch.due(ms(50)), Some(Step::Sample));
        assert_eq!(watch.due(ms(549)), Some(Step::Sample));
        assert_eq!(watch.due(ms(550)), Some(Step::Kill));
        assert_eq!(watch.cause(false), Cause::TimeLimit);
        assert_eq!(watch.asked(ms(551)), None, "it has one cause");
    }

    #[test]
    fn an_item_over_memory_is_killed_at_once() {
        let mut watch = Watch::new(0, 100);
        assert_eq!(watch.sampled(60, ms(200)), None);
        assert_eq!(watch.sampled(100, ms(220)), None);
        assert_eq!(watch.sampled(101, ms(240)), Some(Step::Kill));
        assert_eq!(
            (watch.cause(false), watch.peak_bytes()),
            (Cause::MemoryLimit, 101)
        );
    }

    #[test]
    fn what_the_system_ends_is_the_items_fault_only_at_its_own_limit() {
        let mut watch = Watch::new(0, 100);
        assert_eq!(watch.short_of_memory(Shortage::Machine), None);
        assert_eq!(watch.cause(true), Cause::Itself, "a helper's end did not matter");
        assert_eq!(watch.cause(false), Cause::MachineMemory);
        assert_eq!(watch.short_of_memory(Shortage::OverLimit), Some(Step::Kill));
        assert_eq!(watch.cause(true), Cause::MemoryLimit);
        assert_eq!(watch.short_of_memory(Shortage::OverLimit), None, "once");
    }

    #[test]
    fn near_the_limit_it_is_looked_at_more_often() {
        let mut watch = Watch::new(0, 100);
        while watch.next() < ms(500) {
            watch.due(watch.next());
        }
        let now = watch.next() - ms(90);
        watch.sampled(51, now);
        assert_eq!(watch.next(), now + ms(20));
    }
}
