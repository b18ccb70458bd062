//! `unwrap`: UV charts without overlap.
//!
//! The charts come from the crate `uvunwrap`; what is ours is what they must keep: one square map, charts within one tag,
//! the picture not mirrored, and figures that say how good they are.
//!
//! - `measure`: stretch and coverage.
//! - `shares`: what becomes of each face: its factor of texel density, or its old UVs.

mod measure;
mod shares;

pub use measure::{Measured, measure, measure_weighed};
use uvunwrap::{Atlas, Density, MeshInput, Options};

use self::shares::Shares;
use super::{Context, OperationError, Produced};
use crate::Mesh;

/// What `unwrap` is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Unwrapping<'a> {
    /// Side of the maps, texels.
    pub size_px: u32,
    /// Least distance between two charts, texels.
    pub padding_px: u32,
    /// Texels along a metre of these tags beside those of the others; tags that are not named have 1.
    pub density: &'a [(&'a str, f64)],
    /// Tags whose faces keep their UVs.
    pub keep: &'a [&'a str],
}

impl Unwrapping<'_> {
    /// One density for all tags, and no UVs kept.
    pub const fn plain(size_px: u32, padding_px: u32) -> Self {
        Self {
            size_px,
            padding_px,
            density: &[],
            keep: &[],
        }
    }
}

/// A mesh with UVs and their figures.
#[derive(Debug, Clone)]
pub struct Unwrapped {
    /// The same triangles, with UVs.
    pub mesh: Mesh,
    /// Parts of the surface that lie in one piece in the map, without those that were kept.
    pub charts: u32,
    /// Texels along a metre of the surface, on average; of tags with a factor of their own so many times that.
    pub texels_per_m: f64,
    /// Texels along a metre as they came out, for each tag whose UVs are new, in the mesh's order.
    pub of_tags: Vec<(String, f64)>,
    /// Stretch and coverage of what was not kept. A tag's factor is no stretch.
    pub measured: Measured,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let density = context.tag_numbers("density")?;
    let keep = context.optional_words("keep")?;
    let unwrapping = Unwrapping {
        size_px: context.whole("size")?.min(u64::from(u32::MAX)) as u32,
        padding_px: context.whole("padding")?.min(u64::from(u32::MAX)) as u32,
        density: &density,
        keep: &keep,
    };
    let unwrapped = unwrap(context.mesh("mesh")?, &unwrapping)?;
    let mut produced = Produced::mesh(unwrapped.mesh)
        .with_figure("charts", f64::from(unwrapped.charts))
        .with_figure("coverage", unwrapped.measured.coverage)
        .with_figure("stretch_l2", unwrapped.measured.stretch_l2)
        .with_figure("stretch_most", unwrapped.measured.stretch_most)
        .with_figure("texels_per_m", unwrapped.texels_per_m);
    if !density.is_empty() {
        for (tag, texels_per_m) in &unwrapped.of_tags {
            produced = produced.with_figure(&format!("texels_per_m_{tag}"), *texels_per_m);
        }
    }
    Ok(produced)
}

/// Gives every face its place in the unit square. Positions, triangles and tags stay; old normals are dropped, and old UVs but
/// for those of tags that keep theirs.
///
/// No chart crosses a border between tags, and none is mirrored: a triangle that is counter-clockwise seen from outside
/// is so in the map as it is shown, with its first row at the top. An error says which tag asks for what cannot be, or that the
/// charts do not fit.
pub fn unwrap(mesh: &Mesh, unwrapping: &Unwrapping<'_>) -> Result<Unwrapped, OperationError> {
    if mesh.triangles.is_empty() {
        return Err(OperationError::Unsuitable(
            "the mesh has no triangles, so there is nothing to unwrap".to_owned(),
        ));
    }
    let shares = Shares::of(mesh, unwrapping)?;
    let atlas = match shares.groups.is_empty() {
        true => None,
        false => Some(charts(mesh, &shares, unwrapping)?),
    };
    let mut uvs = match &mesh.uvs {
        Some(uvs) if !unwrapping.keep.is_empty() => uvs.clone(),
        _ => vec![[[0.0; 2]; 3]; mesh.triangles.len()],
    };
    if let Some(atlas) = &atlas {
        put_back(atlas, &shares, unwrapping.size_px, &mut uvs);
    }
    let mesh = Mesh {
        uvs: Some(uvs),
        normals: None,
        ..mesh.clone()
    };
    let measured = measure_weighed(&mesh, |triangle| shares.factor(triangle));
    Ok(Unwrapped {
        of_tags: shares.texels_per_m(&mesh, unwrapping.size_px),
        mesh,
        charts: atlas.as_ref().map_or(0, |atlas| atlas.chart_count),
        texels_per_m: atlas.map_or(0.0, |atlas| f64::from(atlas.texels_per_unit)),
        measured,
    })
}

/// The faces of each factor as a mesh of their own, all packed together.
fn charts(mesh: &Mesh, shares: &Shares, unwrapping: &Unwrapping<'_>) -> Result<Atlas, OperationError> {
    let Unwrapping {
        size_px, padding_px, ..
    } = *unwrapping;
    let parts: Vec<(Vec<u32>, Vec<u32>)> = shares
        .groups
        .iter()
        .map(|group| {
            let faces = group.faces.iter().map(|&face| face as usize);
            let indices = faces.clone().flat_map(|face| mesh.triangles[face]).collect();
            (
                indices,
                faces.map(|face| u32::from(mesh.face_tags[face])).collect(),
            )
        })
        .collect();
    let inputs: Vec<MeshInput<'_>> = shares
        .groups
        .iter()
        .zip(&parts)
        .map(|(group, (indices, materials))| MeshInput {
            face_materials: Some(materials),
            scale: group.factor as f32,
            ..MeshInput::new(&mesh.positions, indices)
        })
        .collect();
    let options = Options {
        density: Density::Auto { page_size: size_px },
        // The crate keeps this many texels around each chart, so twice as many between two.
        padding: padding_px.div_ceil(2),
        ..Options::default()
    };
    let atlas = uvunwrap::generate(&inputs, &options).map_err(|error| {
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
    Ok(atlas)
}

/// The new UVs to the faces that they were made for.
fn put_back(atlas: &Atlas, shares: &Shares, size_px: u32, uvs: &mut [[[f32; 2]; 3]]) {
    // The page is cropped to the rows in use and shown upside down: both are undone here.
    let rows = f64::from(atlas.height) / f64::from(size_px);
    let columns = f64::from(atlas.width) / f64::from(size_px);
    for (group, made) in shares.groups.iter().zip(&atlas.meshes) {
        for (&face, corners) in group.faces.iter().zip(made.indices.as_chunks::<3>().0) {
            uvs[face as usize] = corners.map(|corner| {
                let [u, v] = made.vertices[corner as usize].uv.map(f64::from);
                [
                    (u * columns).clamp(0.0, 1.0) as f32,
                    (1.0 - v * rows).clamp(0.0, 1.0) as f32,
                ]
            });
        }
    }
}

#[cfg(test)]
mod tests;
