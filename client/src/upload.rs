//! Puts what a plan reads into the store, as far as the store lacks it.

use std::collections::{BTreeSet, HashMap};
use std::io::{Read as _, SeekFrom};
use std::path::Path;
use std::time::Duration;

use bytes::{Bytes, BytesMut};
use futures::{Stream, StreamExt as _, TryStreamExt as _};
use tidemill_proto::parts::{BIG_BYTES, PARTS_AT_ONCE};
use tidemill_proto::v1::{Plan, WholeBlob, WholeBlobs, source};
use tidemill_proto::{CHUNK_BYTES, Digest};
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncSeekExt as _};
use tonic::{Code, Status};

use crate::failure::{Failure, io_words};
use crate::output::human;
use crate::printer::Printer;
use crate::rpc::{Rpc, failed};
use crate::survey::{BlobSource, Surveyed};

/// So many blobs travel at once: enough to keep a disk busy, few enough for one memory.
const AT_ONCE: usize = 8;

/// Blobs of at most this size travel many in one message: alone, each would cost more than its bytes.
const SMALL_BYTES: u64 = 64 * 1024;
/// Of small blobs, so many and so many bytes in one message, and so many messages at once: one is read or written
/// while the other travels.
const SMALL_AT_ONCE: usize = 256;
const SMALL_BYTES_AT_ONCE: u64 = 4 * 1024 * 1024;
const MESSAGES_AT_ONCE: usize = 3;

/// So often in a row a big blob is tried again without any of it arriving, and the pause before the first.
const TRIES: u32 = 6;
const FIRST_PAUSE: Duration = Duration::from_millis(250);

type Job = (Digest, BlobSource);

/// Digests of all blobs that the plan's items read from the folder.
pub fn inputs_of(plan: &Plan, parts: &HashMap<Digest, Vec<Digest>>) -> BTreeSet<Digest> {
    let mut digests = BTreeSet::new();
    let sources = plan
        .items
        .iter()
        .flat_map(|item| &item.inputs)
        .flat_map(|input| &input.sources);
    for source in sources {
        let Some(source::From::File(file)) = &source.from else {
            continue;
        };
        let named =
            std::iter::once(&file.digest).chain(file.companions.iter().map(|companion| &companion.digest));
        for digest in named.filter_map(|bytes| Digest::from_slice(bytes).ok()) {
            digests.extend(parts.get(&digest).into_iter().flatten().copied());
            digests.insert(digest);
        }
    }
    digests
}

/// Asks what the store lacks and puts it there. Gives the number of blobs that were put.
pub async fn upload(
    plan: &Plan,
    surveyed: &Surveyed,
    rpc: &Rpc,
    printer: &Printer,
) -> Result<usize, Failure> {
    let wanted: Vec<Digest> = inputs_of(plan, &surveyed.parts).into_iter().collect();
    if wanted.is_empty() {
        return Ok(0);
    }
    let missing = rpc.missing(&wanted).await?;
    if missing.is_empty() {
        return Ok(0);
    }
    let mut jobs = Vec::new();
    let mut total_bytes = 0;
    for digest in missing {
        let source = surveyed.sources.get(&digest).ok_or_else(|| {
            Failure::unreachable(format!(
                "the coordinator asks for a blob that this folder does not hold: {digest}"
            ))
        })?;
        total_bytes += size_of(source);
        jobs.push((digest, source.clone()));
    }
    let count = jobs.len();
    printer.detail(format_args!(
        "putting {} into the store, {}",
        human::count(count, "input", "inputs"),
        human::size(total_bytes)
    ));
    let (small, large): (Vec<Job>, Vec<Job>) = jobs
        .into_iter()
        .partition(|(_, source)| size_of(source) <= SMALL_BYTES);
    futures::stream::iter(batches(small))
        .map(|batch| put_whole(rpc, batch))
        .buffer_unordered(MESSAGES_AT_ONCE)
        .try_collect::<Vec<()>>()
        .await?;
    let (big, large): (Vec<Job>, Vec<Job>) = large
        .into_iter()
        .partition(|(_, source)| matches!(source, BlobSource::File(_, size) if *size > BIG_BYTES));
    futures::stream::iter(large)
        .map(|(digest, source)| put(rpc, digest, source))
        .buffer_unordered(AT_ONCE)
        .try_collect::<Vec<()>>()
        .await?;
    for (digest, source) in big {
        if let BlobSource::File(path, size) = source {
            put_in_parts(rpc, digest, &path, size).await?;
        }
    }
    Ok(count)
}

/// Cuts small blobs into what travels in one message each.
fn batches(jobs: Vec<Job>) -> Vec<Vec<Job>> {
    let mut batches: Vec<Vec<Job>> = Vec::new();
    let mut bytes = 0;
    for job in jobs {
        let size = size_of(&job.1);
        match batches.last_mut() {
            Some(batch) if batch.len() < SMALL_AT_ONCE && bytes + size <= SMALL_BYTES_AT_ONCE => {
                bytes += size;
                batch.push(job);
            }
            _ => {
                bytes = size;
                batches.push(vec![job]);
            }
        }
    }
    batches
}

async fn put_whole(rpc: &Rpc, batch: Vec<Job>) -> Result<(), Failure> {
    // One trip to a thread that may block reads them all.
    let reading = tokio::task::spawn_blocking(move || {
        let read = batch.iter().map(|(digest, source)| {
            let data = read_small(source)?;
            Ok(WholeBlob {
                digest: digest.to_vec(),
                data,
            })
        });
        let blobs = read.collect::<Result<Vec<_>, Failure>>();
        (batch, blobs)
    });
    let (batch, blobs) = reading
        .await
        .map_err(|error| Failure::unreachable(error.to_string()))?;
    let misnamed = rpc
        .put_whole(WholeBlobs { blobs: blobs? })
        .await
        .map_err(|status| failed(&status))?;
    let Some(first) = misnamed.first() else {
        return Ok(());
    };
    match batch.iter().find(|(digest, _)| digest == first) {
        Some((_, BlobSource::File(path, _))) => Err(changed(path)),
        _ => Err(Failure::unreachable(format!(
            "the coordinator found other bytes than were sent for {first}"
        ))),
    }
}

/// The bytes of a small blob. A file that has grown meanwhile is not read to its end.
fn read_small(source: &BlobSource) -> Result<Bytes, Failure> {
    match source {
        BlobSource::Memory(bytes) => Ok(bytes.clone()),
        BlobSource::File(path, size) => {
            let words = |error| unread(path, &io_words(&error));
            let mut bytes = Vec::with_capacity(usize::try_from(*size).unwrap_or(0) + 1);
            let file = std::fs::File::open(path).map_err(words)?;
            file.take(*size + 1).read_to_end(&mut bytes).map_err(words)?;
            Ok(bytes.into())
        }
    }
}

fn changed(path: &Path) -> Failure {
    unread(path, "it changed since it was looked at").hint("run the same command again")
}

fn size_of(source: &BlobSource) -> u64 {
    match source {
        BlobSource::File(_, size) => *size,
        BlobSource::Memory(bytes) => bytes.len() as u64,
    }
}

async fn put(rpc: &Rpc, digest: Digest, source: BlobSource) -> Result<(), Failure> {
    match source {
        BlobSource::Memory(bytes) => {
            let chunks: Vec<Bytes> = bytes.chunks(CHUNK_BYTES).map(Bytes::copy_from_slice).collect();
            let size = bytes.len() as u64;
            rpc.put(digest, size, futures::stream::iter(chunks))
                .await
                .map_err(|status| failed(&status))
        }
        BlobSource::File(path, size) => {
            let put = if size <= CHUNK_BYTES as u64 {
                // In one go: opening, reading and closing would each wait for a thread.
                let bytes = tokio::fs::read(&path)
                    .await
                    .map_err(|error| unread(&path, &io_words(&error)))?;
                rpc.put(digest, size, futures::stream::iter([Bytes::from(bytes)]))
                    .await
            } else {
                let file = tokio::fs::File::open(&path)
                    .await
                    .map_err(|error| unread(&path, &io_words(&error)))?;
                rpc.put(digest, size, chunks_of(file)).await
            };
            put.map_err(|status| not_put(&path, &status))
        }
    }
}

/// The name is the promise: other bytes under it are refused.
fn not_put(path: &Path, status: &Status) -> Failure {
    match status.code() {
        Code::InvalidArgument | Code::DataLoss | Code::FailedPrecondition => changed(path),
        _ => failed(status),
    }
}

/// Puts a big file in parts, several at once. What has arrived stays there when the connection breaks, so it goes on
/// from there; after [`TRIES`] that brought nothing new it gives up.
async fn put_in_parts(rpc: &Rpc, digest: Digest, path: &Path, size: u64) -> Result<(), Failure> {
    let (mut tries, mut least_lacking) = (0, u64::MAX);
    loop {
        let trouble = match put_lacking(rpc, digest, path, size).await? {
            Ok(()) => return Ok(()),
            Err((lacking_bytes, status)) if passes(&status) => {
                if lacking_bytes < least_lacking {
                    (tries, least_lacking) = (0, lacking_bytes);
                }
                status
            }
            Err((_, status)) => return Err(not_put(path, &status)),
        };
        tries += 1;
        if tries >= TRIES {
            return Err(failed(&trouble));
        }
        tokio::time::sleep(FIRST_PAUSE * 2_u32.pow(tries)).await;
    }
}

/// Whether another try may help.
fn passes(status: &Status) -> bool {
    matches!(
        status.code(),
        Code::Unavailable | Code::Unknown | Code::Cancelled | Code::Aborted
    )
}

/// One try: asks what is lacking and puts that, until nothing is. An answer of the other side comes with the number of
/// bytes that were lacking before.
async fn put_lacking(
    rpc: &Rpc,
    digest: Digest,
    path: &Path,
    size: u64,
) -> Result<Result<(), (u64, Status)>, Failure> {
    let mut lacking_bytes = u64::MAX;
    loop {
        let parts = match rpc.lacking(digest, size).await {
            Ok(parts) if parts.is_empty() => return Ok(Ok(())),
            Ok(parts) => parts,
            Err(status) => return Ok(Err((lacking_bytes, status))),
        };
        lacking_bytes = parts.iter().map(|(_, length)| length).sum();
        let put = futures::stream::iter(parts)
            .map(|(offset, length)| async move {
                let words = |error| unread(path, &io_words(&error));
                let mut file = tokio::fs::File::open(path).await.map_err(words)?;
                file.seek(SeekFrom::Start(offset)).await.map_err(words)?;
                Ok(rpc
                    .put_part(digest, size, offset, chunks_of(file.take(length)))
                    .await)
            })
            .buffer_unordered(PARTS_AT_ONCE)
            .try_collect::<Vec<Result<(), Status>>>()
            .await?;
        if let Some(status) = put.into_iter().find_map(Result::err) {
            return Ok(Err((lacking_bytes, status)));
        }
    }
}

/// The bytes of a file in pieces. A read error ends the stream early: the store then refuses the blob, as its size is wrong.
fn chunks_of(file: impl AsyncRead + Unpin + Send + 'static) -> impl Stream<Item = Bytes> + Send + 'static {
    futures::stream::unfold(file, |mut file| async move {
        let mut chunk = BytesMut::with_capacity(CHUNK_BYTES.min(64 * 1024));
        loop {
            match file.read_buf(&mut chunk).await {
                Ok(0) | Err(_) => break,
                Ok(_) if chunk.len() >= CHUNK_BYTES / 2 => break,
                Ok(_) => chunk.reserve(64 * 1024),
            }
        }
        (!chunk.is_empty()).then(|| (chunk.freeze(), file))
    })
}

fn unread(path: &Path, why: &str) -> Failure {
    Failure::wrong(format!("cannot take {} as an input: {why}", path.display()))
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{Companion, File, Input, Item, Source};

    use super::*;

    #[test]
    fn inputs_are_files_companions_and_parts_of_folders() {
        let digest = |name: &str| Digest::of(name.as_bytes());
        let file = File {
            digest: digest("tree").to_vec(),
            companions: vec![Companion {
                digest: digest("mtl").to_vec(),
                ..Companion::default()
            }],
            ..File::default()
        };
        let source = Source {
            from: Some(source::From::File(file)),
            ..Source::default()
        };
        let input = Input {
            sources: vec![source],
            ..Input::default()
        };
        let plan = Plan {
            items: vec![Item {
                inputs: vec![input],
                ..Item::default()
            }],
            ..Plan::default()
        };
        let parts = HashMap::from([(digest("tree"), vec![digest("leaf")])]);
        assert_eq!(
            inputs_of(&plan, &parts),
            BTreeSet::from(["tree", "mtl", "leaf"].map(digest))
        );
    }

    #[test]
    fn small_blobs_travel_in_messages_of_bounded_number_and_size() {
        let job = |size: usize| (Digest::of(b"any"), BlobSource::Memory(vec![0; size].into()));
        let count = |jobs: Vec<Job>| batches(jobs).iter().map(Vec::len).collect::<Vec<_>>();
        assert_eq!(count(Vec::new()), [0; 0]);
        assert_eq!(count((0..600).map(|_| job(10)).collect()), [256, 256, 88]);
        assert_eq!(count((0..100).map(|_| job(64 * 1024)).collect()), [64, 36]);
    }

    #[tokio::test]
    async fn a_file_is_cut_into_pieces_that_fit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("big");
        let bytes: Vec<u8> = (0..3_000_000_u32).map(|n| n as u8).collect();
        std::fs::write(&path, &bytes).unwrap();
        let chunks: Vec<Bytes> = chunks_of(tokio::fs::File::open(&path).await.unwrap())
            .collect()
            .await;
        assert!(chunks.iter().all(|chunk| chunk.len() <= CHUNK_BYTES));
        assert_eq!(chunks.concat(), bytes);
    }
}
