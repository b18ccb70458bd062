//! Looking after the store: what it holds, whether it is sound, and removing what nothing kept needs. Everything
//! here blocks.
//!
//! # Layout
//! - [`needed`]: which blobs a run needs.
//! - [`neighbours`]: other coordinators of the same store.
//! - [`roots`]: which runs are kept, and so which blobs.
//! - [`rounds`]: a coordinator reads its store through by itself.
//! - [`sweep`]: removes the rest.
//! - [`thin`]: forgets attempts and logs of old runs.
//! - [`usage`]: sizes by run, step and variant.
//! - [`verify`]: reads blobs and compares them with their names.

pub mod needed;
pub mod neighbours;
pub mod roots;
pub mod rounds;
pub mod sweep;
pub mod thin;
pub mod usage;
pub mod verify;
