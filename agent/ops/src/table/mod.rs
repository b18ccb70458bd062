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
    remesh::REMESH,
    wear::WEAR,
    displace::DISPLACE,
    simplify::SIMPLIFY,
    unwrap::UNWRAP,
    bake::BAKE,
    sheet::SHEET,
    inspect::INSPECT,
];

mod bake;
mod displace;
mod inspect;
mod remesh;
mod sheet;
mod simplify;
mod unwrap;
mod wear;
