//! `bake`: maps of a high mesh on the UVs of a low one.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const BAKE: Declaration = Declaration {
    name: "bake",
    version: 1,
    summary: "Projects the high mesh onto the UVs of the low one and writes the maps asked for; several maps cost one load of both.",
    inputs: &[
        Port {
            name: "high",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "Where detail and tags come from.",
        },
        Port {
            name: "low",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "Has the UVs.",
        },
    ],
    outputs: Outputs::Named {
        setting: "maps",
        kind: Kind::Map,
    },
    settings: &[
        SettingDecl {
            name: "maps",
            kind: SettingKind::Words(&["tag-id", "curvature", "occlusion"]),
            unit: "",
            default: Default::Required,
            summary: "Which maps; each becomes a value of that name.",
        },
        SettingDecl {
            name: "size",
            kind: SettingKind::Whole {
                least: 16,
                most: 16384,
            },
            unit: "px",
            default: Default::Number(1024.0),
            summary: "Side of each map.",
        },
        SettingDecl {
            name: "cage",
            kind: SettingKind::Number {
                least: 0.0,
                most: 10.0,
            },
            unit: "m",
            default: Default::Absent,
            summary: "How far from the low surface the high one is looked for; absent: 2 % of the bounding box's diagonal.",
        },
        SettingDecl {
            name: "radius",
            kind: SettingKind::Number {
                least: 0.0001,
                most: 10.0,
            },
            unit: "m",
            default: Default::Number(0.02),
            summary: "Curvature of this radius reaches full black or white.",
        },
        SettingDecl {
            name: "distance",
            kind: SettingKind::Number {
                least: 0.0001,
                most: 1000.0,
            },
            unit: "m",
            default: Default::Absent,
            summary: "How far occlusion looks for what is in the way; absent: a quarter of the bounding box's diagonal.",
        },
    ],
    uses_tags: true,
    uses_labels: false,
};
