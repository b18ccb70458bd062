//! A run with everything that people look at: figures, attempts, sign-off and pictures.
//!
//! # Layout
//! - [`calls`]: the coordinator's services for it.
//! - [`gather`]: one run, from all of them.
//! - [`pictures`]: pictures that are there, and drawing those that are not.
//! - [`plans`], [`differ`]: what differs between two runs, and how much. Pure.
//! - [`fit`]: pictures small enough for a file of a given size. Pure.

pub mod calls;
pub mod differ;
pub mod fit;
pub mod gather;
pub mod pictures;
pub mod plans;

pub use calls::Looks;
pub use gather::gather;
