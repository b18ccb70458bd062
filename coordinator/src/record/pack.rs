//! Between messages and values of rows. A message that is too long for a row is kept as a blob in the store,
//! and the row holds only the blob's digest.
//!
//! First byte of a value: 0, the message follows; 1, the digest of the blob that holds the message follows.

use prost::Message;
use tidemill_proto::Digest;
use tidemill_store::{Staged, Store, StoreError};

use super::{MAX_ROW_BYTES, Op, RecordError, keys};

const INLINE: u8 = 0;
const IN_STORE: u8 = 1;

/// Where long messages go.
pub trait LongRows {
    /// Stages a message as a blob; a submission that names the digest makes it durable.
    fn stage(&self, bytes: &[u8]) -> Result<Digest, StoreError>;
    /// Reads it again, checked.
    fn load(&self, digest: &Digest) -> Result<Vec<u8>, StoreError>;
}

impl LongRows for Store {
    fn stage(&self, bytes: &[u8]) -> Result<Digest, StoreError> {
        self.stage_bytes(bytes).map(|Staged { digest, .. }| digest)
    }
    fn load(&self, digest: &Digest) -> Result<Vec<u8>, StoreError> {
        self.read_blob(digest)
    }
}

/// A change of a row, and the blob that has to be committed with it, if any.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    /// For [`super::Submission::ops`].
    pub op: Op,
    /// For [`super::Submission::blobs`].
    pub blob: Option<Digest>,
}

/// Turns a message into the change that writes it under `key`.
pub fn put(key: Vec<u8>, message: &impl Message, long: &impl LongRows) -> Result<Packed, StoreError> {
    let length = message.encoded_len();
    if key.len() + 1 + length <= MAX_ROW_BYTES {
        return Ok(Packed {
            op: put_short(key, message),
            blob: None,
        });
    }
    let digest = long.stage(&message.encode_to_vec())?;
    let mut value = Vec::with_capacity(33);
    value.push(IN_STORE);
    value.extend_from_slice(digest.as_bytes());
    Ok(Packed {
        op: Op::Put { key, value },
        blob: Some(digest),
    })
}

/// As [`put`], for messages that are short by their nature (counters, names, samples). A long one would be
/// refused by the commit.
pub fn put_short(key: Vec<u8>, message: &impl Message) -> Op {
    let mut value = Vec::with_capacity(1 + message.encoded_len());
    value.push(INLINE);
    // A Vec grows, so there is always room.
    let _ = message.encode(&mut value);
    Op::Put { key, value }
}

/// Why a row could not be read.
#[derive(Debug, thiserror::Error)]
pub enum UnpackError {
    /// The row is damaged.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The blob that holds its content could not be read.
    #[error("the row {key} is kept as a blob: {source}")]
    Blob {
        /// The row's key, for people.
        key: String,
        /// Why.
        source: StoreError,
    },
}

/// The blob that holds a row's content, if it is too long for a row.
pub fn blob_of(value: &[u8]) -> Option<Digest> {
    match value.split_first() {
        Some((&IN_STORE, digest)) => Digest::from_slice(digest).ok(),
        _ => None,
    }
}

/// Turns a row's value into its message.
pub fn read<M: Message + Default>(key: &[u8], value: &[u8], long: &impl LongRows) -> Result<M, UnpackError> {
    match value.split_first() {
        Some((&INLINE, bytes)) => decode(key, bytes),
        Some((&IN_STORE, digest)) => {
            let digest = Digest::from_slice(digest).map_err(|error| damaged(key, error.to_string()))?;
            let bytes = long.load(&digest).map_err(|source| UnpackError::Blob {
                key: keys::for_people(key),
                source,
            })?;
            decode(key, &bytes)
        }
        Some((other, _)) => Err(damaged(key, format!("its first byte is {other}")).into()),
        None => Err(damaged(key, "it is empty".to_owned()).into()),
    }
}

fn decode<M: Message + Default>(key: &[u8], bytes: &[u8]) -> Result<M, UnpackError> {
    M::decode(bytes).map_err(|error| damaged(key, error.to_string()).into())
}

fn damaged(key: &[u8], reason: String) -> RecordError {
    RecordError::Damaged {
        key: keys::for_people(key),
        reason,
    }
}
