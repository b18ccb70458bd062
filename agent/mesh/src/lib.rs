//! The built-in mesh and map operations of Tidemill. Pure: no network, no async, no clock.
//!
//! # Layout
//! - [`mesh`]: [`Mesh`], the one representation that all operations work on.
//! - `read/`, `write/`: file formats, one file each.
//! - `operations/`: one file for each operation, named as the manifest names it.
//! - `spatial/`: bounding volume hierarchy, rays, nearest point.
//! - `chain`: runs a whole [`tidemill_ops::Chain`].

pub mod mesh;

pub use mesh::Mesh;
