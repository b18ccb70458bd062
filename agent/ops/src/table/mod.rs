//! The declarations, one file for each operation, in the order of the reference page.

use crate::Declaration;

/// Every built-in operation.
pub fn all() -> &'static [Declaration] {
    ALL
}

/// The operation of that name.
pub fn find(name: &str) -> Option<&'static Declaration> {
    ALL.iter().find(|declaration| declaration.name == name)
}

const ALL: &[Declaration] = &[
    tag::TAG,
    remesh::REMESH,
    wear::WEAR,
    displace::DISPLACE,
    smooth::SMOOTH,
    place::PLACE,
    simplify::SIMPLIFY,
    levels::LEVELS,
    collide::COLLIDE,
    normals::NORMALS,
    unwrap::UNWRAP,
    bake::BAKE,
    pack::PACK,
    dress::DRESS,
    picture::PICTURE,
    sheet::SHEET,
    inspect::INSPECT,
    audit::AUDIT,
];

mod audit;
mod bake;
mod collide;
mod displace;
mod dress;
mod inspect;
mod levels;
mod normals;
mod pack;
mod picture;
mod place;
mod remesh;
mod sheet;
mod simplify;
mod smooth;
mod tag;
mod unwrap;
mod wear;
