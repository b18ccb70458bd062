//! The types that a declaration is made of.

/// What a value in a chain is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Triangles with tags, perhaps with UVs. Read from `.obj`, `.glb`, `.gltf`, `.ply`; written as `.glb` or `.obj`.
    Mesh,
    /// A map or a picture. `.png`.
    Map,
    /// Figures about a mesh or a batch. `.json`.
    Data,
}

impl Kind {
    /// The word in messages.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Mesh => "mesh",
            Self::Map => "map",
            Self::Data => "data",
        }
    }
    /// Extensions that a file of this kind may be read from, with their dots.
    pub const fn readable(self) -> &'static [&'static str] {
        match self {
            Self::Mesh => &[".obj", ".glb", ".gltf", ".ply"],
            Self::Map => &[".png"],
            Self::Data => &[".json"],
        }
    }
    /// Extensions that a value of this kind may be written to, with their dots.
    pub const fn writable(self) -> &'static [&'static str] {
        match self {
            Self::Mesh => &[".glb", ".obj"],
            Self::Map => &[".png"],
            Self::Data => &[".json"],
        }
    }
}

/// One named value that an operation reads or adds.
#[derive(Debug, Clone, Copy)]
pub struct Port {
    /// As written in `in = { … }` and `as = "…"`.
    pub name: &'static str,
    /// What it is.
    pub kind: Kind,
    /// Reads all files of a gathering input.
    pub many: bool,
    /// May be left out.
    pub optional: bool,
    /// One sentence for the reference page.
    pub summary: &'static str,
}

/// What an operation adds to the chain.
#[derive(Debug, Clone, Copy)]
pub enum Outputs {
    /// Always these. A mesh operation that gives `mesh` replaces the value `mesh`.
    Fixed(&'static [Port]),
    /// One value for each name in a list setting, all of one kind: `bake` with `maps = ["tag-id", "curvature"]`.
    Named {
        /// The list setting that holds the names.
        setting: &'static str,
        /// Kind of each.
        kind: Kind,
    },
}

/// What a setting takes.
#[derive(Debug, Clone, Copy)]
pub enum SettingKind {
    /// A number, `least..=most`.
    Number {
        /// Smallest allowed value.
        least: f64,
        /// Largest allowed value.
        most: f64,
    },
    /// A whole number, `least..=most`.
    Whole {
        /// Smallest allowed value.
        least: i64,
        /// Largest allowed value.
        most: i64,
    },
    /// `true` or `false`.
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A list of these words, each at most once, at least one.
    Words(&'static [&'static str]),
    /// One of the manifest's tags.
    Tag,
    /// A list of the manifest's tags.
    Tags,
    /// A list of limits, each for a tag of the manifest: see [`crate::limits::tag_limit`].
    TagLimits {
        /// Smallest allowed limit.
        least: f64,
        /// Largest allowed limit.
        most: f64,
    },
    /// A table: a number for each of some of the manifest's tags, `least..=most`. In a plan and in a call it is a list of
    /// pairs, tag and number, sorted by tag.
    TagNumbers {
        /// Smallest allowed value.
        least: f64,
        /// Largest allowed value.
        most: f64,
    },
    /// Any text.
    Text,
}

impl SettingKind {
    /// It is written as a list.
    pub const fn is_list(self) -> bool {
        matches!(self, Self::Words(_) | Self::Tags | Self::TagLimits { .. })
    }
}

/// What stands where nothing was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Default {
    /// It must be written.
    Required,
    /// May be absent; the operation says what that means.
    Absent,
    /// This number.
    Number(f64),
    /// This flag.
    Flag(bool),
    /// This word or text.
    Word(&'static str),
}

/// One setting of an operation.
#[derive(Debug, Clone, Copy)]
pub struct SettingDecl {
    /// As written in the manifest.
    pub name: &'static str,
    /// What it takes.
    pub kind: SettingKind,
    /// `m`, `px`, `1/m`, `degrees`, or empty.
    pub unit: &'static str,
    /// What stands where nothing was written.
    pub default: Default,
    /// One sentence for the reference page.
    pub summary: &'static str,
}

/// One built-in operation.
#[derive(Debug, Clone, Copy)]
pub struct Declaration {
    /// As written in `op = "…"`.
    pub name: &'static str,
    /// Raised whenever the same input may give other bytes: part of every key that uses it.
    pub version: u32,
    /// One sentence for the reference page.
    pub summary: &'static str,
    /// What it reads.
    pub inputs: &'static [Port],
    /// What it adds.
    pub outputs: Outputs,
    /// Its settings, in the order of the reference page.
    pub settings: &'static [SettingDecl],
    /// The tags of the manifest and their colours change the result.
    pub uses_tags: bool,
    /// The names of variants change the result (they are drawn).
    pub uses_labels: bool,
}

impl Declaration {
    /// The setting of that name.
    pub fn setting(&self, name: &str) -> Option<&'static SettingDecl> {
        self.settings.iter().find(|setting| setting.name == name)
    }
}
