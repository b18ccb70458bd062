//! `unwrap`: UV charts without overlap.

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

pub(super) const UNWRAP: Declaration = Declaration {
    name: "unwrap",
    version: 1,
    summary: "Cuts the surface into charts and packs them into the unit square without overlap.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[
        SettingDecl {
            name: "size",
            kind: SettingKind::Whole {
                least: 16,
                most: 16384,
            },
            unit: "px",
            default: Default::Number(1024.0),
            summary: "Side of the maps that the padding is meant for.",
        },
        SettingDecl {
            name: "padding",
            kind: SettingKind::Whole { least: 0, most: 256 },
            unit: "px",
            default: Default::Number(4.0),
            summary: "Least distance between two charts.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
