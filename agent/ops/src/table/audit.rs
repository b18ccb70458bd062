//! `audit`: budgets held to.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const AUDIT: Declaration = Declaration {
    name: "audit",
    version: 1,
    summary: "Measures a mesh against budgets; a figure over its limit fails the item.",
    inputs: &[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The mesh to judge.",
    }],
    outputs: Outputs::Fixed(&[Port {
        name: "audit",
        kind: Kind::Data,
        many: false,
        optional: false,
        summary: "One object: `pass`, and for each budget the figure, its limit and whether it passes.",
    }]),
    settings: &[
        SettingDecl {
            name: "triangles",
            kind: SettingKind::Whole {
                least: 1,
                most: 100000000,
            },
            unit: "",
            default: Default::Absent,
            summary: "Most triangles.",
        },
        SettingDecl {
            name: "size",
            kind: SettingKind::Whole {
                least: 16,
                most: 16384,
            },
            unit: "px",
            default: Default::Number(1024.0),
            summary: "Side of the maps that texel densities and overlap are measured at.",
        },
        SettingDecl {
            name: "density_least",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1_000_000_000.0,
            },
            unit: "px/m",
            default: Default::Absent,
            summary: "Least texels along a metre of the surface, the mean over all faces.",
        },
        SettingDecl {
            name: "density_most",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1_000_000_000.0,
            },
            unit: "px/m",
            default: Default::Absent,
            summary: "Most texels along a metre of the surface, the mean over all faces.",
        },
        SettingDecl {
            name: "overlap",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "Largest share of covered texels that more than one face covers; 0 allows none.",
        },
        SettingDecl {
            name: "closed",
            kind: SettingKind::Flag,
            unit: "",
            default: Default::Absent,
            summary: "`true`: the mesh must be closed.",
        },
        SettingDecl {
            name: "tag",
            kind: SettingKind::Tag,
            unit: "",
            default: Default::Absent,
            summary: "The tag whose share of the area is judged.",
        },
        SettingDecl {
            name: "share_least",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "Least share of the area that carries `tag`.",
        },
        SettingDecl {
            name: "share_most",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "",
            default: Default::Absent,
            summary: "Largest share of the area that carries `tag`.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
