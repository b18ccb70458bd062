//! `place`: where a mesh stands.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

pub(super) const PLACE: Declaration = Declaration {
    name: "place",
    version: 1,
    summary: "Moves a mesh so that its pivot lies at the origin; its form stays as it is.",
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
    settings: &[SettingDecl {
        name: "pivot",
        kind: SettingKind::Word(&["base-centre", "bounds-centre", "kept"]),
        unit: "",
        default: Default::Word("base-centre"),
        summary: "The point that goes to the origin: the middle of the lower side of the bounds, their middle, or nothing moves.",
    }],
    uses_tags: false,
    uses_labels: false,
};
