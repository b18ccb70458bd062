//! Other coordinators of the same store: telling them what is kept here, and answering their sweeps.

use std::collections::HashSet;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;
use tokio_util::sync::CancellationToken;

use super::roots::{Keeping, mark};
use super::sweep::SweepError;
use crate::engine::clock::now_ms;
use crate::query::archive::Archive;

/// Between two looks for sweeps of others.
const LOOK_EVERY: Duration = Duration::from_secs(3);
/// Between hearing of a sweep and marking: rows that belong to a commit which did not know of it are in the record then.
const SETTLE: Duration = Duration::from_secs(5);
/// How old the roots may be that others see without asking.
const TELL_EVERY: Duration = Duration::from_secs(10 * 60);

/// Looks and answers until `ending`. Returns at once for a store that this coordinator has for itself.
pub async fn keep_company(archive: Archive, ending: CancellationToken) {
    if !archive.store.is_shared() {
        return;
    }
    let mut told: Option<Instant> = None;
    loop {
        let work = archive.clone();
        let tell = told.is_none_or(|told| told.elapsed() >= TELL_EVERY);
        let looked = tokio::task::spawn_blocking(move || look(&work, tell)).await;
        match looked {
            Ok(Ok(())) if tell => told = Some(Instant::now()),
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::warn!(%error, "cannot look what other coordinators do with the store"),
            Err(error) => tracing::warn!(%error, "cannot look what other coordinators do with the store"),
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            () = ending.cancelled() => return,
        }
    }
}

fn look(archive: &Archive, tell: bool) -> Result<(), SweepError> {
    archive.store.look_for_damage()?;
    let asked = archive.store.look_for_sweeps()?;
    if !asked.is_empty() {
        std::thread::sleep(SETTLE);
        let roots = all(archive)?;
        for sweep in asked {
            archive.store.answer_sweep(&sweep, &roots)?;
            tracing::info!(
                sweep,
                "told another coordinator, which sweeps the store, what is needed here"
            );
        }
        archive.store.tell_roots(&roots, true)?;
    } else if tell {
        archive.store.tell_roots(&all(archive)?, true)?;
    }
    Ok(())
}

/// The last word of a coordinator that ends: whoever sweeps later goes by it. Without it nobody sweeps until this one is
/// opened again.
pub fn take_leave(archive: &Archive) -> Result<(), SweepError> {
    take_leave_between(archive, None)
}

/// As [`take_leave`] where a fresh record is about to take the old one's place: what either needs is kept.
pub fn take_leave_between(archive: &Archive, fresh: Option<&Archive>) -> Result<(), SweepError> {
    if !archive.store.is_shared() {
        return Ok(());
    }
    let mut roots = all(archive)?;
    if let Some(fresh) = fresh {
        roots.extend(all(fresh)?);
    }
    Ok(archive.store.tell_roots(&roots, false)?)
}

/// Another's sweep removes nothing that any run here needs, whatever this coordinator's own rules would drop.
fn all(archive: &Archive) -> Result<HashSet<Digest>, SweepError> {
    Ok(mark(archive, Keeping::default(), now_ms())?.blobs)
}
