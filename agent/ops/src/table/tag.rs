//! `tag`: tags for faces by rule.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const TAG: Declaration = Declaration {
    name: "tag",
    version: 1,
    summary: "Gives a tag to the faces that meet all conditions written: material, group, box or height, direction; several in a row are several rules, and later ones win. A recipe that has it before anything that goes by tags may have base models with wrong or missing tags.",
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
        summary: "The same faces with their tags.",
    }]),
    settings: &[
        SettingDecl {
            name: "to",
            kind: SettingKind::Tag,
            unit: "",
            default: Default::Required,
            summary: "The tag that the faces get.",
        },
        SettingDecl {
            name: "faces",
            kind: SettingKind::Word(&["all", "untagged", "unknown"]),
            unit: "",
            default: Default::Word("all"),
            summary: "Which faces the rule may touch: all, those without a tag, or those without one that the manifest knows.",
        },
        SettingDecl {
            name: "material",
            kind: SettingKind::Text,
            unit: "",
            default: Default::Absent,
            summary: "Only faces whose material has this name, in any case; `*` stands for any characters.",
        },
        SettingDecl {
            name: "group",
            kind: SettingKind::Text,
            unit: "",
            default: Default::Absent,
            summary: "Only faces of groups or objects (OBJ `g` and `o`, glTF nodes and meshes) of this name, in any case; `*` stands for any characters.",
        },
        SettingDecl {
            name: "lengths",
            kind: SettingKind::Word(&["metres", "shares"]),
            unit: "",
            default: Default::Word("metres"),
            summary: "What the six limits count: metres, or shares of the mesh's own box from 0 to 1.",
        },
        limit(
            "x_least",
            "Only faces whose middle is at least so far to the right.",
        ),
        limit(
            "x_most",
            "Only faces whose middle is at most so far to the right.",
        ),
        limit("y_least", "Only faces whose middle is at least so high."),
        limit("y_most", "Only faces whose middle is at most so high."),
        limit("z_least", "Only faces whose middle is at least so far in front."),
        limit("z_most", "Only faces whose middle is at most so far in front."),
        SettingDecl {
            name: "facing",
            kind: SettingKind::Word(&["up", "down", "right", "left", "front", "back", "sideways"]),
            unit: "",
            default: Default::Absent,
            summary: "Only faces that face this way: +Y, -Y, +X, -X, +Z, -Z, or any way along the ground.",
        },
        SettingDecl {
            name: "within",
            kind: SettingKind::Number {
                least: 0.1,
                most: 180.0,
            },
            unit: "degrees",
            default: Default::Number(45.0),
            summary: "How far a face may turn away from `facing`.",
        },
        SettingDecl {
            name: "may_miss",
            kind: SettingKind::Flag,
            unit: "",
            default: Default::Flag(false),
            summary: "`true`: a rule that catches no face is only reported; otherwise it fails the item.",
        },
        SettingDecl {
            name: "complete",
            kind: SettingKind::Flag,
            unit: "",
            default: Default::Flag(false),
            summary: "`true`: afterwards every face must carry a tag that the manifest knows, or the item fails.",
        },
    ],
    uses_tags: true,
    uses_labels: false,
};

const fn limit(name: &'static str, summary: &'static str) -> SettingDecl {
    SettingDecl {
        name,
        kind: SettingKind::Number {
            least: -1000.0,
            most: 1000.0,
        },
        unit: "m or share",
        default: Default::Absent,
        summary,
    }
}
