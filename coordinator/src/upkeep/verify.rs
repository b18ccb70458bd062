//! Reads blobs and compares them with their names, and looks for blobs that runs need and the store lacks.

use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;
use tidemill_store::StoreError;

use super::needed::{NeedsUnknown, blobs_of_run};
use crate::query::archive::{Archive, ArchiveError, name_of};

/// Between two looks whether anybody still wants the check.
const LONGEST_REST: Duration = Duration::from_millis(200);
/// So many items are named for each bad blob.
const NAMED: usize = 8;

/// What is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Of all blobs, so large a share, more than 0 and at most 1.
    pub share: f64,
    /// Chooses the sample.
    pub seed: u64,
    /// Read no faster than this.
    pub bytes_per_second: Option<u64>,
}

/// What is wrong with a blob.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Problem {
    /// Its bytes were not what its name says; it was set aside.
    Damaged(String),
    /// A run needs it, and it is not there.
    Lost,
    /// The disk gave an error.
    Unreadable(String),
}

/// A bad blob, and who made or uses it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bad {
    /// Its name.
    pub digest: Digest,
    /// What is wrong.
    pub problem: Problem,
    /// `run/item`, newest run first; a run alone where it is the plan or the manifest's text.
    pub items: Vec<String>,
}

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Checked {
    /// Blobs that were read.
    pub blobs: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// Why it ended early.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum VerifyError {
    /// A run.
    #[error(transparent)]
    Run(#[from] NeedsUnknown),
    /// The record.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nobody wants it any more.
    #[error("the check was broken off")]
    BrokenOff,
}

/// Verifies; `told` hears after every blob how far it is, and may break it off. Gives what is wrong, sorted by name.
pub fn verify(
    archive: &Archive,
    asked: Asked,
    told: &mut dyn FnMut(Checked) -> ControlFlow<()>,
) -> Result<(Checked, Vec<Bad>), VerifyError> {
    let begun = Instant::now();
    let mut checked = Checked::default();
    let mut problems: BTreeMap<Digest, Problem> = BTreeMap::new();
    for entry in archive.store.iter()? {
        let digest = entry?.digest;
        if !is_chosen(&digest, asked.share, asked.seed) {
            continue;
        }
        match archive.store.verify(&digest) {
            Ok(size) => checked.bytes += size,
            // Removed since it was listed: if somebody needs it, it is found lost below.
            Err(StoreError::Absent { .. }) => continue,
            Err(error @ StoreError::Corrupt { .. }) => {
                problems.insert(digest, Problem::Damaged(error.to_string()));
            }
            Err(error) => {
                problems.insert(digest, Problem::Unreadable(error.to_string()));
            }
        }
        checked.blobs += 1;
        if told(checked).is_break() {
            return Err(VerifyError::BrokenOff);
        }
        // In short rests, so that whoever breaks it off does not wait for the end of a long one.
        loop {
            let rest = owed(checked.bytes, asked.bytes_per_second, begun.elapsed());
            if rest.is_zero() {
                break;
            }
            std::thread::sleep(rest.min(LONGEST_REST));
            if told(checked).is_break() {
                return Err(VerifyError::BrokenOff);
            }
        }
    }
    let items = whose(archive, &mut problems)?;
    let bad = problems
        .into_iter()
        .map(|(digest, problem)| Bad {
            digest,
            problem,
            items: items.get(&digest).cloned().unwrap_or_default(),
        })
        .collect();
    Ok((checked, bad))
}

/// Who needs the bad blobs; finds those that are lost on the way.
fn whose(
    archive: &Archive,
    problems: &mut BTreeMap<Digest, Problem>,
) -> Result<HashMap<Digest, Vec<String>>, VerifyError> {
    let mut items: HashMap<Digest, Vec<String>> = HashMap::new();
    let mut there: HashMap<Digest, bool> = HashMap::new();
    for record in archive.history("", usize::MAX)? {
        let run = name_of(&record);
        let mut found = Vec::new();
        let visited = blobs_of_run(archive, &record, &mut |digest, item| {
            let is_there = *there
                .entry(digest)
                .or_insert_with(|| archive.store.size(&digest).is_ok_and(|size| size.is_some()));
            if !is_there {
                problems.entry(digest).or_insert(Problem::Lost);
            }
            if problems.contains_key(&digest) {
                found.push((digest, item));
            }
        });
        let plan = match visited {
            Ok(plan) => Some(plan),
            // Its own plan is among the bad ones: that is what is being looked for.
            Err(_) if !found.is_empty() => None,
            Err(error) => return Err(error.into()),
        };
        for (digest, item) in found {
            let address = item.and_then(|item| {
                let item = plan.as_ref()?.items.get(item as usize)?;
                Some(format!("{run}/{}", item.address))
            });
            let name = address.unwrap_or_else(|| run.to_string());
            let names = items.entry(digest).or_default();
            if names.len() < NAMED && !names.contains(&name) {
                names.push(name);
            }
        }
    }
    Ok(items)
}

fn is_chosen(digest: &Digest, share: f64, seed: u64) -> bool {
    if share >= 1.0 {
        return true;
    }
    let mixed = Digest::of(&[seed.to_le_bytes().as_slice(), digest.as_bytes()].concat());
    let mut first = [0; 8];
    first.copy_from_slice(&mixed.as_bytes()[..8]);
    (u64::from_le_bytes(first) as f64) < share * u64::MAX as f64
}

/// How long to rest so that the rate is kept.
fn owed(bytes: u64, bytes_per_second: Option<u64>, elapsed: Duration) -> Duration {
    let Some(rate) = bytes_per_second.filter(|rate| *rate > 0) else {
        return Duration::ZERO;
    };
    Duration::from_secs_f64(bytes as f64 / rate as f64).saturating_sub(elapsed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sample_is_a_share_and_another_the_next_time() {
        let digests: Vec<Digest> = (0..4000_u32).map(|n| Digest::of(&n.to_le_bytes())).collect();
        let chosen = |seed| -> Vec<&Digest> {
            digests
                .iter()
                .filter(|digest| is_chosen(digest, 0.25, seed))
                .collect()
        };
        let (one, two) = (chosen(1), chosen(2));
        assert!((800..1200).contains(&one.len()), "{}", one.len());
        assert_ne!(one, two);
        assert!(digests.iter().all(|digest| is_chosen(digest, 1.0, 3)));
    }

    #[test]
    fn a_rate_is_kept() {
        let half = owed(1_000_000, Some(1_000_000), Duration::from_millis(500));
        assert_eq!(half, Duration::from_millis(500));
        assert_eq!(owed(1_000_000, None, Duration::ZERO), Duration::ZERO);
    }
}
