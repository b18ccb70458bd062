//! `normals`: shading normals.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const NORMALS: Declaration = Declaration {
    name: "normals",
    version: 2,
    summary: "Gives every corner a normal: the area-weighted mean of the faces that meet there within the smoothing angle, and in one chart of UVs.",
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
            name: "angle",
            kind: SettingKind::Number {
                least: 0.0,
                most: 180.0,
            },
            unit: "degrees",
            default: Default::Number(40.0),
            summary: "Faces that turn by no more than this share a normal.",
        },
        SettingDecl {
            name: "split",
            kind: SettingKind::Flag,
            unit: "",
            default: Default::Flag(true),
            summary: "Faces of different charts share none, so that no gradient of a normal map runs across a border of charts. A mesh without UVs has no charts.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
