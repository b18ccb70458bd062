//! Reads the whole store over and over at a gentle rate, so that damage is found before anybody needs the blob.

use std::ops::ControlFlow;
use std::time::Duration;

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::verify::{Asked, Bad, Problem, VerifyError, verify};
use crate::engine::EngineHandle;
use crate::engine::event::Event;
use crate::query::archive::Archive;

/// From the begin of one round to the begin of the next, unless a round takes longer.
const EVERY: Duration = Duration::from_secs(24 * 60 * 60);

/// Makes rounds until `ending`; when this returns, nothing reads any more.
pub async fn make_rounds(
    archive: Archive,
    engine: EngineHandle,
    bytes_per_second: u64,
    ending: CancellationToken,
) {
    loop {
        let begun = Instant::now();
        let (work, stop) = (archive.clone(), ending.clone());
        let round = tokio::task::spawn_blocking(move || {
            let asked = Asked {
                share: 1.0,
                seed: 0,
                bytes_per_second: Some(bytes_per_second),
            };
            verify(&work, asked, &mut |_| match stop.is_cancelled() {
                true => ControlFlow::Break(()),
                false => ControlFlow::Continue(()),
            })
        });
        match round.await {
            Ok(Ok((checked, bad))) => {
                for bad in &bad {
                    say(bad, &engine).await;
                }
                tracing::info!(
                    blobs = checked.blobs,
                    bytes = checked.bytes,
                    bad = bad.len(),
                    "read all of the store"
                );
            }
            Ok(Err(VerifyError::BrokenOff)) => return,
            Ok(Err(error)) => tracing::warn!(%error, "could not read all of the store"),
            Err(error) => tracing::warn!(%error, "could not read all of the store"),
        }
        tokio::select! {
            () = tokio::time::sleep_until(begun + EVERY) => {}
            () = ending.cancelled() => return,
        }
    }
}

async fn say(bad: &Bad, engine: &EngineHandle) {
    let problem = match &bad.problem {
        Problem::Damaged(text) | Problem::Unreadable(text) => text.as_str(),
        Problem::Lost => "it is lost",
    };
    tracing::warn!(
        blob = %bad.digest,
        problem,
        items = bad.items.join(", "),
        "a blob of the store is bad; what made it runs again when it is needed"
    );
    if bad.problem != Problem::Lost {
        // A closing engine looks at the store again when it is opened.
        let _ = engine.send(Event::BlobLost(bad.digest)).await;
    }
}
