//! What a name in a chain can hold.

use std::sync::Arc;

use tidemill_ops::Kind;

use crate::{Map, Mesh, Model};

/// One value of a chain. Cheap to clone.
#[derive(Debug, Clone)]
pub enum Value {
    /// Triangles.
    Mesh(Arc<Mesh>),
    /// Triangles with named parts or maps to wear; every operation reads it as the mesh that it is.
    Model(Arc<Model>),
    /// A picture.
    Map(Arc<Map>),
    /// Figures: JSON text, whose order of keys is kept.
    Data(Arc<String>),
    /// What a gathering input brought.
    Many(Arc<Gathered>),
}

/// The values of a gathering input.
#[derive(Debug, Clone, Default)]
pub struct Gathered {
    /// In variant order.
    pub present: Vec<GatheredValue>,
    /// Position and label of the variants that have none.
    pub missing: Vec<(usize, String)>,
}

/// One of them.
#[derive(Debug, Clone)]
pub struct GatheredValue {
    /// Position among all variants, the missing ones counted.
    pub position: usize,
    /// The variant's name.
    pub label: String,
    /// Never `Many`.
    pub value: Value,
}

impl Value {
    /// The kind in the words of a declaration; `None` for a gathered value.
    pub fn kind(&self) -> Option<Kind> {
        match self {
            Self::Mesh(_) | Self::Model(_) => Some(Kind::Mesh),
            Self::Map(_) => Some(Kind::Map),
            Self::Data(_) => Some(Kind::Data),
            Self::Many(_) => None,
        }
    }

    /// In a few words, for the log.
    pub fn description(&self) -> String {
        match self {
            Self::Mesh(mesh) => {
                format!(
                    "a mesh of {} triangles and {} vertices",
                    mesh.triangles.len(),
                    mesh.positions.len()
                )
            }
            Self::Model(model) => {
                let dressed = if model.dress.is_some() { ", with maps" } else { "" };
                format!(
                    "a mesh of {} triangles in {} nodes{dressed}",
                    model.whole.triangles.len(),
                    model.parts.len().max(1)
                )
            }
            Self::Map(map) => {
                format!(
                    "a map of {} x {} pixels, {} bits",
                    map.width,
                    map.height,
                    map.data.bit_depth()
                )
            }
            Self::Data(json) => format!("data of {} bytes", json.len()),
            Self::Many(gathered) => {
                format!(
                    "{} gathered values, {} missing",
                    gathered.present.len(),
                    gathered.missing.len()
                )
            }
        }
    }
}
