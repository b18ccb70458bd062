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
    settings: &[
        SettingDecl {
            name: "voxel",
            kind: SettingKind::Number {
                least: 0.0005,
                most: 10.0,
            },
            unit: "m",
            default: Default::Required,
            summary: "Edge length of a grid cell, and so of the faces.",
        },
        SettingDecl {
            name: "edges",
            kind: SettingKind::Word(&["keep", "round"]),
            unit: "",
            default: Default::Word("keep"),
            summary: "`keep`: creases and corners of the input stay sharp; `round`: they are rounded over about a voxel, for organic forms and scans.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
