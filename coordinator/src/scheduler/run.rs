//! One run: its items in a flat array, its edges, and counts that are kept up to date with every change.

use std::collections::BTreeMap;

use tidemill_proto::v1::{ItemState, StateCounts};

use super::durations::Durations;
use super::graph::Graph;
use super::group::GroupKey;
use super::ids::{AgentId, KeyId, LeaseNumber, Millis, RequirementId, RunId};
use super::seats::{SeatSetId, Seats};
use super::spec::{Amount, RunSpec};
use super::steps::Steps;
use super::work::Work;

/// Where an item stands. Finer than its state: the comment says which state it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    /// `waiting`: for upstream items.
    Blocked,
    /// `waiting`: for the engine's `Resolved`.
    Resolving,
    /// `waiting`: another item with its key is on the way.
    SameKey,
    /// `ready`, in a group.
    Ready,
    /// `ready`, but its step is held back.
    Parked,
    /// `running` under a lease.
    Leased,
    /// `running`: the process succeeded, the result is not on disk yet.
    Settling,
    /// Finished, in this state.
    Finished(ItemState),
}

impl Phase {
    pub(super) fn state(self) -> ItemState {
        match self {
            Phase::Blocked | Phase::Resolving | Phase::SameKey => ItemState::Waiting,
            Phase::Ready | Phase::Parked => ItemState::Ready,
            Phase::Leased | Phase::Settling => ItemState::Running,
            Phase::Finished(state) => state,
        }
    }

    pub(super) fn is_finished(self) -> bool {
        matches!(self, Phase::Finished(_))
    }

    /// Something will happen to it without another item's help.
    fn is_active(self) -> bool {
        matches!(
            self,
            Phase::Resolving | Phase::Ready | Phase::Leased | Phase::Settling
        )
    }
}

/// One item. Kept small: a run may have a hundred thousand.
#[derive(Debug, Clone)]
pub(super) struct Item {
    /// Meaningful while `keyed`.
    pub(super) key: KeyId,
    pub(super) need: Amount,
    /// `Durations::UNKNOWN`: the run's median counts.
    pub(super) expected_ms: Millis,
    /// Longest path behind it.
    pub(super) tail_ms: Millis,
    /// While `Leased`.
    pub(super) lease: LeaseNumber,
    pub(super) step: u32,
    pub(super) requirement: RequirementId,
    /// Agents that hold inputs of it, the best first. Most often none.
    pub(super) near: Box<[AgentId]>,
    /// The agent where an attempt ended for a reason of the machine.
    pub(super) avoid: Option<AgentId>,
    /// Group that it is in while `Ready`.
    pub(super) group: u32,
    pub(super) seats: SeatSetId,
    /// Upstream edges whose item is not finished.
    pub(super) pending: u32,
    pub(super) attempts: u32,
    pub(super) retries: u32,
    pub(super) failures: u32,
    pub(super) over_memory: u8,
    pub(super) machine: u8,
    pub(super) took_down: u8,
    pub(super) partial: bool,
    /// The engine has said what it needs, and its key.
    pub(super) resolved: bool,
    /// Holds its key: equal items wait for it.
    pub(super) keyed: bool,
    pub(super) phase: Phase,
}

/// One run.
#[derive(Debug)]
pub(super) struct Run {
    pub(super) id: RunId,
    pub(super) items: Vec<Item>,
    pub(super) graph: Graph,
    pub(super) priority: i32,
    pub(super) share: u32,
    /// Core-milliseconds served, divided by the share (times [`SHARE_UNIT`]).
    pub(super) served: u64,
    pub(super) paused: bool,
    pub(super) stopping: bool,
    /// `RunEnded` was sent since it last had an unfinished item.
    pub(super) end_announced: bool,
    pub(super) durations: Durations,
    pub(super) steps: Steps,
    /// Groups that were made for this run, by what they need.
    pub(super) groups: BTreeMap<GroupKey, u32>,
    /// Ready items, not counting parked ones.
    pub(super) ready: u32,
    counts: [u32; 9],
    unfinished: u32,
    active: u32,
    /// Sum over unfinished items of known duration.
    known_work: Work,
    /// Work of one millisecond of all unfinished items of unknown duration.
    unknown_work: Work,
    unknown_durations: u32,
}

/// Served work is kept in this fraction of a core-millisecond, so that shares divide without loss.
pub(super) const SHARE_UNIT: u64 = 1024;

impl Run {
    /// Sets up the items with settled ones finished and all others blocked; nothing is decided yet.
    pub(super) fn new(spec: RunSpec, seats: &mut Seats) -> Self {
        let graph = Graph::new(&spec.items);
        let durations = Durations::new(spec.items.iter().filter_map(|item| item.expected_ms));
        let items: Vec<Item> = spec
            .items
            .into_iter()
            .map(|item| Item {
                key: KeyId(0),
                need: item.need,
                expected_ms: item.expected_ms.unwrap_or(Durations::UNKNOWN),
                tail_ms: 0,
                lease: LeaseNumber(0),
                step: item.step,
                requirement: RequirementId::NONE,
                near: Box::default(),
                avoid: None,
                group: 0,
                seats: seats.set(item.seats),
                pending: 0,
                attempts: 0,
                retries: item.retries,
                failures: 0,
                over_memory: 0,
                machine: 0,
                took_down: 0,
                partial: item.partial,
                resolved: false,
                keyed: false,
                phase: Phase::Blocked,
            })
            .collect();
        let mut run = Self {
            id: spec.run,
            graph,
            priority: spec.priority,
            share: spec.share.max(1),
            served: 0,
            paused: spec.paused,
            stopping: false,
            end_announced: false,
            durations,
            steps: Steps::default(),
            groups: BTreeMap::new(),
            ready: 0,
            counts: [0; 9],
            unfinished: items.len() as u32,
            active: 0,
            known_work: Work::default(),
            unknown_work: Work::default(),
            unknown_durations: 0,
            items,
        };
        run.counts[ItemState::Waiting as usize] = run.unfinished;
        for index in 0..run.items.len() as u32 {
            run.count_work(index, true);
        }
        for (index, state) in spec.settled {
            if (index as usize) < run.items.len() && tidemill_proto::state::is_finished(state) {
                run.set_phase(index, Phase::Finished(state));
            }
        }
        run.measure_paths();
        run
    }

    pub(super) fn get(&self, index: u32) -> Option<&Item> {
        self.items.get(index as usize)
    }

    /// The item at an index that is known to be in the plan.
    pub(super) fn item(&self, index: u32) -> &Item {
        &self.items[index as usize]
    }

    /// Like [`Run::item`]. Phase, need and expectation are changed through the setters, which keep the counts.
    pub(super) fn item_mut(&mut self, index: u32) -> &mut Item {
        &mut self.items[index as usize]
    }

    pub(super) fn set_phase(&mut self, index: u32, phase: Phase) {
        let before = self.item(index).phase;
        self.counts[before.state() as usize] -= 1;
        self.counts[phase.state() as usize] += 1;
        self.active = self.active + u32::from(phase.is_active()) - u32::from(before.is_active());
        self.ready = self.ready + u32::from(phase == Phase::Ready) - u32::from(before == Phase::Ready);
        match (before.is_finished(), phase.is_finished()) {
            (false, true) => {
                self.unfinished -= 1;
                self.count_work(index, false);
            }
            (true, false) => {
                self.unfinished += 1;
                self.count_work(index, true);
            }
            _ => {}
        }
        self.item_mut(index).phase = phase;
    }

    /// Changes what an unfinished item is expected to need.
    pub(super) fn set_expectation(&mut self, index: u32, need: Amount, elapsed_ms: Option<Millis>) {
        self.count_work(index, false);
        let item = self.item_mut(index);
        item.need = need;
        item.expected_ms = elapsed_ms.unwrap_or(Durations::UNKNOWN);
        self.count_work(index, true);
    }

    /// The expected duration, or the run's median where nothing is known.
    pub(super) fn expected_ms(&self, index: u32) -> Millis {
        self.durations.or_median(self.item(index).expected_ms)
    }

    /// Longest expected path from the start of this item to the end of the run.
    pub(super) fn path_ms(&self, index: u32) -> Millis {
        self.expected_ms(index).saturating_add(self.item(index).tail_ms)
    }

    /// Computes all tails anew.
    pub(super) fn measure_paths(&mut self) {
        let tails = self.graph.tails(|index| {
            if self.item(index).phase.is_finished() {
                0
            } else {
                self.expected_ms(index)
            }
        });
        for (item, tail_ms) in self.items.iter_mut().zip(tails) {
            item.tail_ms = tail_ms;
        }
    }

    pub(super) fn has_outputs(&self, index: u32) -> bool {
        tidemill_proto::state::has_outputs(self.item(index).phase.state())
    }

    pub(super) fn has_unknown_durations(&self) -> bool {
        self.unknown_durations > 0
    }

    pub(super) fn unfinished(&self) -> u32 {
        self.unfinished
    }

    /// Nothing but held back items can go on.
    pub(super) fn only_held_is_left(&self) -> bool {
        self.active == 0
    }

    /// Whether the run takes part in placement at all.
    pub(super) fn is_served(&self) -> bool {
        !self.paused && !self.stopping
    }

    pub(super) fn count(&self, state: ItemState) -> u32 {
        self.counts[state as usize]
    }

    pub(super) fn counts(&self) -> StateCounts {
        StateCounts {
            waiting: self.count(ItemState::Waiting),
            ready: self.count(ItemState::Ready),
            running: self.count(ItemState::Running),
            done: self.count(ItemState::Done),
            reused: self.count(ItemState::Reused),
            failed: self.count(ItemState::Failed),
            cut_off: self.count(ItemState::CutOff),
            stopped: self.count(ItemState::Stopped),
        }
    }

    /// Expected work of all unfinished items.
    pub(super) fn remaining_work(&self) -> Work {
        self.known_work
            .plus(self.unknown_work.times(self.durations.median_ms()))
    }

    /// Books `core_ms` more, or fewer, to what the run was served.
    pub(super) fn serve(&mut self, core_ms: i64) {
        let served = core_ms.unsigned_abs().saturating_mul(SHARE_UNIT) / u64::from(self.share);
        self.served = if core_ms < 0 {
            self.served.saturating_sub(served)
        } else {
            self.served.saturating_add(served)
        };
    }

    fn count_work(&mut self, index: u32, add: bool) {
        let item = &self.items[index as usize];
        let (sum, work) = if item.expected_ms == Durations::UNKNOWN {
            self.unknown_durations = if add {
                self.unknown_durations + 1
            } else {
                self.unknown_durations - 1
            };
            (&mut self.unknown_work, Work::of(item.need, 1))
        } else {
            (&mut self.known_work, Work::of(item.need, item.expected_ms))
        };
        *sum = if add { sum.plus(work) } else { sum.minus(work) };
    }
}

/// Work in core-milliseconds.
pub(super) fn core_ms(millicores: u32, elapsed_ms: Millis) -> u64 {
    u64::try_from(u128::from(millicores) * u128::from(elapsed_ms) / 1000).unwrap_or(u64::MAX)
}
