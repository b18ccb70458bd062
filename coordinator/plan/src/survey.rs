//! What the client found in the manifest's folder: the only thing that a plan knows about files.

use std::collections::BTreeMap;

use tidemill_proto::Digest;

/// Everything that was found, by path relative to the manifest with `/` between its parts.
///
/// Ordered maps, so that a plan cannot depend on the order in which a file system lists its files.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Survey {
    /// Base models, fixed files and fixed folders. A folder's path has no `/` at its end.
    pub files: BTreeMap<String, SurveyedFile>,
    /// Contents of the CSV files that the manifest names.
    pub texts: BTreeMap<String, String>,
}

/// One file or folder.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyedFile {
    /// Of its bytes; for a folder, of its tree.
    pub digest: Digest,
    /// In bytes; for a folder, of all its files together.
    pub size: u64,
    /// What the file says as a model. `None`: it was not read as one; `Err`: it could not be, and why.
    pub model: Option<Result<ModelFacts, String>>,
    /// Files that the model refers to.
    pub companions: Vec<Companion>,
    /// The path is a folder.
    pub folder: bool,
}

/// A file beside a model that the model refers to: MTL, buffers, pictures.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Companion {
    /// Relative to the model's folder, as the model refers to it.
    pub name: String,
    /// Of its bytes.
    pub digest: Digest,
    /// In bytes.
    pub size: u64,
}

/// What a model file says about itself.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ModelFacts {
    /// Faces after triangulation.
    pub triangles: u64,
    /// Vertices.
    pub vertices: u64,
    /// Faces that carry each tag.
    pub tags: BTreeMap<String, u64>,
    /// Faces that carry none.
    pub untagged: u64,
    /// Least and greatest corner in the file's own units; `None` for a model without vertices.
    pub bounds: Option<([f64; 3], [f64; 3])>,
}
