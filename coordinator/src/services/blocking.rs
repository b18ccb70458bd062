//! The one door through which blocking work (disk, record, large decodes) leaves the async threads.

use tonic::Status;

/// Runs `work` on a thread that may block.
///
/// # Errors
/// `INTERNAL` when it panicked.
pub async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Status> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|error| Status::internal(format!("a task failed: {error}")))
}
