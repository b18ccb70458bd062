//! The leases that an agent holds, from Start to Settled. Pure: what to do about each event is its answer.

use std::collections::BTreeMap;

use tidemill_proto::v1::{Finished, HandBack, Held, ProcessEnded, Start, from_agent};

use crate::launcher::Control;

/// All leases that are held.
#[derive(Debug, Default)]
pub(super) struct Leases {
    held: BTreeMap<String, Lease>,
    /// Counts up, so that the youngest is known.
    started: u64,
    /// Processor time of all items that have ended.
    ended_cpu_ms: u64,
}

#[derive(Debug)]
struct Lease {
    /// What a restarted coordinator has to be told.
    held: Held,
    order: u64,
    state: State,
}

#[derive(Debug)]
enum State {
    Running(Running),
    /// Told, perhaps more than once, but not yet on the coordinator's disk.
    Finished(Box<Finished>),
}

#[derive(Debug)]
struct Running {
    control: Control,
    memory_bytes: u64,
    cpu_ms: u64,
    ending: Ending,
    /// Its processes are gone, and the coordinator was told that their room is free.
    collecting: bool,
}

/// What becomes of a running item when it has ended.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Ending {
    /// Its result is told.
    Told,
    /// It was stopped by us to be handed back, for this reason; a result that came first is told all the same.
    HandedBack(String),
    /// The coordinator does not want to hear of it.
    Forgotten,
}

impl Leases {
    /// A lease was given; its item may be ended through `control`. False: it is held already.
    pub(super) fn start(&mut self, start: &Start, control: Control, now_ms: i64) -> bool {
        if self.held.contains_key(&start.lease) {
            return false;
        }
        self.started += 1;
        let held = Held {
            lease: start.lease.clone(),
            run: start.run.clone(),
            item: start
                .item
                .as_ref()
                .map(|item| item.address.clone())
                .unwrap_or_default(),
            attempt: start.attempt,
            millicores: start.millicores,
            memory_bytes: start.estimate_memory_bytes,
            started_ms: now_ms,
            process_ended: false,
        };
        let running = Running {
            control,
            memory_bytes: 0,
            cpu_ms: 0,
            ending: Ending::Told,
            collecting: false,
        };
        let lease = Lease {
            held,
            order: self.started,
            state: State::Running(running),
        };
        self.held.insert(start.lease.clone(), lease);
        true
    }

    /// How a running item does.
    pub(super) fn sample(&mut self, lease: &str, memory_bytes: u64, cpu_ms: u64) {
        if let Some(Lease {
            state: State::Running(running),
            ..
        }) = self.held.get_mut(lease)
        {
            running.memory_bytes = memory_bytes;
            running.cpu_ms = cpu_ms;
        }
    }

    /// An item's processes are gone; what they made is being collected. Their room is free, and the coordinator is
    /// told so, unless `most` others are being collected already.
    pub(super) fn process_ended(
        &mut self,
        lease: &str,
        cpu_ms: u64,
        most: usize,
    ) -> Option<from_agent::Message> {
        let collecting = self.running_items().filter(|running| running.collecting).count();
        let lease = self.held.get_mut(lease)?;
        let State::Running(running) = &mut lease.state else {
            return None;
        };
        running.memory_bytes = 0;
        running.cpu_ms = cpu_ms;
        if collecting >= most || running.ending != Ending::Told {
            return None;
        }
        running.collecting = true;
        lease.held.process_ended = true;
        let lease = lease.held.lease.clone();
        Some(from_agent::Message::ProcessEnded(ProcessEnded { lease }))
    }

    /// An item has ended: what to tell, if anything.
    pub(super) fn finished(&mut self, finished: Finished) -> Option<from_agent::Message> {
        let measured = finished.measured.unwrap_or_default();
        self.ended_cpu_ms += measured.user_ms + measured.system_ms;
        let lease = self.held.get_mut(&finished.lease)?;
        let State::Running(running) = &lease.state else {
            return None;
        };
        match running.ending.clone() {
            Ending::HandedBack(reason) if finished.outcome == "stopped" => {
                self.held.remove(&finished.lease);
                Some(from_agent::Message::HandBack(HandBack {
                    lease: finished.lease,
                    reason,
                }))
            }
            Ending::Forgotten => {
                self.held.remove(&finished.lease);
                None
            }
            Ending::Told | Ending::HandedBack(_) => {
                lease.held.process_ended = true;
                lease.state = State::Finished(Box::new(finished.clone()));
                Some(from_agent::Message::Finished(finished))
            }
        }
    }

    /// The coordinator has the result on disk, or does not want it.
    pub(super) fn settled(&mut self, lease: &str) {
        if let Some(Lease {
            state: State::Finished(_),
            ..
        }) = self.held.get(lease)
        {
            self.held.remove(lease);
        }
    }

    /// The coordinator wants an item ended; its end is told as usual.
    pub(super) fn end(&self, lease: &str) {
        if let Some(Lease {
            state: State::Running(running),
            ..
        }) = self.held.get(lease)
        {
            running.control.end();
        }
    }

    /// Ends a running item to give its lease back.
    fn hand_back(lease: &mut Lease, reason: &str) {
        if let State::Running(running) = &mut lease.state
            && running.ending == Ending::Told
        {
            running.ending = Ending::HandedBack(reason.to_owned());
            running.control.end();
        }
    }

    /// Hands all running items back. True: there were some, and they were not told before.
    pub(super) fn hand_back_all(&mut self, reason: &str) -> bool {
        let before = self.ending_soon();
        self.held
            .values_mut()
            .for_each(|lease| Self::hand_back(lease, reason));
        self.ending_soon() > before
    }

    fn ending_soon(&self) -> usize {
        self.running_items()
            .filter(|running| running.ending != Ending::Told)
            .count()
    }

    /// Hands the youngest item back if there are several: one alone must be able to finish some time.
    pub(super) fn hand_back_youngest(&mut self, reason: &str) -> bool {
        let is_running = |lease: &Lease| matches!(&lease.state, State::Running(running) if running.ending == Ending::Told && !running.collecting);
        if self.held.values().filter(|lease| is_running(lease)).count() < 2 {
            return false;
        }
        let youngest = self
            .held
            .values_mut()
            .filter(|lease| is_running(lease))
            .max_by_key(|lease| lease.order);
        youngest.is_some_and(|lease| {
            Self::hand_back(lease, reason);
            true
        })
    }

    /// After a Welcome: all but `keep` are ended and forgotten; gives the results to tell again.
    pub(super) fn keep_only(&mut self, keep: &[String]) -> Vec<Finished> {
        self.held.retain(|name, lease| {
            if keep.contains(name) {
                return true;
            }
            match &mut lease.state {
                State::Finished(_) => false,
                State::Running(running) => {
                    running.ending = Ending::Forgotten;
                    running.control.end();
                    true
                }
            }
        });
        let unsettled = self.held.values().filter_map(|lease| match &lease.state {
            State::Finished(finished) => Some((**finished).clone()),
            State::Running(_) => None,
        });
        unsettled.collect()
    }

    /// What is held, for Hello; without what the coordinator has given up.
    pub(super) fn held(&self) -> Vec<Held> {
        let wanted = self.held.values().filter(
            |lease| !matches!(&lease.state, State::Running(running) if running.ending == Ending::Forgotten),
        );
        wanted.map(|lease| lease.held.clone()).collect()
    }

    /// Number of items whose processes may be there.
    pub(super) fn running(&self) -> usize {
        self.held
            .values()
            .filter(|lease| matches!(lease.state, State::Running(_)))
            .count()
    }

    /// Whether nothing is held at all.
    pub(super) fn is_empty(&self) -> bool {
        self.held.is_empty()
    }

    /// Cores and memory that running items are expected to take.
    pub(super) fn booked(&self) -> (u32, u64) {
        let running = self
            .held
            .values()
            .filter(|lease| matches!(&lease.state, State::Running(running) if !running.collecting));
        running.fold((0, 0), |(millicores, bytes), lease| {
            (
                millicores + lease.held.millicores,
                bytes + lease.held.memory_bytes,
            )
        })
    }

    /// Memory that running items take now.
    pub(super) fn memory_bytes(&self) -> u64 {
        self.running_items().map(|running| running.memory_bytes).sum()
    }

    /// Processor time of all items so far, ended ones too.
    pub(super) fn cpu_ms(&self) -> u64 {
        self.ended_cpu_ms + self.running_items().map(|running| running.cpu_ms).sum::<u64>()
    }

    fn running_items(&self) -> impl Iterator<Item = &Running> {
        self.held.values().filter_map(|lease| match &lease.state {
            State::Running(running) => Some(running),
            State::Finished(_) => None,
        })
    }
}

/// Whatever ends the agent's task, also ends its items.
impl Drop for Leases {
    fn drop(&mut self) {
        self.running_items().for_each(|running| running.control.end());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn start(leases: &mut Leases, lease: &str) -> Control {
        let control = Control::default();
        let start = Start {
            lease: lease.into(),
            millicores: 1000,
            ..Start::default()
        };
        assert!(leases.start(&start, control.clone(), 5));
        assert!(!leases.start(&start, Control::default(), 6), "twice the same");
        control
    }

    fn finished(lease: &str, outcome: &str) -> Finished {
        Finished {
            lease: lease.into(),
            outcome: outcome.into(),
            ..Finished::default()
        }
    }

    #[test]
    fn a_result_is_held_until_it_is_settled() {
        let mut leases = Leases::default();
        start(&mut leases, "a");
        leases.settled("a");
        assert_eq!(leases.held().len(), 1, "what still runs cannot be settled");
        assert!(matches!(
            leases.finished(finished("a", "done")),
            Some(from_agent::Message::Finished(_))
        ));
        assert_eq!((leases.running(), leases.booked().0), (0, 0));
        assert_eq!(
            leases.keep_only(&["a".into()]),
            [finished("a", "done")],
            "told again"
        );
        leases.settled("a");
        assert!(leases.is_empty());
    }

    #[test]
    fn what_the_coordinator_does_not_keep_is_ended_and_not_told() {
        let mut leases = Leases::default();
        let (a, b) = (start(&mut leases, "a"), start(&mut leases, "b"));
        start(&mut leases, "c");
        leases.finished(finished("c", "done"));
        assert!(leases.keep_only(&["a".into()]).is_empty());
        assert!(!a.is_asked() && b.is_asked());
        assert_eq!(
            leases
                .held()
                .iter()
                .map(|held| held.lease.as_str())
                .collect::<Vec<_>>(),
            ["a"]
        );
        assert!(leases.finished(finished("b", "stopped")).is_none());
        assert_eq!(leases.running(), 1);
    }

    #[test]
    fn a_handed_back_item_is_told_once_it_has_ended() {
        let mut leases = Leases::default();
        let (a, b) = (start(&mut leases, "a"), start(&mut leases, "b"));
        assert!(leases.hand_back_youngest("memory is short"));
        assert!(!a.is_asked() && b.is_asked());
        assert!(
            !leases.hand_back_youngest("memory is short"),
            "the last one stays"
        );
        let Some(from_agent::Message::HandBack(back)) = leases.finished(finished("b", "stopped")) else {
            panic!()
        };
        assert_eq!(
            (back.lease.as_str(), back.reason.as_str()),
            ("b", "memory is short")
        );
        leases.hand_back_all("the agent ends");
        let told = leases.finished(finished("a", "done"));
        assert!(
            matches!(told, Some(from_agent::Message::Finished(_))),
            "it was quicker than the request"
        );
    }

    #[test]
    fn room_is_free_once_the_process_is_gone_while_only_so_many_are_collected() {
        let mut leases = Leases::default();
        for lease in ["a", "b", "c"] {
            start(&mut leases, lease);
        }
        let told = leases.process_ended("a", 7, 1);
        assert!(matches!(told, Some(from_agent::Message::ProcessEnded(ended)) if ended.lease == "a"));
        assert_eq!(
            (leases.booked().0, leases.running(), leases.cpu_ms()),
            (2000, 3, 7)
        );
        assert!(
            leases.process_ended("b", 1, 1).is_none(),
            "one is being collected"
        );
        assert_eq!(leases.booked().0, 2000);
        let ended: Vec<_> = leases.held().iter().map(|held| held.process_ended).collect();
        assert_eq!(ended, [true, false, false], "a restarted coordinator is told");
        leases.finished(finished("a", "done"));
        assert_eq!((leases.booked().0, leases.running()), (2000, 2));
        leases.finished(finished("b", "done"));
        assert_eq!(leases.booked().0, 1000);
    }

    #[test]
    fn dropping_all_ends_all() {
        let mut leases = Leases::default();
        let control = start(&mut leases, "a");
        drop(leases);
        assert!(control.is_asked());
    }
}
