//! `sheet`: a labelled contact sheet.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const SHEET: Declaration = Declaration {
    name: "sheet",
    version: 2,
    summary: "Lays pictures of all variants out in a grid, each with its name; a missing one is a marked gap.",
    inputs: &[
        Port {
            name: "maps",
            kind: Kind::Map,
            many: true,
            optional: true,
            summary: "Maps to show as they are.",
        },
        Port {
            name: "meshes",
            kind: Kind::Mesh,
            many: true,
            optional: true,
            summary: "Meshes to draw lit, faces in their tags' colours.",
        },
    ],
    outputs: Outputs::Fixed(&[Port {
        name: "sheet",
        kind: Kind::Map,
        many: false,
        optional: false,
        summary: "The sheet.",
    }]),
    settings: &[
        SettingDecl {
            name: "columns",
            kind: SettingKind::Whole { least: 1, most: 100 },
            unit: "",
            default: Default::Number(4.0),
            summary: "Cells in a row.",
        },
        SettingDecl {
            name: "cell",
            kind: SettingKind::Whole {
                least: 32,
                most: 2048,
            },
            unit: "px",
            default: Default::Number(320.0),
            summary: "Side of a cell.",
        },
    ],
    uses_tags: true,
    uses_labels: true,
};
