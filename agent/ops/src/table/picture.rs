//! `picture`.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const fn map(name: &'static str, summary: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: false,
        optional: true,
        summary,
    }
}

const fn out(name: &'static str, summary: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: false,
        optional: false,
        summary,
    }
}

pub(super) const PICTURE: Declaration = Declaration {
    name: "picture",
    version: 2,
    summary: "Draws the mesh, lit, as a still and as a turntable strip; with the maps that are given, else in its tags' colours.",
    inputs: &[
        Port {
            name: "mesh",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "The mesh to draw; with UVs if there are maps.",
        },
        map("color", "Colour map."),
        map("normal", "Normal map, green up."),
        map("occlusion", "Occlusion map; white is open."),
    ],
    outputs: Outputs::Fixed(&[
        out("still", "The three-quarter view."),
        out("turntable", "Views side by side, each a step further around."),
    ]),
    settings: &[
        SettingDecl {
            name: "side",
            kind: SettingKind::Whole {
                least: 32,
                most: 4096,
            },
            unit: "px",
            default: Default::Number(512.0),
            summary: "Side of the still.",
        },
        SettingDecl {
            name: "turn-side",
            kind: SettingKind::Whole {
                least: 32,
                most: 1024,
            },
            unit: "px",
            default: Default::Number(256.0),
            summary: "Side of each view of the strip.",
        },
        SettingDecl {
            name: "views",
            kind: SettingKind::Whole { least: 1, most: 64 },
            unit: "",
            default: Default::Number(8.0),
            summary: "Views in the strip.",
        },
    ],
    uses_tags: true,
    uses_labels: false,
};
