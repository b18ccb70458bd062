//! Wishes for pictures of what items make, as they finish. A look now and then at the boards of live runs: the engine
//! knows nothing of it.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use tidemill_page::facts::wish;
use tidemill_proto::v1::{ItemRow, PictureWish, Tag};
use tokio_util::sync::CancellationToken;

use super::drawer::Drawer;
use super::queue::Queue;
use crate::engine::board::RunBoard;
use crate::engine::event::LiveRuns;

/// Between two looks.
const EVERY: Duration = Duration::from_millis(700);
/// Looks until `ending`.
pub async fn look(live: LiveRuns, drawer: Drawer, queue: Arc<Queue>, ending: CancellationToken) {
    let mut seen: HashMap<u64, u64> = HashMap::new();
    loop {
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = ending.cancelled() => return,
        }
        let boards: Vec<Arc<RunBoard>> = {
            let live = live.read().unwrap_or_else(PoisonError::into_inner);
            live.values().map(|entry| Arc::clone(&entry.board)).collect()
        };
        seen.retain(|serial, _| boards.iter().any(|board| board.facts().serial == *serial));
        for board in boards {
            let since = seen.get(&board.facts().serial).copied().unwrap_or(0);
            let (drawer, queue) = (drawer.clone(), Arc::clone(&queue));
            let serial = board.facts().serial;
            let looked =
                tokio::task::spawn_blocking(move || new_wishes(&board, since, &drawer, &queue)).await;
            if let Ok(version) = looked {
                seen.insert(serial, version);
            }
        }
    }
}

/// Wishes for what changed; gives the version that was looked at.
fn new_wishes(board: &RunBoard, since: u64, drawer: &Drawer, queue: &Queue) -> u64 {
    let Ok(changes) = board.changes_since(since, false) else {
        return since; // a damaged plan has no pictures
    };
    let tags = &board.plan().tags;
    for wish in changes.items.iter().flat_map(|row| wishes_of(row, tags)) {
        if !drawer.has(&wish) {
            queue.prepare(wish);
        }
    }
    changes.version
}

fn wishes_of(row: &ItemRow, tags: &[Tag]) -> Vec<PictureWish> {
    let made = row.outputs.iter();
    made.filter_map(|output| wish(&output.path, &output.digest, tags))
        .collect()
}
