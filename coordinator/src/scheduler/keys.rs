//! Items with one key: the first runs, the others wait for its result.

use std::collections::BTreeMap;

use tidemill_proto::v1::ItemState;

use super::ids::{ItemId, KeyId};
use super::run::Phase;
use super::{Action, Moment, Scheduler};

/// Who has which key, over all runs.
#[derive(Debug, Default)]
pub(super) struct Keys {
    /// The item that runs, or will, for a key.
    holders: BTreeMap<KeyId, ItemId>,
    /// Items that wait for the holder's result, in the order in which they came.
    waiters: BTreeMap<KeyId, Vec<ItemId>>,
}

impl Keys {
    pub(super) fn holder(&self, key: KeyId) -> Option<ItemId> {
        self.holders.get(&key).copied()
    }

    fn add_waiter(&mut self, key: KeyId, item: ItemId) {
        self.waiters.entry(key).or_default().push(item);
    }

    fn remove_waiter(&mut self, key: KeyId, item: ItemId) {
        if let Some(waiters) = self.waiters.get_mut(&key) {
            waiters.retain(|waiter| *waiter != item);
            if waiters.is_empty() {
                self.waiters.remove(&key);
            }
        }
    }
}

impl Scheduler {
    /// A resolved item asks for its key: it becomes ready, or waits for the item that holds the key.
    pub(super) fn claim_key(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(key) = self.item(item).map(|entry| entry.key) else {
            return;
        };
        match self.keys.holder(key).filter(|holder| *holder != item) {
            Some(holder) if self.goes_first(item, holder) => self.take_over_key(item, holder, moment),
            Some(_) => self.wait_for_key(item, moment),
            None => {
                self.hold_key(item, key);
                self.make_ready(item, moment);
            }
        }
    }

    /// An item that runs already (taken over from an earlier process) asks for its key.
    pub(super) fn claim_key_while_running(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(key) = self.item(item).map(|entry| entry.key) else {
            return;
        };
        match self.keys.holder(key).filter(|holder| *holder != item) {
            None => self.hold_key(item, key),
            Some(holder) if self.is_unleased(holder) => {
                self.wait_for_key(holder, moment);
                self.hold_key(item, key);
            }
            // Both run already; each keeps its own result.
            Some(_) => {}
        }
    }

    /// The item is finished: those that wait for its key are reused, or the next of them runs itself.
    pub(super) fn release_key(&mut self, item: ItemId, moment: &mut Moment) {
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let has_outputs = run.has_outputs(item.index);
        let entry = run.item_mut(item.index);
        if !std::mem::take(&mut entry.keyed) {
            return;
        }
        let key = entry.key;
        self.keys.holders.remove(&key);
        let mut waiters = self.keys.waiters.remove(&key).unwrap_or_default();
        if has_outputs {
            for waiter in waiters {
                moment.actions.push(Action::ReusedFrom {
                    item: waiter,
                    from: item,
                });
                self.finish(waiter, ItemState::Reused, moment);
            }
            return;
        }
        if waiters.is_empty() {
            return;
        }
        let served = |waiter: &ItemId| self.runs.get(&waiter.run).is_some_and(|run| run.is_served());
        let next = waiters.remove(waiters.iter().position(served).unwrap_or(0));
        if !waiters.is_empty() {
            self.keys.waiters.insert(key, waiters);
        }
        self.hold_key(next, key);
        self.make_ready(next, moment);
    }

    /// The item no longer waits for another of its key.
    pub(super) fn stop_waiting_for_key(&mut self, item: ItemId) {
        if let Some(entry) = self.item(item) {
            let key = entry.key;
            self.keys.remove_waiter(key, item);
        }
    }

    /// After runs were paused or reordered, or a step was held: no item waits for one of equal key that will not
    /// run before it.
    pub(super) fn review_keys(&mut self, moment: &mut Moment) {
        let mut changes = Vec::new();
        for (key, waiters) in &self.keys.waiters {
            let Some(holder) = self.keys.holder(*key) else {
                continue;
            };
            if let Some(next) = waiters.iter().find(|waiter| self.goes_first(**waiter, holder)) {
                changes.push((*next, holder));
            }
        }
        for (next, holder) in changes {
            self.stop_waiting_for_key(next);
            self.take_over_key(next, holder, moment);
        }
    }

    fn take_over_key(&mut self, item: ItemId, holder: ItemId, moment: &mut Moment) {
        let Some(key) = self.item(item).map(|entry| entry.key) else {
            return;
        };
        self.wait_for_key(holder, moment);
        self.hold_key(item, key);
        self.make_ready(item, moment);
    }

    fn hold_key(&mut self, item: ItemId, key: KeyId) {
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.item_mut(item.index).keyed = true;
            self.keys.holders.insert(key, item);
        }
    }

    /// Makes an item that does not run wait for its key's holder.
    fn wait_for_key(&mut self, item: ItemId, moment: &mut Moment) {
        self.leave_ready(item);
        let Some(run) = self.runs.get_mut(&item.run) else {
            return;
        };
        let entry = run.item_mut(item.index);
        entry.keyed = false;
        let key = entry.key;
        self.keys.add_waiter(key, item);
        self.show_phase(item, Phase::SameKey, moment);
    }

    /// Whether `item` should run instead of `holder`, which has the same key and came first.
    fn goes_first(&self, item: ItemId, holder: ItemId) -> bool {
        let (Some(run), Some(holder_run)) = (self.runs.get(&item.run), self.runs.get(&holder.run)) else {
            return false;
        };
        let step_is_held = run.steps.is_held(run.item(item.index).step);
        let holder_is_parked = holder_run.item(holder.index).phase == Phase::Parked;
        self.is_unleased(holder)
            && run.is_served()
            && (!holder_run.is_served()
                || run.priority > holder_run.priority
                || (holder_is_parked && !step_is_held))
    }

    fn is_unleased(&self, item: ItemId) -> bool {
        self.item(item)
            .is_some_and(|entry| matches!(entry.phase, Phase::Ready | Phase::Parked))
    }
}
