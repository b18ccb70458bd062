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
    version: 2,
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
        SettingDecl {
            name: "density",
            kind: SettingKind::TagNumbers {
                least: 0.05,
                most: 20.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "Texels along a metre of these tags beside those of the others, as in `{ iron = 2.0 }`: twice as many. Tags that are not named have 1. Stretch is measured with that in mind.",
        },
        SettingDecl {
            name: "keep",
            kind: SettingKind::Tags,
            unit: "",
            default: Default::Absent,
            summary: "Tags whose faces keep the UVs that they come with, bit for bit: those of a trim sheet. They lie on a map of their own, so the charts of the other tags are packed as if they were not there, they may overlap anything by intent, and charts, coverage and stretch are those of the others. A face of such a tag without UVs is an error.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
