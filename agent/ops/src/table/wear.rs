//! `wear`: convex edges worn down.

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

pub(super) const WEAR: Declaration = Declaration {
    name: "wear",
    version: 2,
    summary: "Wears convex edges down by an amount that noise breaks up; flats and concave corners stay.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[
        SettingDecl {
            name: "depth",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "m",
            default: Default::Required,
            summary: "Greatest distance by which a right-angled edge recedes; corners recede by up to 1.8 times that.",
        },
        SettingDecl {
            name: "breakup",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "",
            default: Default::Number(0.6),
            summary: "How much noise varies the depth along an edge: 0 is even, 1 leaves some parts untouched.",
        },
        SettingDecl {
            name: "frequency",
            kind: SettingKind::Number {
                least: 0.01,
                most: 1000.0,
            },
            unit: "1/m",
            default: Default::Number(8.0),
            summary: "Of the noise that breaks the wear up.",
        },
        SettingDecl {
            name: "seed",
            kind: SettingKind::Whole {
                least: 0,
                most: 4_294_967_295,
            },
            unit: "",
            default: Default::Number(0.0),
            summary: "Of the noise.",
        },
        SettingDecl {
            name: "on",
            kind: SettingKind::Tag,
            unit: "",
            default: Default::Absent,
            summary: "Only faces of this tag; absent: all.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
