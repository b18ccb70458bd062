//! `inspect`: figures about a mesh.

use crate::declare::{Declaration, Kind, Outputs, Port};

pub(super) const INSPECT: Declaration = Declaration {
    name: "inspect",
    version: 1,
    summary: "Counts, bounds, area, volume, closedness and tags of a mesh, as data.",
    inputs: &[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The mesh.",
    }],
    outputs: Outputs::Fixed(&[Port {
        name: "figures",
        kind: Kind::Data,
        many: false,
        optional: false,
        summary: "One object, lengths in metres.",
    }]),
    settings: &[],
    uses_tags: false,
    uses_labels: false,
};
