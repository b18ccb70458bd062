//! The one representation that all operations work on.

/// Triangles over shared positions. Metres, right-handed, +Y up, counter-clockwise seen from outside.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Mesh {
    /// Metres; equal positions are one vertex wherever the source allows it.
    pub positions: Vec<[f32; 3]>,
    /// Indexes into `positions`.
    pub triangles: Vec<[u32; 3]>,
    /// For each triangle an index into `tags`, or [`UNTAGGED`].
    pub face_tags: Vec<u16>,
    /// Tag names, in order of first use by the source.
    pub tags: Vec<String>,
    /// UV of each corner of each triangle; (0, 0) is the upper left corner of a map, as in glTF.
    pub uvs: Option<Vec<[[f32; 2]; 3]>>,
    /// Unit normal of each corner of each triangle; computed on writing where absent.
    pub normals: Option<Vec<[[f32; 3]; 3]>>,
}

/// The face carries no tag.
pub const UNTAGGED: u16 = u16::MAX;
