//! `remesh`: a closed surface of even detail around any input.
//!
//! Lines run through space along all three axes, one voxel apart. Where they cross the input's shells, the winding
//! number changes by one; whatever is surrounded at least once is inside. So overlapping and touching shells become
//! one body without inner faces, and the crossings are exact, not sampled distances: planes stay planes and edges
//! stay edges.
//!
//! - `solid`: any input becomes closed, consistently turned shells.
//! - `lines`: crossings along grid lines, in exact integer arithmetic.
//! - `cells`: cells that the surface runs through, and how the surface hangs together inside each.
//! - `place`: where in its cell a vertex lies.
//! - `surface`: quads, triangles, tags, and parts nobody can see.
//! - `relax`: evens the triangles out within their surface.
//!
//! Memory grows with the surface, not with the volume.

mod cells;
mod lines;
mod place;
mod relax;
mod solid;
mod surface;

use super::{Context, OperationError, Produced};
use crate::Mesh;

/// Most voxels along the longest side.
const MOST_VOXELS: f64 = 8000.0;
/// Most crossings of grid lines with the surface along one axis: about 3 GiB at work.
const MOST_CROSSINGS: u64 = 24_000_000;

/// What becomes of creases and corners.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edges {
    /// They stay sharp: vertices lie where the planes of the input meet.
    Keep,
    /// They are rounded over about a voxel: vertices lie in the middle of the surface in their cell, then of their neighbours.
    Round,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let edges = match context.optional_text("edges")? {
        None | Some("keep") => Edges::Keep,
        Some("round") => Edges::Round,
        Some(other) => {
            return Err(OperationError::Unsuitable(format!(
                "`edges` cannot be `{other}`; write `keep` or `round`"
            )));
        }
    };
    let remeshed = remesh_with(mesh, context.number("voxel")?, edges)?;
    let triangles = remeshed.triangles.len() as f64;
    Ok(Produced::mesh(remeshed).with_figure("triangles", triangles))
}

/// [`remesh_with`] sharp edges, as most tests want it.
#[cfg(test)]
pub fn remesh(mesh: &Mesh, voxel_m: f64) -> Result<Mesh, OperationError> {
    remesh_with(mesh, voxel_m, Edges::Keep)
}

/// A closed surface, every edge shared by exactly two triangles, around everything that `mesh` surrounds.
///
/// `voxel_m` is the spacing of the grid, and so about the length of an edge. Holes are closed by a cone to their
/// middle first; shells that are turned inside out and lie in no other shell are turned back. Enclosed cavities are
/// filled, since nobody sees them, and loose parts less than a voxel and a half across are dropped.
pub fn remesh_with(mesh: &Mesh, voxel_m: f64, edges: Edges) -> Result<Mesh, OperationError> {
    if !(voxel_m > 0.0 && voxel_m.is_finite()) {
        return Err(OperationError::Unsuitable(format!(
            "the voxel must be longer than 0 m, not {voxel_m} m"
        )));
    }
    let bounds = mesh.bounds().ok_or_else(|| {
        OperationError::Unsuitable("the mesh has no triangles, so there is nothing to remesh".to_owned())
    })?;
    let longest = bounds.size().into_iter().fold(0.0_f32, f32::max);
    let voxels = f64::from(longest) / voxel_m;
    if voxels > MOST_VOXELS {
        return Err(OperationError::Unsuitable(format!(
            "{longest} m at a voxel of {voxel_m} m are {voxels:.0} voxels along the longest side, and {MOST_VOXELS} is the limit; use a voxel of at least {:.6} m, or check the units of the model",
            f64::from(longest) / MOST_VOXELS
        )));
    }
    let grid = lines::Grid::around(&bounds, voxel_m);
    let solid = solid::Solid::of(mesh);
    let crossings = lines::estimated_crossings(&solid, voxel_m);
    if crossings > MOST_CROSSINGS {
        return Err(OperationError::Unsuitable(format!(
            "a voxel of {voxel_m} m needs about {crossings} grid lines through the surface, and {MOST_CROSSINGS} is the limit; use a voxel of at least {:.6} m, or check the units of the model",
            voxel_m * (crossings as f64 / MOST_CROSSINGS as f64).sqrt()
        )));
    }
    let lines = lines::Lines::through(&solid, &grid);
    let cells = cells::Cells::along(&lines, &grid);
    let surface = surface::extract(&cells, &lines, &grid, &solid, edges);
    let surface = surface::without_hidden_and_loose_parts(surface, voxel_m);
    if surface.triangles.is_empty() {
        return Err(OperationError::Unsuitable(format!(
            "at a voxel of {voxel_m} m the mesh encloses nothing: it is a flat sheet, or thinner than a voxel everywhere; use a smaller voxel or give the model a thickness"
        )));
    }
    Ok(relax::relaxed(surface, mesh, voxel_m, edges))
}

#[cfg(test)]
mod tests;
