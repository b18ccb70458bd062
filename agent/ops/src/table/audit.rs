//! `audit`: budgets held to.

use crate::declare::{Declaration, Default, Kind, Outputs, Port, SettingDecl, SettingKind};

const fn map(name: &'static str) -> Port {
    Port {
        name,
        kind: Kind::Map,
        many: false,
        optional: true,
        summary: "A map whose size is judged; give one of another name with `in`.",
    }
}

const fn absent(
    name: &'static str,
    kind: SettingKind,
    unit: &'static str,
    summary: &'static str,
) -> SettingDecl {
    SettingDecl {
        name,
        kind,
        unit,
        default: Default::Absent,
        summary,
    }
}

const DENSITY: SettingKind = SettingKind::Number {
    least: 0.0,
    most: 1_000_000_000.0,
};
const SIDE: SettingKind = SettingKind::Whole {
    least: 1,
    most: 65_536,
};

pub(super) const AUDIT: Declaration = Declaration {
    name: "audit",
    version: 2,
    summary: "Measures a mesh and its maps against budgets; a figure over its limit fails the item, and its JSON is kept with the failure.",
    inputs: &[
        Port {
            name: "mesh",
            kind: Kind::Mesh,
            many: false,
            optional: false,
            summary: "The mesh to judge.",
        },
        map("color"),
        map("normal"),
        map("occlusion"),
        map("roughness-metal"),
        map("tag-id"),
        map("curvature"),
        map("position"),
        map("height"),
        map("thickness"),
        map("packed"),
    ],
    outputs: Outputs::Fixed(&[Port {
        name: "audit",
        kind: Kind::Data,
        many: false,
        optional: false,
        summary: "One object: `pass`, and for each budget the figure, its limit, whether it passes, and what was found.",
    }]),
    settings: &[
        absent(
            "triangles",
            SettingKind::Whole {
                least: 1,
                most: 100_000_000,
            },
            "",
            "Most triangles.",
        ),
        absent(
            "closed",
            SettingKind::Flag,
            "",
            "`true`: the mesh must be closed.",
        ),
        SettingDecl {
            name: "size",
            kind: SettingKind::Whole {
                least: 16,
                most: 16_384,
            },
            unit: "px",
            default: Default::Number(1024.0),
            summary: "Side of the maps that texel densities, overlap and padding are measured at.",
        },
        absent(
            "density_least",
            DENSITY,
            "px/m",
            "Least texels along a metre of the surface, on every face but the outliers.",
        ),
        absent(
            "density_most",
            DENSITY,
            "px/m",
            "Most texels along a metre of the surface, on every face but the outliers.",
        ),
        absent(
            "mean_density_least",
            DENSITY,
            "px/m",
            "Least texels along a metre, the mean over all faces.",
        ),
        absent(
            "mean_density_most",
            DENSITY,
            "px/m",
            "Most texels along a metre, the mean over all faces.",
        ),
        absent(
            "densities",
            SettingKind::TagLimits {
                least: 0.0,
                most: 1_000_000_000.0,
            },
            "px/m",
            "Texels along a metre on the faces of a tag, but the outliers: `[\"timber 400 to 600\", \"iron at least 300\"]`.",
        ),
        SettingDecl {
            name: "outliers",
            kind: SettingKind::Number {
                least: 0.0,
                most: 0.4,
            },
            unit: "",
            default: Default::Number(0.01),
            summary: "Share of the area that may lie below a least density, and as much above a most one; 0: no face.",
        },
        absent(
            "overlap",
            SettingKind::Number {
                least: 0.0,
                most: 1.0,
            },
            "",
            "Largest share of covered texels that more than one face covers; 0 allows none.",
        ),
        absent(
            "padding",
            SettingKind::Number {
                least: 0.0,
                most: 4096.0,
            },
            "px",
            "Least texels between two charts; to the border of the map half as many, since it may repeat.",
        ),
        absent(
            "keep",
            SettingKind::Tags,
            "",
            "Tags whose UVs `unwrap` kept: their faces lie on a map of their own, where they may overlap by intent, so densities of all faces, overlap and padding are those of the others. `densities` may still name such a tag.",
        ),
        absent(
            "powers_of_two",
            SettingKind::Flag,
            "",
            "`true`: both sides of every map that is given are powers of two.",
        ),
        absent(
            "map_size_least",
            SIDE,
            "px",
            "Least length of the shorter side of every map that is given.",
        ),
        absent(
            "map_size_most",
            SIDE,
            "px",
            "Largest length of the longer side of every map that is given.",
        ),
        absent(
            "shares",
            SettingKind::TagLimits {
                least: 0.0,
                most: 1.0,
            },
            "",
            "Share of the area that carries a tag: `[\"timber 0.4 to 0.9\", \"iron at least 0.1\"]`.",
        ),
        absent(
            "tags",
            SettingKind::Tags,
            "",
            "Every face must carry one of these tags.",
        ),
        absent(
            "names",
            SettingKind::Text,
            "",
            "Every node, group and object has a name like this; `*` stands for any characters.",
        ),
        absent(
            "materials",
            SettingKind::Text,
            "",
            "Every material has a name like this; `*` stands for any characters.",
        ),
    ],
    uses_tags: false,
    uses_labels: false,
};
