//! Which agents hold which blobs in caches of their own, as far as can be told from here: what they were given and what
//! they made. Pure. Hints only: an agent may have dropped a blob since, and then fetches it again.

use std::collections::{HashMap, VecDeque};

use tidemill_proto::Digest;

use crate::scheduler::AgentId;

/// Blobs that are remembered; the oldest are forgotten first. Some 10 MB.
const BLOBS_KEPT: usize = 65_536;
/// Holders of one blob that are remembered, the newest.
const HOLDERS_KEPT: usize = 4;
/// Agents that are named for one item: more would hardly ever be all without room.
const NEAREST: usize = 4;

/// What is known about caches.
#[derive(Debug, Default)]
pub struct Whereabouts {
    holders: HashMap<Digest, Vec<AgentId>>,
    /// Oldest first.
    order: VecDeque<Digest>,
}

impl Whereabouts {
    /// An agent has a blob now, or is about to.
    pub fn note(&mut self, digest: Digest, agent: AgentId) {
        let holders = self.holders.entry(digest).or_insert_with(|| {
            self.order.push_back(digest);
            Vec::with_capacity(1)
        });
        if !holders.contains(&agent) {
            if holders.len() == HOLDERS_KEPT {
                holders.remove(0);
            }
            holders.push(agent);
        }
        if self.order.len() > BLOBS_KEPT
            && let Some(oldest) = self.order.pop_front()
        {
            self.holders.remove(&oldest);
        }
    }

    /// The agents that hold most of these blobs by bytes, the most first; equal ones by number.
    pub fn nearest(&self, inputs: &[(Digest, u64)]) -> Box<[AgentId]> {
        if self.holders.is_empty() {
            return Box::default();
        }
        let mut held: Vec<(AgentId, u64)> = Vec::new();
        for (digest, size) in inputs {
            for agent in self.holders.get(digest).into_iter().flatten() {
                match held.iter_mut().find(|(known, _)| known == agent) {
                    Some((_, sum)) => *sum += size,
                    None => held.push((*agent, *size)),
                }
            }
        }
        held.sort_unstable_by_key(|(agent, bytes)| (std::cmp::Reverse(*bytes), *agent));
        held.truncate(NEAREST);
        held.into_iter().map(|(agent, _)| agent).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blob(number: u32) -> Digest {
        Digest::of(&number.to_le_bytes())
    }

    #[test]
    fn agents_come_in_the_order_of_the_bytes_that_they_hold() {
        let mut whereabouts = Whereabouts::default();
        let (ash, oak, elm) = (AgentId(1), AgentId(2), AgentId(3));
        whereabouts.note(blob(0), ash);
        whereabouts.note(blob(1), oak);
        whereabouts.note(blob(2), oak);
        whereabouts.note(blob(2), elm);
        whereabouts.note(blob(2), elm);
        let inputs = [(blob(0), 50), (blob(1), 20), (blob(2), 40), (blob(9), 900)];
        assert_eq!(*whereabouts.nearest(&inputs), [oak, ash, elm]);
        assert_eq!(*whereabouts.nearest(&inputs[..1]), [ash]);
        assert!(whereabouts.nearest(&inputs[3..]).is_empty());
    }

    #[test]
    fn only_so_much_is_remembered() {
        let mut whereabouts = Whereabouts::default();
        for number in 0..BLOBS_KEPT as u32 + 10 {
            whereabouts.note(blob(number), AgentId(0));
        }
        assert_eq!(whereabouts.holders.len(), BLOBS_KEPT);
        assert!(whereabouts.nearest(&[(blob(9), 1)]).is_empty());
        assert_eq!(*whereabouts.nearest(&[(blob(10), 1)]), [AgentId(0)]);
        for agent in 0..9 {
            whereabouts.note(blob(10), AgentId(agent));
        }
        assert_eq!(whereabouts.nearest(&[(blob(10), 1)]).len(), HOLDERS_KEPT);
    }
}
