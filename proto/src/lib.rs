//! The wire contract of Tidemill and the small types that everything shares.
//!
//! # Layout
//! - [`v1`]: messages (and, with feature `services`, gRPC stubs) generated from `schema/*.proto`.
//! - [`digest`]: [`Digest`], the BLAKE3-256 name of a blob.
//! - [`id`]: run names, item addresses, lease ids as types.
//! - [`invitation`]: where a coordinator is and the right to join it, as one string.
//! - [`key`]: the parts that can change an item's result, and the digest over them.
//! - [`state`]: item states and their words.
//! - [`parts`]: how a big blob is cut so that several pieces travel at once.
//! - `packing` (feature `services`): data made smaller for the way, where that pays.
//!
//! This crate does no I/O and reads no clock.

pub mod digest;
pub mod id;
pub mod invitation;
pub mod key;
#[cfg(feature = "services")]
pub mod packing;
pub mod parts;
pub mod state;

/// Messages generated from `schema/`; never mixed with written lines.
#[allow(clippy::all, clippy::pedantic, missing_docs)]
pub mod v1 {
    include!(concat!(env!("OUT_DIR"), "/tidemill.v1.rs"));
}

pub use digest::Digest;
pub use id::{ItemAddress, LeaseId, RunName};
pub use invitation::Invitation;
pub use key::{Key, KeyParts};

/// Version of the wire contract; programs with another one refuse each other with a clear message.
pub const PROTOCOL: u32 = 3;

/// Largest message that either side accepts, in bytes; blobs and plans go in chunks below it.
pub const MAX_MESSAGE_BYTES: usize = 16 * 1024 * 1024;

/// Size of the chunks in which blobs and plans are sent, in bytes.
pub const CHUNK_BYTES: usize = 1024 * 1024;
