//! Model files out: GLB and OBJ. The same mesh gives the same bytes on every machine.

mod glb;
mod normals;
mod obj;
mod tangents;
mod vertices;

pub use glb::{WriteError, glb};
pub use normals::corner_normals;
pub(crate) use normals::smoothed_normals;
pub use obj::obj;
pub(crate) use tangents::{CornerTangents, corner_tangents};
