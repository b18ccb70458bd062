//! Places that several machines use at once: a folder share, or a bucket of an object store.
//!
//! [`Backend`] is all that the store asks of such a place. It promises little on purpose, so that a network file
//! system and an object store can both keep it: there is no rename and no lock, and nobody is told when another
//! writes.
//!
//! # Layout
//! - [`Address`]: where a store is, as people write it.
//! - [`share`]: a folder share, by the rules of NFS.
//! - [`bucket`]: a bucket that speaks the S3 protocol.

mod address;
mod bucket;
mod share;
mod uploads;

use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use crate::error::Result;

pub use address::{Address, BadAddress, Place, SEEN_WITHIN_SECONDS, Shared};
pub use bucket::Bucket;
pub use share::Share;

/// What is to be put.
#[derive(Debug, Clone, Copy)]
pub enum Body<'a> {
    /// Bytes in memory.
    Bytes(&'a [u8]),
    /// All of a file, which nobody writes meanwhile.
    File(&'a Path),
}

/// An object that is open for reading.
pub struct Opened {
    /// Size of the whole object in bytes, wherever reading began.
    pub size: u64,
    /// Its bytes from there on, with bounded memory.
    pub bytes: Box<dyn Read + Send>,
}

/// An object in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its whole name.
    pub name: String,
    /// Size in bytes.
    pub size: u64,
    /// When it was put, in ms of Unix time, by the place's clock.
    pub changed_ms: i64,
}

/// What puts that never ended have left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LeftOver {
    /// How many puts.
    pub puts: u64,
    /// Room that they take, in bytes.
    pub bytes: u64,
}

/// Objects under names such as `blobs/ab/cd…`: parts of letters, digits, `-`, `_` and `.`, with `/` between.
///
/// Every call blocks; several threads may call at once, and so may other machines. Errors are tried again inside as
/// long as that may help.
pub trait Backend: Send + Sync {
    /// Where it is, for people. Never holds a secret.
    fn place(&self) -> String;

    /// Puts an object under its final name, over one that is there: readers find all of it or what was before, never a
    /// part. On return it survives a power cut of either side. Big ones go in parts, several at a time, with bounded
    /// memory.
    fn put(&self, name: &str, body: Body<'_>) -> Result<()>;

    /// Opens an object and begins to read at byte `from`, which may be its end; `None`: there is none.
    fn open(&self, name: &str, from: u64) -> Result<Option<Opened>>;

    /// Size of an object in bytes; `None`: there is none.
    fn size(&self, name: &str) -> Result<Option<u64>>;

    /// Calls `each` for every object whose name begins with the folder `prefix` (`blobs/ab/`), in no promised order.
    fn list(&self, prefix: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()>;

    /// Removes an object; one that is not there is no error.
    fn delete(&self, name: &str) -> Result<()>;

    /// Looks for what puts have left, under no name, that were begun at least `older_than` ago and never ended, as when a
    /// writer was killed; takes it away if `remove`. Gives what was found.
    fn left_over(&self, older_than: Duration, remove: bool) -> Result<LeftOver>;
}

/// A whole small object; `None`: there is none.
pub fn read_all(backend: &dyn Backend, name: &str) -> Result<Option<Vec<u8>>> {
    let Some(mut opened) = backend.open(name, 0)? else {
        return Ok(None);
    };
    let mut bytes = Vec::new();
    opened
        .bytes
        .read_to_end(&mut bytes)
        .map_err(|error| crate::StoreError::far("read", name, &backend.place(), &error))?;
    Ok(Some(bytes))
}

/// Opens the place that an address names; `None`: it names a folder of this machine.
///
/// # Errors
/// A bucket's settings are incomplete, or the share is not there.
pub fn open(address: &Address) -> Result<Option<Arc<dyn Backend>>> {
    Ok(match address {
        Address::Folder(_) => None,
        Address::Share(shared) => Some(Arc::new(Share::open(&shared.folder)?)),
        Address::Bucket(place) => Some(Arc::new(Bucket::open(place)?)),
    })
}
