//! `unwrap`: UV charts without overlap.
//!
//! The charts come from the crate `uvunwrap`; what is ours is what they must keep: one square map, charts within one tag,
//! the picture not mirrored, and figures that say how good they are.

mod measure;

pub use measure::{Measured, measure};
use uvunwrap::{Density, MeshInput, Options};

use super::{Context, OperationError, Produced};
use crate::Mesh;

/// What `unwrap` is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Unwrapping {
    /// Side of the maps, texels.
    pub size_px: u32,
    /// Least distance between two charts, texels.
    pub padding_px: u32,
}

/// A mesh with UVs and their figures.
#[derive(Debug, Clone)]
pub struct Unwrapped {
    /// The same triangles, with UVs.
    pub mesh: Mesh,
    /// Parts of the surface that lie in one piece in the map.
    pub charts: u32,
    /// Texels along a metre of the surface, on average.
    pub texels_per_m: f64,
    /// Stretch and coverage.
    pub measured: Measured,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let unwrapping = Unwrapping {
        size_px: context.whole("size")?.min(u64::from(u32::MAX)) as u32,
        padding_px: context.whole("padding")?.min(u64::from(u32::MAX)) as u32,
    };
    let unwrapped = unwrap(context.mesh("mesh")?, &unwrapping)?;
    Ok(Produced::mesh(unwrapped.mesh)
        .with_figure("charts", f64::from(unwrapped.charts))
        .with_figure("coverage", unwrapped.measured.coverage)
        .with_figure("stretch_l2", unwrapped.measured.stretch_l2)
        .with_figure("stretch_most", unwrapped.measured.stretch_most)
        .with_figure("texels_per_m", unwrapped.texels_per_m))
}

/// Gives every face its place in the unit square. Positions, triangles and tags stay; old UVs and normals are dropped.
///
/// No chart crosses a border between tags, and none is mirrored: a triangle that is counter-clockwise seen from outside
/// is so in the map as it is shown, with its first row at the top.
pub fn unwrap(mesh: &Mesh, unwrapping: &Unwrapping) -> Result<Unwrapped, OperationError> {
    if mesh.triangles.is_empty() {
        return Err(OperationError::Unsuitable(
            "the mesh has no triangles, so there is nothing to unwrap".to_owned(),
        ));
    }
    let Unwrapping { size_px, padding_px } = *unwrapping;
    let materials: Vec<u32> = mesh.face_tags.iter().map(|&tag| u32::from(tag)).collect();
    let input = MeshInput {
        face_materials: Some(&materials),
        ..MeshInput::new(&mesh.positions, mesh.triangles.as_flattened())
    };
    let options = Options {
        density: Density::Auto { page_size: size_px },
        // The crate keeps this many texels around each chart, so twice as many between two.
        padding: padding_px.div_ceil(2),
        ..Options::default()
    };
    let atlas = uvunwrap::generate(&[input], &options).map_err(|error| {
        OperationError::Unsuitable(format!(
            "no charts could be made: {error}; a padding of {padding_px} px must fit into a map of {size_px} px several times"
        ))
    })?;
    if atlas.page_count != 1 {
        return Err(OperationError::Unsuitable(format!(
            "{} charts with {padding_px} px between them do not fit into one map of {size_px} px; use a larger size, less padding, or fewer triangles",
            atlas.chart_count
        )));
    }
    // The page is cropped to the rows in use and shown upside down: both are undone here.
    let rows = f64::from(atlas.height) / f64::from(size_px);
    let columns = f64::from(atlas.width) / f64::from(size_px);
    let uvs: Vec<[[f32; 2]; 3]> = atlas
        .meshes
        .iter()
        .flat_map(|unwrapped| {
            unwrapped.indices.as_chunks::<3>().0.iter().map(|corners| {
                corners.map(|corner| {
                    let [u, v] = unwrapped.vertices[corner as usize].uv.map(f64::from);
                    [
                        (u * columns).clamp(0.0, 1.0) as f32,
                        (1.0 - v * rows).clamp(0.0, 1.0) as f32,
                    ]
                })
            })
        })
        .collect();
    let mesh = Mesh {
        uvs: Some(uvs),
        normals: None,
        ..mesh.clone()
    };
    let measured = measure(&mesh);
    Ok(Unwrapped {
        mesh,
        charts: atlas.chart_count,
        texels_per_m: f64::from(atlas.texels_per_unit),
        measured,
    })
}

#[cfg(test)]
mod tests;
