//! Names of things inside the scheduler: small numbers, so that a hundred thousand items stay small.
//!
//! The engine around the scheduler keeps the tables from these numbers to words (run names, agent names,
//! tool versions); the scheduler never sees a word.

/// A point in time or a span, in milliseconds. Points are Unix time in the live coordinator and simulated time
/// in a simulation; the scheduler only compares and subtracts them.
pub type Millis = u64;

/// One run. The engine numbers runs as it adds them and does not use a number twice in one process.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunId(pub u32);

/// One item: its run and its index in `Plan.items`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ItemId {
    /// The run that the item belongs to.
    pub run: RunId,
    /// Index in the plan's items.
    pub index: u32,
}

/// One agent. The engine gives the same number to an agent that comes back; numbers are dense, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AgentId(pub u32);

/// One lease. Numbered from 1 by the scheduler, never used twice in one process. The lease id on the wire also
/// carries the coordinator's start id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LeaseNumber(pub u64);

/// The first 128 bits of an item's key. Keys are BLAKE3 digests, so that equal prefixes mean equal keys for
/// every practical number of items.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyId(pub u128);

impl KeyId {
    /// The prefix of a key's 32 bytes.
    pub fn from_key_bytes(bytes: &[u8; 32]) -> Self {
        let mut prefix = [0; 16];
        prefix.copy_from_slice(&bytes[..16]);
        Self(u128::from_be_bytes(prefix))
    }
}

/// What an agent must have besides cores and memory: exact tool versions, operation versions and offers, taken
/// together. The engine gives one number to each distinct set and says which agents satisfy it. Dense, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RequirementId(pub u32);

impl RequirementId {
    /// Satisfied by every agent, without being told.
    pub const NONE: Self = Self(u32::MAX);
}

/// A kind of seat (a licence that a limited number of items hold at once). The engine gives one number to each
/// seat name. Dense, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeatId(pub u32);
