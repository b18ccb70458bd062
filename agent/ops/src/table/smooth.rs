//! `smooth`: noise taken off.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const SMOOTH: Declaration = Declaration {
    name: "smooth",
    version: 1,
    summary: "Smooths without shrinking, each pass a step inwards and a slightly larger one outwards; borders between tags smooth along themselves.",
    inputs: &[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The mesh to work on.",
    }],
    outputs: Outputs::Fixed(&[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The changed mesh.",
    }]),
    settings: &[
        SettingDecl {
            name: "passes",
            kind: SettingKind::Whole { least: 1, most: 1000 },
            unit: "",
            default: Default::Number(10.0),
            summary: "How often both steps are made.",
        },
        SettingDecl {
            name: "strength",
            kind: SettingKind::Number {
                least: 0.01,
                most: 0.9,
            },
            unit: "",
            default: Default::Number(0.5),
            summary: "Part of the way to the middle of the neighbours in the inward step.",
        },
        SettingDecl {
            name: "on",
            kind: SettingKind::Tag,
            unit: "",
            default: Default::Absent,
            summary: "Only vertices whose faces all carry this tag; absent: all.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
