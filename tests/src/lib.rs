//! What whole-system tests share: a sandbox with a project folder and a data folder, real processes with a
//! time limit, and the outside reference programs.
//!
//! # Layout
//! - [`sandbox`]: folders and processes of one test.
//! - [`project`]: small manifests and models for tests.
//! - [`outside`]: reference programs from package registries; a missing one fails the test.

pub mod outside;
pub mod project;
pub mod sandbox;

pub use sandbox::{Outcome, Sandbox};
