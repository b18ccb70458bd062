//! Blobs from the coordinator into the cache: a small one in one stream, a big one in parts, several at once.

use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use futures::StreamExt as _;
use tidemill_proto::parts::{BIG_BYTES, PARTS_AT_ONCE};
use tidemill_proto::v1::{BlobChunk, BlobRequest, blob_chunk};
use tidemill_proto::{Digest, packing};
use tidemill_store::{Arrival, Incoming, StoreError};
use tonic::{Code, Status};

use super::BlobError;
use super::remote::{Remote, Trouble, lacking, own};
use crate::launcher::Control;

/// What has arrived of a blob, kept from one try to the next.
enum Arrived {
    Nothing,
    Stream(Incoming),
    Parts(Arc<Arrival>),
    /// The parts were not the blob. All of it in one stream, which the other side checks on the way, tells why.
    WrongParts,
}

/// How one stream ended.
enum Ended {
    /// With all that was asked for of a blob of this size.
    Whole(u64),
    /// It is a big blob of this size: better in parts.
    Big(u64),
}

impl Remote {
    /// Makes sure that a blob is in the cache, and keeps it there until it is released.
    pub(super) fn hold(&self, digest: Digest, control: &Control) -> Result<(), BlobError> {
        self.cache.hold(digest)?;
        let held = self.hold_held(digest, control);
        if held.is_err() {
            self.release(&[digest]);
        }
        held
    }

    fn hold_held(&self, digest: Digest, control: &Control) -> Result<(), BlobError> {
        match self.cache.store().verify(&digest) {
            Ok(_) => return Ok(()),
            // Not here, or damaged: it is fetched.
            Err(StoreError::Corrupt { .. } | StoreError::Absent { .. }) => {}
            Err(error) => return Err(error.into()),
        }
        let (mut arrived, mut direct) = (Arrived::Nothing, self.direct.as_ref());
        let size = self.persist(control, || {
            if let Some(place) = direct.take()
                && let Some(size) = self.read_direct(place, digest, control)?
            {
                return Ok(size);
            }
            self.fetch(digest, &mut arrived, control)
        })?;
        self.cache.added(size);
        Ok(())
    }

    /// Fetches what `arrived` lacks, and leaves there what has arrived when it is cut off. Gives the blob's size.
    fn fetch(&self, digest: Digest, arrived: &mut Arrived, control: &Control) -> Result<u64, Trouble> {
        let cache = self.cache.store();
        let in_parts = matches!(arrived, Arrived::Nothing);
        let mut incoming = match std::mem::replace(arrived, Arrived::Nothing) {
            Arrived::Parts(arrival) => return self.fetch_parts(digest, arrival, arrived, control),
            Arrived::Stream(incoming) => incoming,
            Arrived::Nothing | Arrived::WrongParts => cache.incoming().map_err(own)?,
        };
        let size = match self.receive(digest, &mut incoming, in_parts, control) {
            Ok(Ended::Whole(size)) => size,
            Ok(Ended::Big(size)) => {
                drop(incoming);
                let arrival = Arc::new(cache.arrival(digest, size).map_err(own)?);
                return self.fetch_parts(digest, arrival, arrived, control);
            }
            Err(trouble) => {
                *arrived = Arrived::Stream(incoming);
                return Err(trouble);
            }
        };
        if incoming.size() < size {
            let so_far = incoming.size();
            *arrived = Arrived::Stream(incoming);
            return Err(Trouble::Passing(Status::unavailable(format!(
                "the blob {digest} ended after {so_far} of {size} bytes"
            ))));
        }
        match incoming.finish(Some(digest)) {
            Ok(_) => self.keep(digest, size),
            // Damaged on the way: all of it is fetched anew.
            Err(error @ StoreError::Mismatch { .. }) => {
                Err(Trouble::Passing(Status::data_loss(error.to_string())))
            }
            Err(error) => Err(own(error)),
        }
    }

    fn keep(&self, digest: Digest, size: u64) -> Result<u64, Trouble> {
        self.cache.store().commit(&[digest]).map_err(own)?;
        Ok(size)
    }

    /// Takes what the other side sends of a whole blob. `in_parts`: no more than the beginning of a big one.
    fn receive(
        &self,
        digest: Digest,
        incoming: &mut Incoming,
        in_parts: bool,
        control: &Control,
    ) -> Result<Ended, Trouble> {
        let length = if in_parts { BIG_BYTES } else { 0 };
        let mut size = 0;
        let big = |size| in_parts && size > BIG_BYTES;
        self.each_chunk(
            digest,
            incoming.size()..incoming.size() + length,
            control,
            |heard| {
                match heard {
                    Heard::Size(told) => size = told,
                    Heard::Data(data) => incoming.add(&data).map_err(own)?,
                }
                Ok(!big(size))
            },
        )?;
        Ok(if big(size) {
            Ended::Big(size)
        } else {
            Ended::Whole(size)
        })
    }

    /// Fetches the parts that are lacking, several at once.
    fn fetch_parts(
        &self,
        digest: Digest,
        arrival: Arc<Arrival>,
        arrived: &mut Arrived,
        control: &Control,
    ) -> Result<u64, Trouble> {
        while let parts @ [_, ..] = &arrival.lacking()[..] {
            let fetched = at_once(parts, |part| self.fetch_part(digest, &arrival, part, control));
            if let Err(trouble) = fetched {
                // Another size, or what cannot be unpacked, stays so however often a part is asked for.
                *arrived = match &trouble {
                    Trouble::Passing(status) if status.code() == Code::DataLoss => Arrived::WrongParts,
                    _ => Arrived::Parts(arrival),
                };
                return Err(trouble);
            }
        }
        match arrival.finish() {
            Ok(_) => self.keep(digest, arrival.size()),
            Err(error @ StoreError::Mismatch { .. }) => {
                *arrived = Arrived::WrongParts;
                Err(Trouble::Passing(Status::data_loss(error.to_string())))
            }
            Err(error) => Err(own(error)),
        }
    }

    fn fetch_part(
        &self,
        digest: Digest,
        arrival: &Arrival,
        part: Range<u64>,
        control: &Control,
    ) -> Result<(), Trouble> {
        let mut at = part.start;
        self.each_chunk(digest, part.clone(), control, |heard| {
            match heard {
                Heard::Size(told) if told != arrival.size() => {
                    return Err(Trouble::Passing(Status::data_loss(format!(
                        "the blob {digest} had {} bytes and now has {told}",
                        arrival.size()
                    ))));
                }
                Heard::Size(_) => {}
                Heard::Data(data) => {
                    arrival.add(at, &data).map_err(own)?;
                    at += data.len() as u64;
                }
            }
            Ok(true)
        })?;
        if at < part.end {
            return Err(Trouble::Passing(Status::unavailable(format!(
                "a part of the blob {digest} ended {} bytes early",
                part.end - at
            ))));
        }
        Ok(())
    }

    /// Asks for a range of a blob (to its end if the range is empty) and tells what comes, for as long as `take` wants more.
    fn each_chunk(
        &self,
        digest: Digest,
        range: Range<u64>,
        control: &Control,
        mut take: impl FnMut(Heard) -> Result<bool, Trouble>,
    ) -> Result<(), Trouble> {
        let mut client = self.client.clone();
        let request = BlobRequest {
            digest: digest.to_vec(),
            offset: range.start,
            length: range.end - range.start,
            packed: self.packs,
        };
        let answer = self
            .wait(control, client.get(request))?
            .map_err(|status| lacking(digest, status))?;
        let mut chunks = answer.into_inner();
        while let Some(chunk) = self.wait(control, chunks.next())? {
            let heard = heard(chunk.map_err(|status| lacking(digest, status))?)?;
            if let Some(heard) = heard
                && !take(heard)?
            {
                return Ok(());
            }
        }
        Ok(())
    }
}

/// One chunk of an answer.
enum Heard {
    /// Of the whole blob, in bytes.
    Size(u64),
    Data(Bytes),
}

fn heard(chunk: BlobChunk) -> Result<Option<Heard>, Trouble> {
    Ok(match chunk.part {
        Some(blob_chunk::Part::Header(header)) => Some(Heard::Size(header.size)),
        Some(blob_chunk::Part::Data(data)) => Some(Heard::Data(data)),
        Some(blob_chunk::Part::Packed(packed)) => {
            let data = packing::unpack(&packed);
            let data = data.map_err(|error| Trouble::Passing(Status::data_loss(error.to_string())))?;
            Some(Heard::Data(data))
        }
        None => None,
    })
}

/// Does the same with each part, [`PARTS_AT_ONCE`] at a time; begins no more after the first that fails.
pub(super) fn at_once(
    parts: &[Range<u64>],
    work: impl Fn(Range<u64>) -> Result<(), Trouble> + Sync,
) -> Result<(), Trouble> {
    let left = Mutex::new((parts.iter(), None));
    let lock = || left.lock().unwrap_or_else(PoisonError::into_inner);
    std::thread::scope(|scope| {
        for _ in 0..PARTS_AT_ONCE.min(parts.len()) {
            scope.spawn(|| {
                loop {
                    let part = match &mut *lock() {
                        (_, Some(_)) => None,
                        (parts, None) => parts.next().cloned(),
                    };
                    let Some(part) = part else { break };
                    if let Err(trouble) = work(part) {
                        lock().1.get_or_insert(trouble);
                    }
                }
            });
        }
    });
    let (_, trouble) = left.into_inner().unwrap_or_else(PoisonError::into_inner);
    trouble.map_or(Ok(()), Err)
}
