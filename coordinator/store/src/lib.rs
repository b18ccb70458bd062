//! The content-addressed store: every blob lies under its BLAKE3 name, and no name ever lies.
//!
//! ```text
//! store/
//!   store-id            a uuid: an agent that finds the right one here reads the store in place
//!   boot                which boot of the machine the files of incoming/ belong to
//!   blobs/ab/<64 hex>   committed: complete, on disk, read-only
//!   incoming/           staged: <64 hex>.<unique> complete but not synced, part.<unique> being written
//!                       <64 hex>.w-<unique> written under its name: complete only to its writer
//!   doomed              blobs that are about to be removed, while a sweep waits
//!   aside/              blobs that did not match their name, <64 hex>.<unique>
//! ```
//!
//! # Layout
//! - [`Store`]: a cheap handle; all calls block, so async callers go through `spawn_blocking`.
//! - `folder/`: one file per direction: staging, commit, read, export, look; `far`: the same over a [`backend`].
//! - [`backend`]: a folder share or a bucket, for stores that several coordinators use.
//! - [`tree`]: a folder as one blob that lists the others.
//! - `os/`: the few calls that differ between systems.
//!
//! # Why two steps, staging and commit
//! Disks sync slowly, so a blob is never synced alone. Whoever makes bytes puts them into `incoming/` under
//! their digest and goes on; one committer takes all that waits, syncs it as a group, and renames it into
//! `blobs/`. Only then is anything acknowledged. The renames are not synced: after a power cut a blob may still lie in
//! `incoming/`, and the owner, opening the store, brings everything there to its end that matches its name, and removes
//! what does not. A process that dies in between leaves no more than that.
//!
//! # What is assumed
//! A sync that returned without error means that the bytes survive a power cut; a rename within one file
//! system is atomic; only one process, the owner, commits. Where several commit, nothing of that is assumed: see
//! [`backend`] and `folder/together.rs`. After a failed sync the bytes in memory are no
//! longer trusted (a second sync may report success for pages that were dropped), so they are thrown away.

pub mod backend;
mod error;
mod folder;
mod os;
pub mod tree;

pub use error::{Result, StoreError};
pub use folder::{
    Arrival, Aside, BlobEntry, BlobIter, BlobReader, CommitReport, Doomed, ExportMode, Incoming, PartReader,
    Staged, Store, Swept, Usage, UsagePart, blob_name, id_name,
};
pub use os::sync_folder;
pub use tidemill_proto::Digest;
pub use tree::{StagedTree, Take, Tree, TreeEntry};
