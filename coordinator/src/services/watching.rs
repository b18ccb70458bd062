//! The stream of a run's changes. A slow watcher gets the newest state of what changed, never a backlog: what is
//! new is only worked out once the last piece was taken.

use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::v1::{WatchEvent, watch_event};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tonic::Status;

use crate::engine::board::RunBoard;

/// Changes closer together than this are told together.
const TOGETHER: Duration = Duration::from_millis(40);

/// Sends the whole state, then changes, until the run has ended, nobody listens, or the server ends.
pub async fn watch(
    board: Arc<RunBoard>,
    quiet: bool,
    events: mpsc::Sender<Result<WatchEvent, Status>>,
    ending: CancellationToken,
) {
    let work = tell(&board, quiet, &events);
    tokio::select! {
        told = work => if let Err(status) = told {
            // A watcher that left does not need the reason.
            let _ = events.send(Err(status)).await;
        },
        () = ending.cancelled() => {
            let _ = events.try_send(Err(Status::unavailable("the coordinator is closing")));
        }
    }
}

async fn tell(
    board: &RunBoard,
    quiet: bool,
    events: &mpsc::Sender<Result<WatchEvent, Status>>,
) -> Result<(), Status> {
    let mut moved = board.subscribe();
    let (mut version, mut first) = (0, true);
    loop {
        moved.mark_unchanged();
        let changes = board
            .changes_since(version, quiet)
            .map_err(|error| Status::data_loss(error.to_string()))?;
        version = changes.version;
        let ended = changes.run.ended_ms != 0;
        let run = WatchEvent {
            event: Some(watch_event::Event::Run(changes.run)),
        };
        // The whole state begins with the run; afterwards it comes last, so that ENDED is the last word.
        if first && events.send(Ok(run.clone())).await.is_err() {
            return Ok(());
        }
        let items = changes.items.into_iter();
        for item in items.map(|item| WatchEvent {
            event: Some(watch_event::Event::Item(item)),
        }) {
            if events.send(Ok(item)).await.is_err() {
                return Ok(());
            }
        }
        if (!first || ended) && events.send(Ok(run)).await.is_err() {
            return Ok(());
        }
        if ended {
            return Ok(());
        }
        first = false;
        tokio::select! {
            changed = moved.changed() => if changed.is_err() {
                return Ok(());
            },
            () = events.closed() => return Ok(()),
        }
        if !board.has_ended() {
            tokio::time::sleep(TOGETHER).await;
        }
    }
}
