//! `simplify`: fewer triangles.

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

pub(super) const SIMPLIFY: Declaration = Declaration {
    name: "simplify",
    version: 1,
    summary: "Reduces to a number of triangles; borders between tags and open borders are kept.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[SettingDecl {
        name: "triangles",
        kind: SettingKind::Whole {
            least: 4,
            most: 100_000_000,
        },
        unit: "",
        default: Default::Required,
        summary: "At most this many remain.",
    }],
    uses_tags: false,
    uses_labels: false,
};
