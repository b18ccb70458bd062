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
    version: 2,
    summary: "Moves the surface along its normals by fractal noise, everywhere or by how it bends.",
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
        SettingDecl {
            name: "basis",
            kind: SettingKind::Word(&["smooth", "ridges", "lumps", "cells"]),
            unit: "",
            default: Default::Word("smooth"),
            summary: "`smooth` gradient noise, sharp `ridges`, round `lumps`, or `cells`: bumps around strewn points.",
        },
        SettingDecl {
            name: "bent",
            kind: SettingKind::Word(&["any", "out", "in", "flat"]),
            unit: "",
            default: Default::Word("any"),
            summary: "Only where the surface bends `out` (edges), `in` (corners), or is `flat`; `any`: everywhere.",
        },
        SettingDecl {
            name: "curvature",
            kind: SettingKind::Number {
                least: 0.01,
                most: 10_000.0,
            },
            unit: "1/m",
            default: Default::Number(10.0),
            summary: "For `bent`: from this mean curvature on a place counts as bent in full; an edge of radius r has 1/(2r).",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
