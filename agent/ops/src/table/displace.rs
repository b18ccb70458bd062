//! `displace`: fractal noise along the normals.

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

pub(super) const DISPLACE: Declaration = Declaration {
    name: "displace",
    version: 1,
    summary: "Moves the surface along its normals by fractal gradient noise.",
    inputs: &[MESH_IN],
    outputs: Outputs::Fixed(&[MESH_OUT]),
    settings: &[
        SettingDecl {
            name: "amplitude",
            kind: SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            unit: "m",
            default: Default::Required,
            summary: "Greatest displacement to either side.",
        },
        SettingDecl {
            name: "frequency",
            kind: SettingKind::Number {
                least: 0.01,
                most: 1000.0,
            },
            unit: "1/m",
            default: Default::Number(8.0),
            summary: "Of the first octave.",
        },
        SettingDecl {
            name: "octaves",
            kind: SettingKind::Whole { least: 1, most: 10 },
            unit: "",
            default: Default::Number(4.0),
            summary: "Each further one has twice the frequency and half the amplitude.",
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
            summary: "Only faces of this tag, fading out at its border; absent: all.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
