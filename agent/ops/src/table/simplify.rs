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
    version: 6,
    summary: "Reduces to a number of triangles, a share of them or an error; borders between tags and open borders are kept, and give way in stages only where a number is out of reach otherwise.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[
        SettingDecl {
            name: "triangles",
            kind: SettingKind::Whole {
                least: 4,
                most: 100_000_000,
            },
            unit: "",
            default: Default::Absent,
            summary: "At most this many remain. Exactly one of `triangles`, `ratio` and `error` is written.",
        },
        SettingDecl {
            name: "ratio",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "At most this share of the triangles remains.",
        },
        SettingDecl {
            name: "error",
            kind: SettingKind::Number {
                least: 0.0,
                most: 100.0,
            },
            unit: "m",
            default: Default::Absent,
            summary: "As few remain as can while no vertex of the input is farther from the result than this.",
        },
        SettingDecl {
            name: "uvs",
            kind: SettingKind::Word(&["keep", "drop"]),
            unit: "",
            default: Default::Word("keep"),
            summary: "Whether UVs that the mesh has go with it: `keep` holds their seams as borders between tags are held; `drop` is for a mesh that is unwrapped anew.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
