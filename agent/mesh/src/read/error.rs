//! Why a model could not be read.

use std::path::PathBuf;

use crate::mesh::MeshError;

/// Says what is wrong, where, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// No reader for this kind of file.
    #[error("`{extension}` is no mesh format that can be read here; use .obj, .glb, .gltf or .ply")]
    UnknownExtension {
        /// As given.
        extension: String,
    },
    /// A length unit that is none of the known ones.
    #[error("`{units}` is no length unit; write mm, cm, m, in or ft")]
    UnknownUnits {
        /// As given.
        units: String,
    },
    /// An up axis that is neither y nor z.
    #[error("`{up}` is no up axis; write y or z")]
    UnknownUp {
        /// As given.
        up: String,
    },
    /// A text file is wrong in one line.
    #[error("line {line}: {problem}")]
    Line {
        /// From 1.
        line: usize,
        /// What is wrong and what to do.
        problem: String,
    },
    /// A binary file is wrong at one place.
    #[error("byte {offset}: {problem}")]
    Offset {
        /// From 0.
        offset: usize,
        /// What is wrong and what to do.
        problem: String,
    },
    /// The file as a whole is not what its name says.
    #[error("{0}")]
    Unusable(String),
    /// Nothing to work on.
    #[error("the model has no triangles; was it exported without its faces, or as points or curves?")]
    NoTriangles,
    /// A file that the model needs is not there or cannot be read.
    #[error("the model refers to `{name}`: {problem}")]
    Companion {
        /// The name that the model uses.
        name: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// The model file itself cannot be read.
    #[error("cannot read {path}: {source}", path = path.display())]
    Io {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// What the file describes is no sound mesh.
    #[error("{0}; export the model again or repair it in a modelling program")]
    Mesh(#[from] MeshError),
}

impl ReadError {
    pub(super) fn line(line: usize, problem: impl Into<String>) -> Self {
        Self::Line {
            line,
            problem: problem.into(),
        }
    }

    pub(super) fn offset(offset: usize, problem: impl Into<String>) -> Self {
        Self::Offset {
            offset,
            problem: problem.into(),
        }
    }
}
