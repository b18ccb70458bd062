//! What the maps need to know of the high mesh, worked out once.

use glam::DVec3;

use super::directions::Directions;
use super::frame::Frames;
use super::{Baking, Kind, Scalar};
use crate::Mesh;
use crate::mesh::Bounds;
use crate::operations::OperationError;
use crate::spatial::Bvh;
use crate::spatial::curvature;

/// Share of the diagonal that rays are long where nothing else was asked for.
const REACH_SHARE: f64 = 0.25;
/// Share of the diagonal that is white in a thickness map where nothing else was asked for.
const THICKEST_SHARE: f64 = 0.1;
/// Share of the diagonal that rays start off the surface.
const LIFT_SHARE: f64 = 1.0e-5;

pub(super) struct Scene<'a> {
    pub bvh: &'a Bvh,
    pub high: &'a Mesh,
    pub directions: Directions,
    /// For each tag of the high mesh its colour; empty where no map needs it.
    pub colours: Vec<[u8; 3]>,
    /// At each vertex, 1/m; empty where no map needs it.
    pub curvatures: Vec<f64>,
    /// For normal maps.
    pub frames: Option<Frames>,
    pub bounds: Bounds,
    /// Lengths of occlusion and thickness rays and their start's distance from the surface, metres.
    pub reach: f64,
    pub thickest: f64,
    pub lift: f64,
    /// Full scale of height, metres.
    pub cage: f64,
}

impl<'a> Scene<'a> {
    pub fn new(
        high: &'a Mesh,
        low: &Mesh,
        bvh: &'a Bvh,
        baking: &Baking<'_>,
        bounds: Bounds,
        cage: f64,
    ) -> Result<Self, OperationError> {
        let colours = if baking.maps.contains(&Kind::TagId) {
            high.tags
                .iter()
                .map(|tag| {
                    baking
                        .tags
                        .iter()
                        .find(|known| known.name == *tag)
                        .map_or([0; 3], |known| known.rgb)
                })
                .collect()
        } else {
            Vec::new()
        };
        let curvatures = if baking.needs(Scalar::Curvature) {
            curvature::at_vertices(high)
        } else {
            Vec::new()
        };
        let frames = if baking.needs_normals() {
            Some(Frames::new(high, low)?)
        } else {
            None
        };
        let diagonal = f64::from(bounds.diagonal());
        Ok(Self {
            bvh,
            high,
            directions: Directions::new(baking.rays),
            colours,
            curvatures,
            frames,
            bounds,
            reach: baking.distance_m.unwrap_or(REACH_SHARE * diagonal),
            thickest: baking.thickest_m.unwrap_or(THICKEST_SHARE * diagonal),
            lift: LIFT_SHARE * diagonal,
            cage,
        })
    }
}

/// What one sample met on the high mesh.
#[derive(Clone, Copy)]
pub(super) struct Met {
    pub triangle: u32,
    pub weights: [f64; 3],
    /// Normal of the low surface: the side that is looked at.
    pub outwards: DVec3,
    /// How far outwards of the low surface, metres.
    pub height: f64,
    /// Where on the low mesh.
    pub low: (u32, [f64; 3]),
}
