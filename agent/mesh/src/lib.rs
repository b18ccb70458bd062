//! The built-in mesh and map operations of Tidemill. Pure: no network, no async, no clock.
//!
//! # Layout
//! - [`mesh`]: [`Mesh`], the one representation that all operations work on.
//! - [`map`]: [`Map`], a picture in memory, and its PNG form.
//! - [`value`]: what a name in a chain can hold.
//! - [`operations`]: one file for each operation, named as the manifest names it, and the table of them.
//! - [`spatial`]: bounding volume hierarchy, rays, nearest point, inside or outside.
//! - [`noise`]: gradient noise that is the same on every machine.

pub mod inspect;
pub mod map;
pub mod mesh;
pub mod noise;
pub mod operations;
pub mod read;
pub mod spatial;
#[cfg(test)]
mod test_shapes;
pub mod value;
pub mod write;

pub use map::Map;
pub use mesh::Mesh;
