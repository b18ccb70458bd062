//! What whole-system tests share: a sandbox with a project folder and a data folder, real processes with a
//! time limit, and the outside reference programs.
//!
//! # Layout
//! - [`sandbox`]: folders and processes of one test.
//! - [`project`]: small manifests and models for tests.
//! - [`published`]: the published form of `--json`, which every line that a test reads must have.
//! - [`studio`]: a coordinator and agents as processes of their own.
//! - [`faults`]: the project and the checks of tests that break things; [`link`]: a network link that can be cut.
//! - [`network`]: machines with an address each (network namespaces); [`memory_limit`]: groups of processes with a memory limit.
//! - [`load`]: an item that holds the memory it is told.
//! - [`outside`]: reference programs from package registries; a missing one fails the test.

/// An S3-compatible server on loopback, the one that the store's own tests use.
#[path = "../../coordinator/store/tests/common/bucket.rs"]
pub mod bucket;
pub mod faults;
pub mod link;
pub mod load;
pub mod memory_limit;
pub mod network;
pub mod outside;
pub mod project;
pub mod published;
pub mod sandbox;
pub mod studio;

pub use sandbox::{Outcome, Sandbox};
