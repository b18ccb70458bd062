//! What all services need that people ask: finding a run, and answers as streams.

use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Response, Status};

use super::blocking::blocking;
use super::convert::archive_status;
use crate::engine::EngineHandle;
use crate::query::archive::Archive;
use crate::query::seen::{self, Seen};

/// Messages that wait between a query and its reader.
pub const WAITING: usize = 64;

/// An answer in many messages.
pub type Stream<T> = ReceiverStream<Result<T, Status>>;

/// Finds a run as people name it.
///
/// # Errors
/// `NOT_FOUND` with near names, or why the record cannot be read.
pub async fn see(archive: &Archive, engine: &EngineHandle, asked: &str) -> Result<Seen, Status> {
    let (archive, live, asked) = (archive.clone(), engine.live.clone(), asked.to_owned());
    blocking(move || seen::see(&archive, &live, &asked))
        .await?
        .map_err(|error| archive_status(&error))
}

/// Sends what `items` gives, from a task that ends when the reader leaves.
pub fn stream_of<T: Send + 'static>(
    items: impl IntoIterator<Item = T, IntoIter: Send> + Send + 'static,
) -> Response<Stream<T>> {
    let (sender, receiver) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        for item in items {
            if sender.send(Ok(item)).await.is_err() {
                return;
            }
        }
    });
    Response::new(ReceiverStream::new(receiver))
}
