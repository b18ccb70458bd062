//! Gathers what the history asks of runs behind their hot path: once at the start, then whenever a run has left it.

use std::collections::BTreeSet;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::archive::Archive;
use super::catalog::Catalog;
use super::index::gather_lacking;
use crate::engine::event::LiveRuns;

/// Between two looks at which runs are live. The first comes late enough for a short command to have its answer.
pub const EVERY: Duration = Duration::from_secs(3);

/// Keeps gathering until `ending`, with a look `every` so often.
pub async fn keep(
    archive: Archive,
    catalog: Arc<Catalog>,
    live: LiveRuns,
    every: Duration,
    ending: CancellationToken,
) {
    let mut open_before: Option<BTreeSet<u64>> = None;
    loop {
        tokio::select! {
            () = tokio::time::sleep(every) => {}
            () = ending.cancelled() => return,
        }
        let open: BTreeSet<u64> = {
            let live = live.read().unwrap_or_else(PoisonError::into_inner);
            live.values().map(|entry| entry.board.facts().serial).collect()
        };
        if open_before.as_ref().is_some_and(|before| before.is_subset(&open)) {
            open_before = Some(open);
            continue;
        }
        let (archive, catalog, ending) = (archive.clone(), Arc::clone(&catalog), ending.clone());
        let gathered = tokio::task::spawn_blocking(move || {
            gather_lacking(&archive, &catalog, &|| ending.is_cancelled())
        })
        .await;
        match gathered {
            Ok(Ok(0)) => {}
            Ok(Ok(count)) => tracing::debug!(count, "gathered runs for the history"),
            // A question gathers by itself what lacks, and says what is wrong.
            Ok(Err(error)) => tracing::warn!(%error, "runs cannot be gathered for the history"),
            Err(error) => tracing::warn!(%error, "runs cannot be gathered for the history"),
        }
        open_before = Some(open);
    }
}
