//! The log of an attempt: from the store once it has ended, from memory while it runs.

use std::io::Read as _;
use std::sync::Arc;

use tidemill_proto::v1::{ItemState, LogChunk};
use tidemill_proto::{CHUNK_BYTES, Digest, state};
use tidemill_store::Store;
use tokio::sync::mpsc;
use tonic::Status;

use super::blocking::blocking;
use super::convert::{archive_status, store_status};
use crate::engine::logs::{LiveLog, LogHub};
use crate::query::archive::Archive;
use crate::query::seen::Seen;
use crate::record::rows::AttemptRecord;

/// Where the bytes go.
pub type LogSender = mpsc::Sender<Result<LogChunk, Status>>;

/// Which log is asked for.
pub struct LogWanted {
    /// The run.
    pub seen: Seen,
    /// The item's place in the plan.
    pub index: u32,
    /// 0: the newest.
    pub attempt: u32,
    /// Wait for more while it runs.
    pub follow: bool,
}

/// Sends the log. Errors go the same way.
pub async fn send_log(archive: Archive, logs: LogHub, wanted: LogWanted, sender: LogSender) {
    if let Err(status) = send(&archive, &logs, &wanted, &sender).await {
        // Someone who left does not need the reason.
        let _ = sender.send(Err(status)).await;
    }
}

async fn send(
    archive: &Archive,
    logs: &LogHub,
    wanted: &LogWanted,
    sender: &LogSender,
) -> Result<(), Status> {
    let label: Arc<str> = wanted.seen.board.facts().run.to_string().into();
    let place = (label, wanted.index);
    let mut moved = wanted.seen.board.subscribe();
    loop {
        moved.mark_unchanged();
        if let Some(live) = logs.get(&place)
            && (wanted.attempt == 0 || wanted.attempt == live.attempt())
        {
            return send_live(&live, wanted.follow, sender).await;
        }
        let finished = state::is_finished(wanted.seen.board.state(wanted.index));
        let running = wanted.seen.board.state(wanted.index) == ItemState::Running;
        if finished || !wanted.follow || (wanted.attempt != 0 && !running) {
            return send_stored(archive, wanted, sender).await;
        }
        // Nothing runs yet.
        tokio::select! {
            changed = moved.changed() => if changed.is_err() {
                return Ok(());
            },
            () = sender.closed() => return Ok(()),
        }
    }
}

async fn send_live(live: &LiveLog, follow: bool, sender: &LogSender) -> Result<(), Status> {
    let mut moved = live.subscribe();
    let mut position = 0;
    loop {
        moved.mark_unchanged();
        let read = live.read(position);
        position = read.next;
        if read.skipped > 0 {
            let note = format!(
                "[{} earlier bytes are in the log once the attempt has ended]\n",
                read.skipped
            );
            if sender
                .send(Ok(LogChunk {
                    data: note.into_bytes(),
                }))
                .await
                .is_err()
            {
                return Ok(());
            }
        }
        if !read.data.is_empty()
            && sender
                .send(Ok(LogChunk {
                    data: read.data.to_vec(),
                }))
                .await
                .is_err()
        {
            return Ok(());
        }
        if read.ended || !follow {
            return Ok(());
        }
        tokio::select! {
            changed = moved.changed() => if changed.is_err() {
                return Ok(());
            },
            () = sender.closed() => return Ok(()),
        }
    }
}

async fn send_stored(archive: &Archive, wanted: &LogWanted, sender: &LogSender) -> Result<(), Status> {
    let (serial, index, number) = (wanted.seen.record.serial, wanted.index, wanted.attempt);
    let reader = archive.clone();
    let row = blocking(move || reader.item(serial, index))
        .await?
        .map_err(|error| archive_status(&error))?;
    let row = row.unwrap_or_default();
    if let (true, Some(made_by)) = (row.attempts.is_empty(), row.reused_from) {
        let reader = archive.clone();
        let made_by = blocking(move || reader.name_item(made_by))
            .await?
            .map_err(|error| archive_status(&error))?;
        let address = wanted.seen.board.plan().address(index);
        return Err(Status::not_found(format!(
            "{address} did not run in this run: it reuses what {made_by} made; `tidemill log {made_by}` shows that log"
        )));
    }
    let attempts: Vec<AttemptRecord> = row.attempts;
    let attempt = match number {
        0 => attempts.last(),
        number => attempts.iter().find(|attempt| attempt.number == number),
    };
    let Some(attempt) = attempt else {
        let address = wanted.seen.board.plan().address(index);
        let text = match number {
            0 => format!("{address} has no attempt in this run"),
            number => format!("{address} has no attempt {number}; it has {}", attempts.len()),
        };
        return Err(Status::not_found(text));
    };
    if attempt.log.is_empty() {
        return match attempt.log_tail.is_empty() {
            true => Ok(()), // it wrote nothing
            false => {
                // The whole log was lost; its last lines were not.
                let data = attempt.log_tail.clone().into_bytes();
                let _ = sender.send(Ok(LogChunk { data })).await;
                Ok(())
            }
        };
    }
    let digest = Digest::from_slice(&attempt.log).map_err(|error| Status::data_loss(error.to_string()))?;
    let (store, sender) = (archive.store.clone(), sender.clone());
    let packed_bytes = attempt.log_packed.then_some(attempt.log_size);
    blocking(move || match packed_bytes {
        Some(bytes) => send_packed(&store, digest, bytes, &sender),
        None => send_blob(&store, digest, &sender),
    })
    .await?
}

/// A compressed log; never more than the `bytes` that it says to hold.
fn send_packed(store: &Store, digest: Digest, bytes: u64, sender: &LogSender) -> Result<(), Status> {
    let damaged = |error: std::io::Error| Status::data_loss(format!("the log cannot be unpacked: {error}"));
    // Read whole, so that its name is checked before any of it is shown; the launcher bounds its size.
    let packed = store.read_blob(&digest).map_err(|error| store_status(&error))?;
    let mut log = zstd::Decoder::new(packed.as_slice())
        .map_err(damaged)?
        .take(bytes);
    loop {
        let mut data = Vec::new();
        let count = log.by_ref().take(CHUNK_BYTES as u64).read_to_end(&mut data);
        if count.map_err(damaged)? == 0 || sender.blocking_send(Ok(LogChunk { data })).is_err() {
            return Ok(());
        }
    }
}

fn send_blob(store: &Store, digest: Digest, sender: &LogSender) -> Result<(), Status> {
    let mut reader = store.open_blob(&digest).map_err(|error| store_status(&error))?;
    let mut piece = vec![0; CHUNK_BYTES];
    loop {
        match reader
            .next_piece(&mut piece)
            .map_err(|error| store_status(&error))?
        {
            0 => return Ok(()),
            count => {
                let data = piece[..count].to_vec();
                if sender.blocking_send(Ok(LogChunk { data })).is_err() {
                    return Ok(());
                }
            }
        }
    }
}
