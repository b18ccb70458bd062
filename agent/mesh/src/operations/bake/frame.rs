//! The low mesh's tangent frames, in which a normal map is written.
//!
//! Normals and tangents are those that the GLB writer puts into the file, so that a renderer undoes exactly what was done
//! here. Source: Mikkelsen's MikkTSpace: normal and tangent are interpolated without making them unit again, the
//! bitangent is the sign times their cross product, and a map's vector is taken apart with the inverse of that frame.

use glam::{DMat3, DVec3};

use crate::Mesh;
use crate::operations::OperationError;
use crate::spatial::point;
use crate::write::{CornerTangents, corner_normals, corner_tangents};

/// Frames at the corners of the low mesh, and the normals of the high one.
pub(super) struct Frames {
    low_normals: Vec<[[f32; 3]; 3]>,
    low_tangents: CornerTangents,
    high_normals: Vec<[[f32; 3]; 3]>,
}

impl Frames {
    pub fn new(high: &Mesh, low: &Mesh) -> Result<Self, OperationError> {
        let low_normals = corner_normals(low);
        let low_tangents = corner_tangents(low, &low_normals).ok_or_else(|| {
            OperationError::Unsuitable(
                "the UVs of the low mesh give no sound tangents, which a normal map needs; put `unwrap` before `bake`"
                    .to_owned(),
            )
        })?;
        Ok(Self {
            low_normals,
            low_tangents,
            high_normals: corner_normals(high),
        })
    }

    /// The high mesh's normal at a place, seen from the frame of a place on the low one. Not of unit length.
    pub fn seen(&self, low: (u32, [f64; 3]), high: (u32, [f64; 3])) -> DVec3 {
        let blend = |vectors: [[f32; 3]; 3], weights: [f64; 3]| {
            vectors
                .iter()
                .zip(weights)
                .map(|(&vector, weight)| point(vector) * weight)
                .sum::<DVec3>()
        };
        let normal = blend(self.low_normals[low.0 as usize], low.1);
        let corners = self.low_tangents[low.0 as usize];
        let tangent = blend(corners.map(|[x, y, z, _]| [x, y, z]), low.1);
        let bitangent = normal.cross(tangent) * f64::from(corners[0][3]);
        let frame = DMat3::from_cols(tangent, bitangent, normal);
        let wanted = blend(self.high_normals[high.0 as usize], high.1).normalize_or_zero();
        // Frames without volume come from corners that face apart; then the surface says nothing but "up".
        if frame.determinant().abs() < 1.0e-9 {
            return DVec3::Z;
        }
        (frame.inverse() * wanted).normalize_or(DVec3::Z)
    }
}
