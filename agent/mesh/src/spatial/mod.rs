//! Questions about where things are: nearest point, rays, inside or outside.
//!
//! - [`Bvh`]: a four-wide bounding volume hierarchy over the triangles of one mesh. Built once, then asked from
//!   any number of threads. The same mesh gives the same hierarchy and the same answers on any number of threads.
//! - [`curvature`]: signed mean curvature at vertices.
//! - [`Fans`], [`vertex_normals`]: what lies around a vertex.
//! - [`fade`], [`without_turning`]: moving a part of a surface without cracks and without turning it over.
//! - [`winding_number`]: how often a set of triangles surrounds a point.

mod build;
pub mod curvature;
mod fans;
mod nearest;
mod ray;
mod region;
mod winding;

pub use build::Bvh;
pub use fans::{Fans, others, vertex_normals};
pub use nearest::{Nearest, closest_on_triangle};
pub use ray::Hit;
pub use region::{fade, without_turning};
pub use winding::winding_number;

use glam::DVec3;

/// A stored position in double precision, in which all geometry is computed.
pub fn point(position: [f32; 3]) -> DVec3 {
    DVec3::new(
        f64::from(position[0]),
        f64::from(position[1]),
        f64::from(position[2]),
    )
}

#[cfg(test)]
mod tests;
