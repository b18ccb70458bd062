//! Outputs to the coordinator: many small ones in a message, a big one in parts, several at once.

use std::ops::Range;

use bytes::Bytes;
use tidemill_proto::parts::BIG_BYTES;
use tidemill_proto::v1::{BlobChunk, BlobHeader, DigestList, WholeBlob, WholeBlobs, blob_chunk};
use tidemill_proto::{CHUNK_BYTES, Digest, packing};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Code, Status};

use super::BlobError;
use super::fetch::at_once;
use super::remote::{Remote, Trouble, own, trouble};
use crate::launcher::Control;

/// Blobs of at most this size travel many in one message, so many and so many bytes.
const SMALL_BYTES: u64 = 64 * 1024;
const SMALL_AT_ONCE: usize = 256;
const SMALL_BYTES_AT_ONCE: u64 = 4 * 1024 * 1024;
/// Chunks that wait between disk and network.
const CHUNKS_BETWEEN: usize = 2;

/// Gives the next piece of what is sent, of at most [`CHUNK_BYTES`]; empty at the end.
type Pieces<'a> = &'a mut dyn FnMut() -> Result<Vec<u8>, Trouble>;

impl Remote {
    /// Commits to the cache, so that the next item finds its inputs here, and sends what the store lacks.
    pub(super) fn hand_over(&self, digests: &[Digest], control: &Control) -> Result<(), BlobError> {
        let mut held = Vec::with_capacity(digests.len());
        let sent = self.hand_over_held(digests, &mut held, control);
        self.release(&held);
        sent
    }

    fn hand_over_held(
        &self,
        digests: &[Digest],
        held: &mut Vec<Digest>,
        control: &Control,
    ) -> Result<(), BlobError> {
        let cache = self.cache.store();
        let mut new = Vec::new();
        for digest in digests {
            self.cache.hold(*digest)?;
            held.push(*digest);
            if !cache.contains(digest)? {
                new.push(*digest);
            }
        }
        cache.commit(digests)?;
        for digest in new {
            self.cache.added(cache.size(&digest)?.unwrap_or(0));
        }
        let asked = DigestList {
            digests: digests.iter().map(|digest| digest.to_vec()).collect(),
        };
        let lacking = self.persist(control, || {
            let mut client = self.client.clone();
            let answer = self
                .wait(control, client.missing(asked.clone()))?
                .map_err(trouble)?;
            Ok(answer.into_inner().digests)
        })?;
        self.send_all(&lacking, control)
    }

    fn send_all(&self, lacking: &[Vec<u8>], control: &Control) -> Result<(), BlobError> {
        let mut small = Vec::new();
        let mut small_bytes = 0;
        for digest in lacking {
            let digest = Digest::from_slice(digest);
            let digest = digest.map_err(|error| BlobError::Service(error.to_string()))?;
            if let Some(direct) = &self.direct
                && self.put_direct(direct, digest)?
            {
                continue;
            }
            match self.cache.store().size(&digest)?.unwrap_or(0) {
                size if size > BIG_BYTES => {
                    self.persist(control, || self.send_parts(digest, size, control))?
                }
                size if size > SMALL_BYTES || lacking.len() == 1 => {
                    self.persist(control, || self.send_whole(digest, control))?;
                }
                size => {
                    if small.len() >= SMALL_AT_ONCE || small_bytes + size > SMALL_BYTES_AT_ONCE {
                        self.send_small(&std::mem::take(&mut small), control)?;
                        small_bytes = 0;
                    }
                    small.push(digest);
                    small_bytes += size;
                }
            }
        }
        self.send_small(&small, control)
    }

    fn send_small(&self, digests: &[Digest], control: &Control) -> Result<(), BlobError> {
        if digests.is_empty() {
            return Ok(());
        }
        self.persist(control, || {
            let blobs = digests.iter().map(|digest| {
                let data = self.cache.store().read_blob(digest).map_err(own)?;
                Ok(WholeBlob {
                    digest: digest.to_vec(),
                    data: data.into(),
                })
            });
            let blobs = blobs.collect::<Result<Vec<_>, Trouble>>()?;
            let mut client = self.client.clone();
            let answer = self.wait(control, client.put_whole(WholeBlobs { blobs }))?;
            match answer.map_err(trouble)?.into_inner().digests.is_empty() {
                true => Ok(()),
                // They were checked when they were read, so it happened on the way.
                false => Err(Trouble::Passing(Status::data_loss("other bytes arrived"))),
            }
        })
    }

    /// Sends a blob in one stream.
    fn send_whole(&self, digest: Digest, control: &Control) -> Result<(), Trouble> {
        let mut blob = self.cache.store().open_blob(&digest).map_err(own)?;
        let header = BlobHeader {
            digest: digest.to_vec(),
            size: blob.size(),
            offset: 0,
        };
        let sent = self.send(header, false, control, &mut || {
            let mut piece = vec![0; CHUNK_BYTES];
            let length = blob.next_piece(&mut piece).map_err(own)?;
            piece.truncate(length);
            Ok(piece)
        });
        sent?.map_err(trouble)
    }

    /// Sends the parts that have not arrived, until none is lacking.
    fn send_parts(&self, digest: Digest, size: u64, control: &Control) -> Result<(), Trouble> {
        loop {
            let header = BlobHeader {
                digest: digest.to_vec(),
                size,
                offset: 0,
            };
            let mut client = self.client.clone();
            let answer = self.wait(control, client.lacking(header))?.map_err(trouble)?;
            let ranges = answer.into_inner().ranges.into_iter();
            let parts: Vec<_> = ranges
                .map(|range| range.offset..range.offset.saturating_add(range.length))
                .collect();
            if parts.is_empty() {
                return Ok(());
            }
            at_once(&parts, |part| self.send_part(digest, size, part, control))?;
        }
    }

    fn send_part(
        &self,
        digest: Digest,
        size: u64,
        part: Range<u64>,
        control: &Control,
    ) -> Result<(), Trouble> {
        let length = part.end.saturating_sub(part.start);
        let blob = self.cache.store().open_part(&digest, part.start, length);
        let mut blob = blob.map_err(own)?;
        let header = BlobHeader {
            digest: digest.to_vec(),
            size,
            offset: part.start,
        };
        let sent = self.send(header, true, control, &mut || {
            let mut piece = vec![
                0;
                CHUNK_BYTES
                    .min(usize::try_from(blob.left()).unwrap_or(CHUNK_BYTES))
                    .max(1)
            ];
            let length = blob.next_piece(&mut piece).map_err(own)?;
            piece.truncate(length);
            Ok(piece)
        });
        sent?.map_err(|status| {
            if status.code() == Code::DataLoss {
                // Whether it happened here or on the way is found out before anything is sent again.
                self.cache.store().doubt(&digest);
            }
            trouble(status)
        })
    }

    /// Sends a header and then what `pieces` gives; the answer to it is what the other side says.
    fn send(
        &self,
        header: BlobHeader,
        in_part: bool,
        control: &Control,
        pieces: Pieces<'_>,
    ) -> Result<Result<(), Status>, Trouble> {
        let (sender, receiver) = tokio::sync::mpsc::channel(CHUNKS_BETWEEN);
        let mut client = self.client.clone();
        let sending = self.runtime.spawn(async move {
            let chunks = ReceiverStream::new(receiver);
            match in_part {
                true => client.put_part(chunks).await,
                false => client.put(chunks).await,
            }
        });
        let mut pack = None;
        let mut next = Some(BlobChunk {
            part: Some(blob_chunk::Part::Header(header)),
        });
        while let Some(chunk) = next {
            // Nobody takes it any more: the answer says why.
            if sender.blocking_send(chunk).is_err() {
                break;
            }
            let piece = pieces()?;
            next = (!piece.is_empty()).then(|| {
                let pack = *pack.get_or_insert_with(|| self.packs && packing::pays(&piece));
                packing::chunk(Bytes::from(piece), pack)
            });
        }
        drop(sender);
        let sent = self.wait(control, sending)?;
        let sent = sent.map_err(|error| Trouble::Passing(Status::aborted(error.to_string())))?;
        Ok(sent.map(|_| ()))
    }
}
