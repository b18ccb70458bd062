//! Removes runs that are no longer kept, and all blobs that no kept run needs.
//!
//! 1. Mark what kept runs need; the rest is recorded as doomed, and the store says from then on that it lacks it.
//! 2. Wait: whoever was told before that a blob is here has time to name it.
//!    Other coordinators of the same store say meanwhile what they need; without their answers nothing is removed.
//! 3. Mark again; what a run needs by now is spared, as is everything that a commit names.
//! 4. Remove the rows of dropped runs and the results of doomed blobs, then the blobs.
//!
//! After a crash the next sweep finds the record of the doomed and goes on at step 2, with the time that has passed.

use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;
use tidemill_proto::v1::RunState;
use tidemill_store::{StoreError, Swept};

use super::roots::{Keeping, Roots, RootsUnknown, mark};
use crate::engine::rows::parts_of;
use crate::query::archive::{Archive, ArchiveError, name_of};
use crate::record::rows::{ResultRecord, RunRecord};
use crate::record::{Op, Scan, keys, pack};

/// Rows that are removed in one group.
const ROWS_AT_ONCE: usize = 500;
/// How often somebody who waits looks whether to go on.
const LOOK: Duration = Duration::from_millis(100);
/// How long other coordinators of the same store have to answer, after the grace.
const ANSWERS: Duration = Duration::from_secs(60);
/// What was staged and not committed for so long, or a put that has not ended, is left over from something that died.
const STALE: Duration = Duration::from_secs(24 * 60 * 60);

/// What is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Remove; else only figures.
    pub remove: bool,
    /// Which runs are kept.
    pub keeping: Keeping,
    /// Between recording what goes and removing it.
    pub grace: Duration,
}

/// Where a sweep is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// It is known what goes.
    Marked,
    /// The grace runs.
    Waits,
    /// It is known again.
    MarkedAgain,
    /// No row names any longer what goes.
    RecordCleared,
    /// Blobs are being removed.
    Removes,
    /// That was all.
    Ended,
}

/// How far a sweep is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Where it is.
    pub phase: Phase,
    /// Runs that stay.
    pub kept_runs: u64,
    /// Runs that go, or are gone.
    pub dropped_runs: u64,
    /// Blobs that stay.
    pub kept_blobs: u64,
    /// What goes, or is gone from [`Phase::Removes`] on.
    pub freed: Swept,
    /// Results that can no longer be reused.
    pub dropped_results: u64,
    /// What writers left that died half-way: it goes, or is gone once the sweep has ended.
    pub left_over: Swept,
    /// Still to wait.
    pub wait: Duration,
    /// Goes on with what an earlier sweep recorded.
    pub resumed: bool,
}

/// Why a sweep ended early. Nothing that is needed was removed; the next sweep goes on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SweepError {
    /// It is unknown what must be kept.
    #[error("nothing was removed: {0}")]
    Roots(#[from] RootsUnknown),
    /// The record.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nobody wants it any more.
    #[error("the sweep was broken off; the next one goes on")]
    BrokenOff,
}

/// Sweeps. `now_ms` tells the time; `told` hears how far it is and may break it off.
pub fn sweep(
    archive: &Archive,
    asked: Asked,
    now_ms: &dyn Fn() -> i64,
    told: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<Progress, SweepError> {
    let recorded = archive.store.doomed()?;
    let mut roots = mark(archive, asked.keeping, now_ms())?;
    roots.blobs.extend(archive.store.roots_of_others()?);
    let mut progress = Progress {
        phase: Phase::Marked,
        kept_runs: 0,
        dropped_runs: 0,
        kept_blobs: 0,
        freed: Swept::default(),
        dropped_results: 0,
        left_over: Swept::default(),
        wait: Duration::ZERO,
        resumed: asked.remove && recorded.is_some(),
    };
    let goes = if let (true, Some(recorded)) = (asked.remove, &recorded) {
        archive.store.spare(roots.blobs.iter().copied());
        recorded.digests.clone()
    } else {
        Vec::new()
    };
    let doomed = look(archive, &roots, &goes, progress.resumed, &mut progress)?;
    progress.dropped_results =
        results_of(archive, &|digest| doomed.binary_search(digest).is_ok())?.len() as u64;
    progress.left_over = archive.store.left_over(STALE, false)?;
    tell(told, progress)?;
    if !asked.remove {
        progress.phase = Phase::Ended;
        return Ok(progress);
    }
    let since_ms = match recorded {
        Some(recorded) => recorded.since_ms,
        None => {
            let since_ms = now_ms();
            archive.store.doom(&doomed, since_ms)?;
            since_ms
        }
    };
    wait(
        since_ms,
        asked.grace.max(archive.store.seen_within()),
        now_ms,
        &mut progress,
        told,
    )?;
    let roots = mark(archive, asked.keeping, now_ms())?;
    archive.store.spare(roots.blobs.iter().copied());
    hear_others(archive, &mut progress, told)?;
    progress.phase = Phase::MarkedAgain;
    progress.kept_runs = roots.kept_runs;
    progress.dropped_runs = roots.dropped.len() as u64;
    tell(told, progress)?;
    drop_runs(archive, &roots.dropped)?;
    progress.dropped_results = drop_results(archive)?;
    progress.phase = Phase::RecordCleared;
    tell(told, progress)?;
    progress.phase = Phase::Removes;
    let mut broken_off = ControlFlow::Continue(());
    progress.freed = archive.store.remove_doomed(&mut |freed| {
        if broken_off.is_continue() {
            // From here on it is quicker to end than to come back.
            broken_off = told(Progress { freed, ..progress });
        }
    })?;
    progress.left_over = archive.store.left_over(STALE, true)?;
    progress.phase = Phase::Ended;
    Ok(progress)
}

/// Waits for the answers of the other coordinators that use the store. Those that are open look every few seconds.
fn hear_others(
    archive: &Archive,
    progress: &mut Progress,
    told: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<(), SweepError> {
    let until = Instant::now() + ANSWERS;
    loop {
        match archive.store.hear_others() {
            Err(StoreError::Unanswered { .. }) if Instant::now() < until => {}
            other => return Ok(other?),
        }
        tell(told, *progress)?;
        std::thread::sleep(LOOK * 5);
    }
}

/// What goes by this marking, sorted, with its size.
fn look(
    archive: &Archive,
    roots: &Roots,
    recorded: &[Digest],
    only_recorded: bool,
    progress: &mut Progress,
) -> Result<Vec<Digest>, StoreError> {
    progress.kept_runs = roots.kept_runs;
    progress.dropped_runs = roots.dropped.len() as u64;
    let mut recorded = recorded.to_vec();
    recorded.sort_unstable();
    let mut goes = Vec::new();
    for entry in archive.store.iter()? {
        let entry = entry?;
        let counts = !only_recorded || recorded.binary_search(&entry.digest).is_ok();
        if roots.blobs.contains(&entry.digest) || !counts {
            progress.kept_blobs += 1;
        } else {
            progress.freed.files += 1;
            progress.freed.bytes += entry.size;
            goes.push(entry.digest);
        }
    }
    goes.sort_unstable();
    Ok(goes)
}

fn wait(
    since_ms: i64,
    grace: Duration,
    now_ms: &dyn Fn() -> i64,
    progress: &mut Progress,
    told: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<(), SweepError> {
    let until_ms = since_ms.saturating_add(i64::try_from(grace.as_millis()).unwrap_or(i64::MAX));
    progress.phase = Phase::Waits;
    loop {
        // A clock that was set back makes nobody wait longer than the grace.
        let left =
            Duration::from_millis(u64::try_from(until_ms.saturating_sub(now_ms())).unwrap_or(0)).min(grace);
        progress.wait = left;
        if left.is_zero() {
            return Ok(());
        }
        tell(told, *progress)?;
        std::thread::sleep(left.min(LOOK));
    }
}

fn tell(told: &mut dyn FnMut(Progress) -> ControlFlow<()>, progress: Progress) -> Result<(), SweepError> {
    match told(progress) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(SweepError::BrokenOff),
    }
}

/// Removes the rows of runs. One that was opened again meanwhile stays.
fn drop_runs(archive: &Archive, runs: &[RunRecord]) -> Result<(), ArchiveError> {
    for run in runs {
        let items = archive.record.scan(&Scan::of(keys::items(run.serial)))?;
        match archive.run(run.serial)? {
            Some(now) if now.state == RunState::Ended as i32 => {}
            _ => continue,
        }
        // The run first: items without their run are nothing, a run without its items would be a lie.
        let mut ops = vec![
            Op::Delete {
                key: keys::run(run.serial),
            },
            Op::Delete {
                key: keys::run_name(&name_of(run)),
            },
            Op::Delete {
                key: keys::pin(run.serial),
            },
            Op::Delete {
                key: keys::run_index(run.serial),
            },
        ];
        ops.extend(items.into_iter().map(|(key, _)| Op::Delete { key }));
        for group in ops.chunks(ROWS_AT_ONCE) {
            archive.record.commit(group)?;
        }
    }
    Ok(())
}

/// Removes results of which a blob is doomed.
fn drop_results(archive: &Archive) -> Result<u64, ArchiveError> {
    let dropped = results_of(archive, &|digest| archive.store.is_doomed(digest))?;
    let count = dropped.len() as u64;
    let ops: Vec<Op> = dropped.into_iter().map(|key| Op::Delete { key }).collect();
    for group in ops.chunks(ROWS_AT_ONCE) {
        archive.record.commit(group)?;
    }
    Ok(count)
}

/// Keys of results that name a blob which goes.
fn results_of(archive: &Archive, goes: &dyn Fn(&Digest) -> bool) -> Result<Vec<Vec<u8>>, ArchiveError> {
    let mut found = Vec::new();
    archive
        .record
        .visit(&Scan::of(keys::results()), &mut |key, value| {
            let is_lost = match pack::read::<ResultRecord>(key, value, &archive.store) {
                Ok(result) => result.outputs.iter().any(|output| {
                    let own = Digest::from_slice(&output.digest);
                    own.is_ok_and(|own| goes(&own)) || parts_of(&output.parts).any(|part| goes(&part))
                }),
                // A result whose own row is lost is none.
                Err(_) => true,
            };
            if is_lost || pack::blob_of(value).is_some_and(|blob| goes(&blob)) {
                found.push(key.to_vec());
            }
            ControlFlow::Continue(())
        })?;
    Ok(found)
}
