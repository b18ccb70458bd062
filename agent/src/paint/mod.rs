//! Pictures of what items make: side work of low priority. Never an item, never a reason to fail one.
//!
//! # Layout
//! - [`draw`]: the picture of a mesh or a map. Pure.
//! - [`child`]: draws in a process of its own, so that a broken file or a lack of memory ends only that.
//! - [`serve`]: takes wishes from the coordinator, one at a time.

pub mod child;
pub mod draw;
pub mod serve;

pub use draw::{Drawing, draw};
pub use serve::serve;
