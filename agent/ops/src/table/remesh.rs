//! `remesh`: a closed surface of even detail around any input.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const MESH_IN: Port = Port {
    name: "mesh",
    kind: Kind::Mesh,
    many: false,
    optional: false,
    summary: "The mesh to work on.",
};
const MESH_OUT: Port = Port {
    name: "mesh",
    kind: Kind::Mesh,
    many: false,
    optional: false,
    summary: "The changed mesh.",
};

pub(super) const REMESH: Declaration = Declaration {
    name: "remesh",
    version: 2,
    summary: "Rebuilds the surface from a signed distance grid, closed and with even detail; each face takes the tag of the nearest face of the input.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[SettingDecl {
        name: "voxel",
        kind: SettingKind::Number {
            least: 0.0005,
            most: 10.0,
        },
        unit: "m",
        default: Default::Required,
        summary: "Edge length of a grid cell, and so of the faces.",
    }],
    uses_tags: false,
    uses_labels: false,
};
