//! `simplify`: fewer triangles by collapsing edges, cheapest first.
//!
//! Source: Garland & Heckbert, Surface Simplification Using Quadric Error Metrics, 1997 (from memory).
//!
//! - `quadric`: squared distances to planes, summed.
//! - `reduce`: which edges may collapse, where to, and in which order.

mod quadric;
mod reduce;

use rayon::prelude::*;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::spatial::{Bvh, point};

/// A reduced mesh and how far it strayed.
#[derive(Debug, Clone)]
pub struct Simplified {
    /// The reduced mesh.
    pub mesh: Mesh,
    /// Greatest distance of an input vertex from the reduced surface, metres.
    pub error_m: f64,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let budget = context.whole("triangles")?;
    let simplified = simplify(
        context.mesh("mesh")?,
        usize::try_from(budget).unwrap_or(usize::MAX),
    )?;
    let triangles = simplified.mesh.triangles.len() as f64;
    Ok(Produced::mesh(simplified.mesh)
        .with_figure("triangles", triangles)
        .with_figure("error_m", simplified.error_m))
}

/// Reduces to at most `budget` triangles, or as far as it goes without tearing the surface, turning a face over or
/// losing a patch of a tag.
///
/// Borders between tags and open borders keep their course. Closed stays closed, with the same holes. UVs and normals
/// are dropped: they belong to vertices that are gone.
pub fn simplify(mesh: &Mesh, budget: usize) -> Result<Simplified, OperationError> {
    if mesh.triangles.is_empty() {
        return Err(OperationError::Unsuitable(
            "the mesh has no triangles, so there is nothing to reduce".to_owned(),
        ));
    }
    let plain = Mesh {
        uvs: None,
        normals: None,
        ..mesh.clone()
    };
    if mesh.triangles.len() <= budget {
        return Ok(Simplified {
            mesh: plain,
            error_m: 0.0,
        });
    }
    let reduced = reduce::reduce(&plain.welded(), budget);
    let bvh = Bvh::new(&reduced);
    let error_squared = mesh
        .positions
        .par_iter()
        .map(|&position| {
            bvh.nearest(point(position), f64::INFINITY)
                .map_or(0.0, |nearest| nearest.distance_squared)
        })
        .reduce(|| 0.0, f64::max);
    Ok(Simplified {
        mesh: reduced,
        error_m: error_squared.sqrt(),
    })
}

#[cfg(test)]
mod tests;
