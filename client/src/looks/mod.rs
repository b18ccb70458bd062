//! A run with everything that people look at: figures, attempts, sign-off and pictures.
//!
//! # Layout
//! - [`calls`]: the coordinator's services for it.
//! - [`gather`]: one run, from all of them.
//! - [`pictures`]: pictures that are there, and drawing those that are not.
//! - [`plans`], [`differ`]: what differs between two runs, and how much. Pure.
//! - [`side_by_side`]: two outputs in one picture. Pure.
//! - [`fit`]: pictures small enough for a file of a given size. Pure.

pub mod calls;
pub mod differ;
pub mod fit;
pub mod gather;
pub mod pictures;
pub mod plans;
pub mod side_by_side;

pub use calls::Looks;
pub use gather::{gather, item_figures};
