//! Which runs are kept, and so which blobs.

use std::collections::{BTreeMap, HashSet};
use std::ops::ControlFlow;

use tidemill_proto::Digest;
use tidemill_proto::v1::RunState;

use super::needed::{NeedsUnknown, blobs_of_run};
use crate::query::archive::{Archive, ArchiveError};
use crate::record::keys::Kind;
use crate::record::rows::RunRecord;
use crate::record::{Scan, keys, pack};

const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// Which runs are kept. A run that any rule keeps is kept; so are open and pinned ones, whatever the rules say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Keeping {
    /// Those submitted within so many days.
    pub days: Option<u32>,
    /// The newest so many of each manifest.
    pub runs_per_manifest: Option<u32>,
}

/// What is kept, and what is not.
#[derive(Debug, Default)]
pub struct Roots {
    /// Everything that kept runs need.
    pub blobs: HashSet<Digest>,
    /// Number of kept runs.
    pub kept_runs: u64,
    /// Runs that no rule keeps.
    pub dropped: Vec<RunRecord>,
}

/// Why it is unknown what must be kept. Then nothing may be removed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RootsUnknown {
    /// A run.
    #[error(transparent)]
    Run(#[from] NeedsUnknown),
    /// The record itself.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// Rows of a kind that this program does not know.
    #[error(
        "the record holds rows of a kind that this program does not know, as {0}; a newer Tidemill wrote them"
    )]
    Strange(String),
}

/// Marks everything that kept runs need.
pub fn mark(archive: &Archive, keeping: Keeping, now_ms: i64) -> Result<Roots, RootsUnknown> {
    let mut roots = Roots::default();
    mark_rows(archive, &mut roots)?;
    let pinned = pinned(archive)?;
    let runs = archive.history("", usize::MAX)?;
    let (kept, dropped) = split(runs, keeping, &pinned, now_ms);
    for run in &kept {
        blobs_of_run(archive, run, &mut |digest, _| {
            roots.blobs.insert(digest);
        })?;
    }
    roots.kept_runs = kept.len() as u64;
    roots.dropped = dropped;
    Ok(roots)
}

/// Serials of pinned runs.
pub fn pinned(archive: &Archive) -> Result<HashSet<u64>, ArchiveError> {
    let rows = archive.record.scan(&Scan::of(keys::pins()))?;
    Ok(rows.iter().filter_map(|(key, _)| keys::read_pin(key)).collect())
}

/// Blobs that hold rows which are neither of a run nor a result; and a look at all kinds of rows.
fn mark_rows(archive: &Archive, roots: &mut Roots) -> Result<(), RootsUnknown> {
    let mut strange = None;
    archive
        .record
        .visit(&Scan::of(Vec::new()), &mut |key, value| {
            match Kind::of(key) {
                // Those of runs follow their runs, results their blobs.
                Some(Kind::Run | Kind::Item | Kind::Result) => {}
                Some(
                    Kind::Meta
                    | Kind::Counter
                    | Kind::RunName
                    | Kind::Estimate
                    | Kind::Agent
                    | Kind::RunIndex
                    | Kind::SignOff
                    | Kind::Pin,
                ) => roots.blobs.extend(pack::blob_of(value)),
                None => {
                    strange = Some(keys::for_people(key));
                    return ControlFlow::Break(());
                }
            }
            ControlFlow::Continue(())
        })
        .map_err(ArchiveError::from)?;
    strange.map_or(Ok(()), |key| Err(RootsUnknown::Strange(key)))
}

/// Splits runs, newest first, into kept and dropped ones.
pub(super) fn split(
    runs: Vec<RunRecord>,
    keeping: Keeping,
    pinned: &HashSet<u64>,
    now_ms: i64,
) -> (Vec<RunRecord>, Vec<RunRecord>) {
    let has_rules = keeping.days.is_some() || keeping.runs_per_manifest.is_some();
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    runs.into_iter().partition(|run| {
        let newer = seen.entry(run.manifest.clone()).or_default();
        let is_among_newest = keeping.runs_per_manifest.is_some_and(|most| *newer < most);
        *newer += 1;
        let is_young = keeping
            .days
            .is_some_and(|days| now_ms - run.submitted_ms <= i64::from(days) * DAY_MS);
        let is_open = run.state != RunState::Ended as i32;
        !has_rules || is_open || is_young || is_among_newest || pinned.contains(&run.serial)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(serial: u64, manifest: &str, days_old: i64, state: RunState) -> RunRecord {
        RunRecord {
            serial,
            manifest: manifest.into(),
            submitted_ms: 1000 * DAY_MS - days_old * DAY_MS,
            state: state as i32,
            ..RunRecord::default()
        }
    }

    #[test]
    fn what_any_rule_keeps_is_kept() {
        let runs = || {
            vec![
                run(6, "quay", 1, RunState::Ended),
                run(5, "pier", 2, RunState::Ended),
                run(4, "quay", 3, RunState::Ended),
                run(3, "quay", 40, RunState::Ended),
                run(2, "pier", 50, RunState::Ended),
                run(1, "quay", 60, RunState::Open),
            ]
        };
        let kept = |days, runs_per_manifest, pinned: &[u64]| {
            let keeping = Keeping {
                days,
                runs_per_manifest,
            };
            let pinned = pinned.iter().copied().collect();
            let (kept, dropped) = split(runs(), keeping, &pinned, 1000 * DAY_MS);
            assert_eq!(kept.len() + dropped.len(), 6);
            kept.iter().map(|run| run.serial).collect::<Vec<_>>()
        };
        assert_eq!(kept(None, None, &[]), [6, 5, 4, 3, 2, 1]);
        assert_eq!(kept(Some(2), None, &[]), [6, 5, 1]);
        assert_eq!(kept(None, Some(1), &[]), [6, 5, 1]);
        assert_eq!(kept(Some(0), Some(2), &[]), [6, 5, 4, 2, 1]);
        assert_eq!(kept(Some(0), None, &[3]), [3, 1]);
    }
}
