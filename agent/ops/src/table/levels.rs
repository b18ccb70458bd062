//! `levels`: levels of detail.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const LEVELS: Declaration = Declaration {
    name: "levels",
    version: 6,
    summary: "Reduces to several budgets in one pass, each level from the one before; a level without a budget is not made.",
    inputs: &[Port {
        name: "mesh",
        kind: Kind::Mesh,
        many: false,
        optional: false,
        summary: "The mesh to work on.",
    }],
    outputs: Outputs::Fixed(&[
        Port {
            name: "lod1",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "Level 1.",
        },
        Port {
            name: "lod2",
            kind: Kind::Mesh,
            many: false,
            optional: true,
            summary: "Level 2.",
        },
        Port {
            name: "lod3",
            kind: Kind::Mesh,
            many: false,
            optional: true,
            summary: "Level 3.",
        },
        Port {
            name: "lod4",
            kind: Kind::Mesh,
            many: false,
            optional: true,
            summary: "Level 4.",
        },
    ]),
    settings: &[
        SettingDecl {
            name: "lod1",
            kind: SettingKind::Whole {
                least: 4,
                most: 100000000,
            },
            unit: "",
            default: Default::Required,
            summary: "Most triangles of level 1.",
        },
        SettingDecl {
            name: "lod2",
            kind: SettingKind::Whole {
                least: 4,
                most: 100000000,
            },
            unit: "",
            default: Default::Absent,
            summary: "Most triangles of level 2; not more than those of level 1.",
        },
        SettingDecl {
            name: "lod3",
            kind: SettingKind::Whole {
                least: 4,
                most: 100000000,
            },
            unit: "",
            default: Default::Absent,
            summary: "Most triangles of level 3; not more than those of level 2.",
        },
        SettingDecl {
            name: "lod4",
            kind: SettingKind::Whole {
                least: 4,
                most: 100000000,
            },
            unit: "",
            default: Default::Absent,
            summary: "Most triangles of level 4; not more than those of level 3.",
        },
        SettingDecl {
            name: "uvs",
            kind: SettingKind::Word(&["keep", "drop"]),
            unit: "",
            default: Default::Word("keep"),
            summary: "Whether UVs that the mesh has go with it: `keep` holds their seams as borders between tags are held; `drop` is for a mesh that is unwrapped anew.",
        },
    ],
    uses_tags: false,
    uses_labels: false,
};
