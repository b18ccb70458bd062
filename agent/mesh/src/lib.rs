//! The built-in mesh and map operations of Tidemill. Pure: no network, no async, no clock.
//!
//! # Layout
//! - [`mesh`]: [`Mesh`], the one representation that all operations work on.
//! - [`groups`]: names of groups and objects that faces go by, for the rules of `tag`.
//! - [`model`]: a mesh on its way into a file, with named parts and maps to wear.
//! - [`map`]: [`Map`], a picture in memory, and its PNG form.
//! - [`value`]: what a name in a chain can hold.
//! - [`read`], [`write`]: model files, one format each; hostile files end in an error.
//! - [`inspect`]: figures about meshes and maps.
//! - [`picture`]: draws meshes and lays pictures out; [`palette`]: colours of tags.
//! - [`chain`]: runs a whole [`tidemill_ops::Chain`], and is the worker program's main.
//! - [`operations`]: one file for each operation, named as the manifest names it, and the table of them.
//! - [`spatial`]: bounding volume hierarchy, rays, nearest point, inside or outside.
//! - [`noise`]: gradient noise that is the same on every machine.

pub mod chain;
pub mod groups;
pub mod inspect;
pub mod map;
pub mod mesh;
pub mod model;
pub mod noise;
pub mod operations;
pub mod palette;
mod pattern;
pub mod picture;
pub mod read;
pub mod spatial;
#[cfg(test)]
mod test_shapes;
pub mod value;
pub mod write;

pub use map::Map;
pub use mesh::Mesh;
pub use model::Model;
