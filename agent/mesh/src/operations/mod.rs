//! The operations, one file each, named as the manifest names them, and the table that finds them.
//!
//! An operation is a function from [`Context`] to [`Produced`]. It runs inside a rayon pool of the chain's threads and must
//! give the same bytes whatever their number.

mod audit;
pub mod bake;
mod collide;
mod context;
mod displace;
mod dress;
mod inspect;
mod levels;
mod normals;
pub mod pack;
mod picture;
mod place;
pub mod remesh;
mod rows;
mod sheet;
pub mod simplify;
mod smooth;
mod tag;
#[cfg(test)]
mod testing;
pub mod unwrap;
mod wear;

pub use context::{Context, OperationError, Produced};

/// An operation: everything it may look at is in the context.
pub type Operation = fn(&Context<'_>) -> Result<Produced, OperationError>;

/// The operation of that name.
pub fn find(name: &str) -> Option<Operation> {
    TABLE
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, operation)| *operation)
}

const TABLE: &[(&str, Operation)] = &[
    ("tag", tag::run),
    ("remesh", remesh::run),
    ("wear", wear::run),
    ("displace", displace::run),
    ("smooth", smooth::run),
    ("place", place::run),
    ("simplify", simplify::run),
    ("levels", levels::run),
    ("collide", collide::run),
    ("normals", normals::run),
    ("unwrap", unwrap::run),
    ("bake", bake::run),
    ("pack", pack::run),
    ("dress", dress::run),
    ("picture", picture::run),
    ("sheet", sheet::run),
    ("inspect", inspect::run),
    ("audit", audit::run),
];
