//! `collide`.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const fn mesh(summary: &'static str) -> Port {
    Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary,
    }
}

pub(super) const COLLIDE: Declaration = Declaration {
    name: "collide",
    version: 1,
    summary: "Makes a collision shape of the mesh: its box, or one or several convex hulls, each a node of its own.",
    inputs: &[mesh("The mesh that things bump into.")],
    outputs: Outputs::Fixed(&[mesh(
        "The shape, closed, outward and without tags; to be written as a file of its own.",
    )]),
    settings: &[
        SettingDecl {
            name: "form",
            kind: SettingKind::Word(&["box", "hulls"]),
            unit: "",
            default: Default::Word("hulls"),
            summary: "`box` along the axes, or convex `hulls`.",
        },
        SettingDecl {
            name: "hulls",
            kind: SettingKind::Whole { least: 1, most: 64 },
            unit: "",
            default: Default::Number(1.0),
            summary: "Most hulls; fewer where one more would gain hardly anything.",
        },
        SettingDecl {
            name: "triangles",
            kind: SettingKind::Whole { least: 4, most: 2000 },
            unit: "",
            default: Default::Number(60.0),
            summary: "Most triangles of each hull.",
        },
        SettingDecl {
            name: "name",
            kind: SettingKind::Text,
            unit: "",
            default: Default::Word("hull-#"),
            summary: "Names the nodes; `#` stands for the number of each, counted from 1.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
