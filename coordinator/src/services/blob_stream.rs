//! A blob, or a part of one, on its way to whoever asked.

use bytes::Bytes;
use tidemill_proto::v1::{BlobChunk, BlobHeader, blob_chunk};
use tidemill_proto::{CHUNK_BYTES, Digest, packing};
use tidemill_store::{BlobReader, PartReader, Store, StoreError};
use tokio::sync::mpsc;
use tonic::Status;

pub(super) type ChunkSender = mpsc::Sender<Result<BlobChunk, Status>>;

/// What is sent.
pub(super) enum Outgoing {
    /// All from `offset` on; the last byte leaves only when the whole has matched its name.
    Whole { reader: BlobReader, offset: u64 },
    /// A part of what was found whole a short while ago.
    Part { reader: PartReader, offset: u64 },
}

impl Outgoing {
    /// Opens a blob from `offset` on, for `length` bytes if that is not 0.
    pub(super) fn open(store: &Store, digest: Digest, offset: u64, length: u64) -> Result<Self, StoreError> {
        let whole = || {
            // Asking for all of it again is what one does who got wrong bytes in parts.
            store.doubt(&digest);
            let reader = store.open_blob_at(&digest, offset)?;
            Ok(Self::Whole { reader, offset })
        };
        if length == 0 {
            return whole();
        }
        match store.size(&digest)? {
            Some(size) if offset > 0 || length < size => {
                let reader = store.open_part(&digest, offset, length)?;
                Ok(Self::Part { reader, offset })
            }
            _ => whole(),
        }
    }

    /// Size of the whole blob in bytes.
    pub(super) fn size(&self) -> u64 {
        match self {
            Self::Whole { reader, .. } => reader.size(),
            Self::Part { reader, .. } => reader.size(),
        }
    }

    fn offset(&self) -> u64 {
        match self {
            Self::Whole { offset, .. } | Self::Part { offset, .. } => *offset,
        }
    }

    fn left(&self) -> u64 {
        match self {
            Self::Whole { reader, offset } => reader.size().saturating_sub(*offset),
            Self::Part { reader, .. } => reader.left(),
        }
    }

    fn next_piece(&mut self, piece: &mut [u8]) -> Result<usize, StoreError> {
        match self {
            Self::Whole { reader, .. } => reader.next_piece(piece),
            Self::Part { reader, .. } => reader.next_piece(piece),
        }
    }
}

/// Sends a header and then the data, packed where the asker takes that and it pays; ends early and quietly when nobody
/// listens any more.
pub(super) fn send_blob(
    mut outgoing: Outgoing,
    digest: Digest,
    packed: bool,
    sender: &ChunkSender,
) -> Result<(), StoreError> {
    let header = BlobHeader {
        digest: digest.to_vec(),
        size: outgoing.size(),
        offset: outgoing.offset(),
    };
    let first = BlobChunk {
        part: Some(blob_chunk::Part::Header(header)),
    };
    if sender.blocking_send(Ok(first)).is_err() {
        return Ok(());
    }
    let mut left = outgoing.left();
    let mut pack = None;
    loop {
        let mut chunk = vec![0; usize::try_from(left).unwrap_or(CHUNK_BYTES).clamp(1, CHUNK_BYTES)];
        let mut filled = 0;
        while filled < chunk.len() {
            match outgoing.next_piece(&mut chunk[filled..])? {
                0 => break,
                count => filled += count,
            }
        }
        if filled == 0 {
            return Ok(());
        }
        left = left.saturating_sub(filled as u64);
        chunk.truncate(filled);
        let pack = *pack.get_or_insert_with(|| packed && packing::pays(&chunk));
        if sender
            .blocking_send(Ok(packing::chunk(Bytes::from(chunk), pack)))
            .is_err()
        {
            return Ok(());
        }
    }
}
