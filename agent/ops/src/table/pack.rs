//! `pack`: several variants on one set of maps.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const fn old(name: &'static str, summary: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: true,
        optional: true,
        summary,
    }
}

const fn new(name: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: false,
        optional: true,
        summary: "The maps of that name on one; there if they are gathered.",
    }
}

pub(super) const PACK: Declaration = Declaration {
    name: "pack",
    version: 2,
    summary: "Puts the variants of a group on one set of maps with even texel density; charts are moved and scaled, never turned, so that normal maps stay right.",
    inputs: &[
        Port {
            name: "meshes",
            kind: Kind::Mesh,
            many: true,
            optional: false,
            summary: "The meshes, each with UVs on maps of its own.",
        },
        old("color", "Colour maps, sRGB."),
        old("normal", "Normal maps in tangent space; mixed as directions."),
        old("occlusion", "Occlusion maps."),
        old("roughness-metal", "Maps of roughness in green and metal in blue."),
        old("tag-id", "ID maps; their colours are not mixed."),
        old("curvature", "Curvature maps."),
        old(
            "position",
            "Position maps; black and white stay those of each mesh.",
        ),
        old("height", "Height maps."),
        old("thickness", "Thickness maps."),
        old("packed", "Packed masks."),
    ],
    outputs: Outputs::Fixed(&[
        Port {
            name: "mesh",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "All meshes with UVs on the new maps, side by side along +X, each a node with its variant's name; to be dressed, or written as it is.",
        },
        new("color"),
        new("normal"),
        new("occlusion"),
        new("roughness-metal"),
        new("tag-id"),
        new("curvature"),
        new("position"),
        new("height"),
        new("thickness"),
        new("packed"),
    ]),
    settings: &[
        SettingDecl {
            name: "size",
            kind: SettingKind::Whole {
                least: 16,
                most: 16384,
            },
            unit: "px",
            default: Default::Number(2048.0),
            summary: "Side of the new maps.",
        },
        SettingDecl {
            name: "padding",
            kind: SettingKind::Whole { least: 0, most: 256 },
            unit: "px",
            default: Default::Number(8.0),
            summary: "Least distance between two charts. What lies between takes the nearest chart's values; the old maps need a few such texels, too, as `bake` gives them.",
        },
        SettingDecl {
            name: "density",
            kind: SettingKind::TagNumbers {
                least: 0.05,
                most: 20.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "Texels along a metre of these tags beside those of the others, as in `{ iron = 2.0 }`; tags that are not named have 1. What `unwrap` was told does not count here: write it again.",
        },
        SettingDecl {
            name: "keep",
            kind: SettingKind::Tags,
            unit: "",
            default: Default::Absent,
            summary: "Tags whose faces keep their UVs and get no place: they lie on a map of their own, such as a trim sheet.",
        },
        SettingDecl {
            name: "apart",
            kind: SettingKind::Number {
                least: 0.0,
                most: 100.0,
            },
            unit: "m",
            default: Default::Number(0.25),
            summary: "Distance between two meshes in the row.",
        },
    ],
    uses_tags: false,
    uses_labels: true,
};
