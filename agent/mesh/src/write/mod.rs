//! Model files out: GLB and OBJ. The same mesh gives the same bytes on every machine.

mod document;
mod glb;
mod material;
mod normals;
mod obj;
mod tangents;
mod vertices;

pub use glb::{WriteError, glb, glb_of_model};
pub use normals::corner_normals;
pub(crate) use normals::{Seams, smoothed_normals};
pub use obj::{obj, obj_of_model};
pub(crate) use tangents::{CornerTangents, corner_tangents};
