//! Keys of rows: one letter for the kind, then names or big-endian numbers, so that a scan gives rows in order.
//!
//! | key | row |
//! | --- | --- |
//! | `m` `format` | [`MetaRecord`](super::rows::MetaRecord) |
//! | `c` manifest | [`CounterRecord`](super::rows::CounterRecord): the last run number given |
//! | `r` serial (8) | [`RunRecord`](super::rows::RunRecord), in order of submission |
//! | `n` manifest 0 number (4) | [`RunNameRecord`](super::rows::RunNameRecord): the serial of a run |
//! | `i` serial (8) index (4) | [`ItemRecord`](super::rows::ItemRecord), in plan order |
//! | `k` key (32) | [`ResultRecord`](super::rows::ResultRecord) |
//! | `e` signature (32) | [`EstimateRecord`](super::rows::EstimateRecord) |
//! | `a` uuid | [`AgentRecord`](super::rows::AgentRecord) |
//! | `x` serial (8) | [`RunIndexRecord`](super::rows::RunIndexRecord) |
//! | `s` manifest 0 variant 0 time (8) | [`SignOffRecord`](super::rows::SignOffRecord), the last decision last |
//! | `p` serial (8) | [`PinRecord`](super::rows::PinRecord): a run that every sweep keeps |
//!
//! A run's serial counts all runs of a record and never recurs; it keeps the many item keys short.

use std::fmt::Write as _;

use tidemill_proto::{Digest, Key, RunName};

/// What a row is of. Whoever looks through all rows matches on this, so that the compiler names every place that has to
/// know of a new kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Format version and start count.
    Meta,
    /// Last run number of a manifest.
    Counter,
    /// A run.
    Run,
    /// The serial of a run by its name.
    RunName,
    /// An item of a run.
    Item,
    /// A result by its key.
    Result,
    /// What was learned about a step.
    Estimate,
    /// An agent.
    Agent,
    /// What the history asks of a run.
    RunIndex,
    /// A decision about a variant.
    SignOff,
    /// That a run is pinned.
    Pin,
}

impl Kind {
    const ALL: [Self; 11] = [
        Self::Meta,
        Self::Counter,
        Self::Run,
        Self::RunName,
        Self::Item,
        Self::Result,
        Self::Estimate,
        Self::Agent,
        Self::RunIndex,
        Self::SignOff,
        Self::Pin,
    ];

    /// The kind of the row under a key; `None`: one that this program does not know.
    pub fn of(key: &[u8]) -> Option<Self> {
        let letter = key.first()?;
        Self::ALL.into_iter().find(|kind| kind.letter() == *letter)
    }

    const fn letter(self) -> u8 {
        match self {
            Self::Meta => b'm',
            Self::Counter => b'c',
            Self::Run => b'r',
            Self::RunName => b'n',
            Self::Item => b'i',
            Self::Result => b'k',
            Self::Estimate => b'e',
            Self::Agent => b'a',
            Self::RunIndex => b'x',
            Self::SignOff => b's',
            Self::Pin => b'p',
        }
    }
}

/// Format version and start count.
pub fn meta() -> Vec<u8> {
    joined(Kind::Meta, &[b"format"])
}

/// Last run number of a manifest.
pub fn counter(manifest: &str) -> Vec<u8> {
    joined(Kind::Counter, &[manifest.as_bytes()])
}

/// A run by its serial.
pub fn run(serial: u64) -> Vec<u8> {
    joined(Kind::Run, &[&serial.to_be_bytes()])
}

/// All runs, in order of submission.
pub fn runs() -> Vec<u8> {
    vec![Kind::Run.letter()]
}

/// A run by its name.
pub fn run_name(name: &RunName) -> Vec<u8> {
    joined(
        Kind::RunName,
        &[name.manifest.as_bytes(), &[0], &name.number.to_be_bytes()],
    )
}

/// All runs of a manifest, by number.
pub fn run_names(manifest: &str) -> Vec<u8> {
    joined(Kind::RunName, &[manifest.as_bytes(), &[0]])
}

/// An item by its run's serial and its index in the plan.
pub fn item(run_serial: u64, index: u32) -> Vec<u8> {
    joined(Kind::Item, &[&run_serial.to_be_bytes(), &index.to_be_bytes()])
}

/// All items of a run, in plan order.
pub fn items(run_serial: u64) -> Vec<u8> {
    joined(Kind::Item, &[&run_serial.to_be_bytes()])
}

/// Serial and index out of an item's key.
pub fn read_item(key: &[u8]) -> Option<(u64, u32)> {
    let numbers = key.strip_prefix(b"i")?;
    let (serial, index) = numbers.split_first_chunk::<8>()?;
    Some((
        u64::from_be_bytes(*serial),
        u32::from_be_bytes(index.try_into().ok()?),
    ))
}

/// Serial out of a run's key.
pub fn read_run(key: &[u8]) -> Option<u64> {
    Some(u64::from_be_bytes(key.strip_prefix(b"r")?.try_into().ok()?))
}

/// The result that is recorded under a key.
pub fn result(key: &Key) -> Vec<u8> {
    joined(Kind::Result, &[key.0.as_bytes()])
}

/// That a run is pinned.
pub fn pin(serial: u64) -> Vec<u8> {
    joined(Kind::Pin, &[&serial.to_be_bytes()])
}

/// All pins.
pub fn pins() -> Vec<u8> {
    vec![Kind::Pin.letter()]
}

/// Serial out of a pin's key.
pub fn read_pin(key: &[u8]) -> Option<u64> {
    Some(u64::from_be_bytes(key.strip_prefix(b"p")?.try_into().ok()?))
}

/// All results.
pub fn results() -> Vec<u8> {
    vec![Kind::Result.letter()]
}

/// What was learned about a step signature.
pub fn estimate(signature: &Digest) -> Vec<u8> {
    joined(Kind::Estimate, &[signature.as_bytes()])
}

/// All that was learned.
pub fn estimates() -> Vec<u8> {
    vec![Kind::Estimate.letter()]
}

/// An agent by its uuid.
pub fn agent(uuid: &str) -> Vec<u8> {
    joined(Kind::Agent, &[uuid.as_bytes()])
}

/// All agents.
pub fn agents() -> Vec<u8> {
    vec![Kind::Agent.letter()]
}

/// What the history asks of a run.
pub fn run_index(serial: u64) -> Vec<u8> {
    joined(Kind::RunIndex, &[&serial.to_be_bytes()])
}

/// The same of all runs, in order of submission.
pub fn run_indexes() -> Vec<u8> {
    vec![Kind::RunIndex.letter()]
}

/// Serial out of the key of what the history asks of a run.
pub fn read_run_index(key: &[u8]) -> Option<u64> {
    Some(u64::from_be_bytes(key.strip_prefix(b"x")?.try_into().ok()?))
}

/// All decisions about all variants.
pub fn all_sign_offs() -> Vec<u8> {
    vec![Kind::SignOff.letter()]
}

/// Manifest, variant and time out of a decision's key.
pub fn read_sign_off(key: &[u8]) -> Option<(&str, &str, i64)> {
    let rest = key.strip_prefix(b"s")?;
    let (names, time) = rest.split_last_chunk::<8>()?;
    let names = std::str::from_utf8(names.strip_suffix(&[0])?).ok()?;
    let (manifest, variant) = names.split_once('\0')?;
    Some((manifest, variant, i64::from_be_bytes(*time)))
}

/// A decision about a variant, by its time.
pub fn sign_off(manifest: &str, variant: &str, decided_ms: i64) -> Vec<u8> {
    let time = decided_ms.max(0).to_be_bytes();
    joined(
        Kind::SignOff,
        &[manifest.as_bytes(), &[0], variant.as_bytes(), &[0], &time],
    )
}

/// All decisions about a variant, in the order of their times.
pub fn sign_offs(manifest: &str, variant: &str) -> Vec<u8> {
    joined(
        Kind::SignOff,
        &[manifest.as_bytes(), &[0], variant.as_bytes(), &[0]],
    )
}

/// A key as text for messages: what can be printed as it is, the rest in hexadecimal.
pub fn for_people(key: &[u8]) -> String {
    key.iter().fold(String::new(), |mut text, byte| {
        if byte.is_ascii_graphic() {
            text.push(char::from(*byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(text, "\\{byte:02x}");
        }
        text
    })
}

fn joined(kind: Kind, parts: &[&[u8]]) -> Vec<u8> {
    let mut key = Vec::with_capacity(1 + parts.iter().map(|part| part.len()).sum::<usize>());
    key.push(kind.letter());
    parts.iter().for_each(|part| key.extend_from_slice(part));
    key
}
