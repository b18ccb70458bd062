//! Between the wire and the inside: all conversions that services need, in one place. The status code says
//! what the caller should do next.

use tidemill_proto::Digest;
use tidemill_store::StoreError;
use tonic::Status;

use crate::engine::event::Refusal;
use crate::looks::decisions::DecisionError;
use crate::query::archive::ArchiveError;
use crate::query::seen::ItemError;

/// The digest in a message field.
///
/// # Errors
/// `INVALID_ARGUMENT`.
pub fn digest_of(bytes: &[u8]) -> Result<Digest, Status> {
    Digest::from_slice(bytes).map_err(|error| Status::invalid_argument(error.to_string()))
}

/// What a store error means for the caller.
pub fn store_status(error: &StoreError) -> Status {
    let text = error.to_string();
    match error {
        StoreError::Absent { .. } => Status::not_found(text),
        StoreError::Corrupt { .. } => Status::data_loss(text),
        StoreError::Mismatch { .. } | StoreError::TooLong { .. } => Status::invalid_argument(text),
        StoreError::Full { .. } => Status::resource_exhausted(text),
        _ => Status::internal(text),
    }
}

/// What a refusal means for the caller.
pub fn refusal_status(refusal: Refusal) -> Status {
    let text = refusal.to_string();
    match refusal {
        Refusal::NotFound(_) => Status::not_found(text),
        Refusal::State(_) => Status::failed_precondition(text),
        Refusal::Lacking(_) => Status::failed_precondition(text),
        Refusal::Broken(_) => Status::internal(text),
        Refusal::Closing => Status::unavailable(text),
    }
}

/// What an error of the record means for the caller.
pub fn archive_status(error: &ArchiveError) -> Status {
    let text = error.to_string();
    match error {
        ArchiveError::NoRun { .. } => Status::not_found(text),
        ArchiveError::Store(store) => store_status(store),
        ArchiveError::Plan(_) => Status::data_loss(text),
        _ => Status::internal(text),
    }
}

/// What an error about an item means for the caller.
pub fn item_status(error: &ItemError) -> Status {
    match error {
        ItemError::NoItem { .. } => Status::not_found(error.to_string()),
        ItemError::Archive(error) => archive_status(error),
    }
}

/// What an error about a decision means for the caller.
pub fn decision_status(error: &DecisionError) -> Status {
    match error {
        DecisionError::LongNote(_) | DecisionError::OddNote => Status::invalid_argument(error.to_string()),
        DecisionError::NoVariant { .. } => Status::not_found(error.to_string()),
        DecisionError::Unfinished { .. } => Status::failed_precondition(error.to_string()),
        DecisionError::Archive(error) => archive_status(error),
    }
}
