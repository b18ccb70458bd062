//! `dress`.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const fn map(name: &'static str, summary: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: false,
        optional: true,
        summary,
    }
}

const fn factor(name: &'static str, default: f64, summary: &'static str) -> SettingDecl {
    SettingDecl {
        name,
        kind: SettingKind::Number {
            least: 0.0,
            most: 1.0,
        },
        unit: "",
        default: Default::Number(default),
        summary,
    }
}

pub(super) const DRESS: Declaration = Declaration {
    name: "dress",
    version: 1,
    summary: "Puts maps on the mesh: its GLB file has one material for all tags, with the maps embedded.",
    inputs: &[
        Port {
            name: "mesh",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "The mesh, with UVs.",
        },
        map("color", "Colour map, sRGB."),
        map("normal", "Normal map in tangent space, green up."),
        map("occlusion", "Occlusion in red, or grey; white is open."),
        map(
            "roughness-metal",
            "Roughness in green and metal in blue; may be the map of `occlusion`.",
        ),
    ],
    outputs: Outputs::Fixed(&[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The same mesh with its material; to be written as `.glb`.",
    }]),
    settings: &[
        SettingDecl {
            name: "name",
            kind: SettingKind::Text,
            unit: "",
            default: Default::Word("dressed"),
            summary: "Name of the material.",
        },
        factor(
            "roughness",
            0.8,
            "Roughness; multiplies the map's where there is one.",
        ),
        factor(
            "metal",
            0.0,
            "How metallic; multiplies the map's where there is one.",
        ),
    ],
    uses_tags: false,
    uses_labels: false,
};
