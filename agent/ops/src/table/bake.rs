//! `bake`: maps of a high mesh on the UVs of a low one.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const BAKE: Declaration = Declaration {
    name: "bake",
    version: 3,
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
            kind: SettingKind::Words(&[
                "tag-id",
                "curvature",
                "occlusion",
                "normal",
                "position",
                "height",
                "thickness",
                "packed",
            ]),
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
        SettingDecl {
            name: "thickest",
            kind: SettingKind::Number {
                least: 0.0001,
                most: 1000.0,
            },
            unit: "m",
            default: Default::Absent,
            summary: "Thickness that is white, and how far thickness looks for the other side; absent: a tenth of the bounding box's diagonal.",
        },
        SettingDecl {
            name: "rays",
            kind: SettingKind::Whole { least: 1, most: 4096 },
            unit: "",
            default: Default::Number(64.0),
            summary: "Rays for each texel of occlusion and of thickness; its samples share them.",
        },
        SettingDecl {
            name: "samples",
            kind: SettingKind::Whole { least: 1, most: 4 },
            unit: "",
            default: Default::Number(2.0),
            summary: "Samples along each side of a texel.",
        },
        SettingDecl {
            name: "depth",
            kind: SettingKind::Word(&["8-bit", "16-bit"]),
            unit: "",
            default: Default::Word("8-bit"),
            summary: "Of one sample of every map but `tag-id`, which has 8 bits.",
        },
        SettingDecl {
            name: "green",
            kind: SettingKind::Word(&["up", "down"]),
            unit: "",
            default: Default::Word("up"),
            summary: "Where green points in the normal map; glTF asks for up, some engines for down.",
        },
        SettingDecl {
            name: "dilation",
            kind: SettingKind::Whole {
                least: 0,
                most: 16_384,
            },
            unit: "px",
            default: Default::Absent,
            summary: "How far values go on beyond the border of their chart; what lies further gets the map's own ground (flat, open, or black). Absent: until the next chart's.",
        },
        SettingDecl {
            name: "keep",
            kind: SettingKind::Tags,
            unit: "",
            default: Default::Absent,
            summary: "Tags of the low mesh whose UVs `unwrap` kept: their faces lie on a map of their own and get no texels here.",
        },
        packed(
            "packed-red",
            "What is in the red of `packed`: a map of one channel, a channel of another map, or a constant; absent: black.",
        ),
        packed(
            "packed-green",
            "What is in the green of `packed`: a map of one channel, a channel of another map, or a constant; absent: black.",
        ),
        packed(
            "packed-blue",
            "What is in the blue of `packed`: a map of one channel, a channel of another map, or a constant; absent: black.",
        ),
        packed(
            "packed-alpha",
            "What is in the alpha of `packed`; absent: the map has no alpha.",
        ),
    ],
    uses_tags: true,
    uses_labels: false,
};

const fn packed(name: &'static str, summary: &'static str) -> SettingDecl {
    SettingDecl {
        name,
        kind: SettingKind::Word(&[
            "curvature",
            "occlusion",
            "height",
            "thickness",
            "normal.x",
            "normal.y",
            "normal.z",
            "position.x",
            "position.y",
            "position.z",
            "black",
            "grey",
            "white",
        ]),
        unit: "",
        default: Default::Absent,
        summary,
    }
}
