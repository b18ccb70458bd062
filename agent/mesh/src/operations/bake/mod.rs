//! `bake`: maps of a high mesh on the UVs of a low one.
//!
//! - `settings`: what can be asked for, and its form in a call.
//! - `cover`: which triangle of the low mesh covers which sample of the map.
//! - `project`: from a point of the low surface to the high one: a ray within the cage, then the nearest point.
//! - `scene`: what the maps need to know of the high mesh, worked out once.
//! - `curvature`: mean curvature of the high mesh at its vertices.
//! - `directions`: cosine-weighted rays for occlusion and thickness.
//! - `frame`: tangent frames for normal maps.
//! - `texels`: the values of one row of texels.
//! - `fill`: what lies outside the charts.
//!
//! One projection for each sample serves all maps. Rows of the map are independent of each other, so the bytes do not
//! depend on the number of threads.

mod cover;
mod directions;
pub(super) mod fill;
mod frame;
mod project;
mod scene;
mod settings;
mod texels;

use rayon::prelude::*;

use self::cover::Cover;
use self::project::Projector;
use self::scene::Scene;
pub use self::settings::{Baking, Channel, Depth, Green, Kind, Scalar};
use self::texels::{Row, bake_row};
use super::displace::tag_number;
use super::{Context, OperationError, Produced};
use crate::map::Samples;
use crate::mesh::UNTAGGED;
use crate::spatial::Bvh;
use crate::{Map, Mesh};

/// Share of the bounding box's diagonal that the cage has where none is given.
const CAGE_SHARE: f64 = 0.02;

/// Maps and what was measured.
#[derive(Debug, Clone)]
pub struct Baked {
    /// In the order asked for.
    pub maps: Vec<Map>,
    /// Samples on charts.
    pub samples: u64,
    /// Samples whose ray found nothing within the cage, so that the nearest point was taken.
    pub missed: u64,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let names = context.words("maps")?;
    let baking = Baking::from_call(context, &names)?;
    let high = context.mesh("high")?;
    let baked = bake(high, context.mesh("low")?, &baking)?;
    let mut produced = Produced::default()
        .with_figure("samples", baked.samples as f64)
        .with_figure("missed", baked.missed as f64);
    if let Some(bounds) = high.bounds().filter(|_| baking.needs_positions()) {
        // Without these nobody could turn the colours of a position map back into metres.
        for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
            produced = produced
                .with_figure(&format!("position_{name}_black_m"), f64::from(bounds.least[axis]))
                .with_figure(&format!("position_{name}_white_m"), f64::from(bounds.most[axis]));
        }
    }
    for (name, map) in names.iter().zip(baked.maps) {
        produced = produced.with_map(name, map);
    }
    Ok(produced)
}

/// Projects `high` onto the UVs of `low`.
///
/// The same meshes and settings give the same maps on any number of threads. An error says which of the meshes or
/// settings does not suit and what to do.
pub fn bake(high: &Mesh, low: &Mesh, baking: &Baking<'_>) -> Result<Baked, OperationError> {
    check(high, low, baking)?;
    let size = baking.size as usize;
    let mut kept = vec![false; low.tags.len()];
    for name in &baking.keep {
        if let Some(tag) = tag_number(low, Some(name))? {
            kept[usize::from(tag)] = true;
        }
    }
    let left_out = |face: usize| kept.get(usize::from(low.face_tags[face])) == Some(&true);
    let cover = Cover::of(low, size, baking.samples as usize, left_out).ok_or_else(|| {
        OperationError::Unsuitable("the low mesh has no UVs; put `unwrap` before `bake`".to_owned())
    })?;
    let bounds = high
        .bounds()
        .ok_or_else(|| OperationError::Unsuitable("the mesh on `high` has no positions".to_owned()))?;
    let cage = baking.cage_m.unwrap_or(CAGE_SHARE * f64::from(bounds.diagonal()));
    let bvh = Bvh::new(high);
    let projector = Projector::new(low, &bvh, high, cage);
    let scene = Scene::new(high, low, &bvh, baking, bounds, cage)?;
    let rows: Vec<Row> = (0..size)
        .into_par_iter()
        .map(|row| bake_row(row, &cover, &projector, &scene, baking))
        .collect();
    let covered: Vec<bool> = rows.iter().flat_map(|row| row.covered.iter().copied()).collect();
    if !covered.contains(&true) {
        return Err(OperationError::Unsuitable(
            "the UVs of the low mesh cover no texel; they must lie between 0 and 1 and have area, and `keep` must leave some face to bake".to_owned(),
        ));
    }
    let mut nearest = fill::nearest_covered(&covered, size);
    if let Some(dilation) = baking.dilation_px {
        fill::end_beyond(&mut nearest, size, dilation);
    }
    let maps = (0..baking.maps.len())
        .into_par_iter()
        .map(|index| filled_map(index, &rows, &nearest, baking))
        .collect();
    Ok(Baked {
        maps,
        samples: rows.iter().map(|row| row.samples).sum(),
        missed: rows.iter().map(|row| row.missed).sum(),
    })
}

/// One of the maps, with each texel taken from the nearest covered one.
fn filled_map(index: usize, rows: &[Row], nearest: &[u32], baking: &Baking<'_>) -> Map {
    let kind = baking.maps[index];
    let size = baking.size as usize;
    let channels = baking.channels(kind);
    let ground = baking.ground(kind);
    let samples = nearest.par_iter().flat_map_iter(|&from| {
        let (row, column) = (from as usize / size, from as usize % size);
        let texel = match from {
            fill::BEYOND => ground.as_slice(),
            _ => &rows[row].texels[index][channels * column..channels * (column + 1)],
        };
        texel.iter().copied()
    });
    Map {
        width: baking.size,
        height: baking.size,
        channels: channels as u8,
        data: match baking.depth_of(kind) {
            // Coded for 8 bits, so nothing is cut off.
            Depth::Eight => Samples::Eight(samples.map(|sample| sample as u8).collect()),
            Depth::Sixteen => Samples::Sixteen(samples.collect()),
        },
        srgb: kind == Kind::TagId,
    }
}

fn check(high: &Mesh, low: &Mesh, baking: &Baking<'_>) -> Result<(), OperationError> {
    for (port, mesh) in [("high", high), ("low", low)] {
        if mesh.triangles.is_empty() {
            return Err(OperationError::Unsuitable(format!(
                "the mesh on `{port}` has no triangles"
            )));
        }
    }
    baking.check()?;
    if baking.maps.contains(&Kind::TagId) {
        let colour = |face: usize| {
            high.tag_of(face)
                .and_then(|tag| baking.tags.iter().find(|known| known.name == tag))
        };
        if let Some(face) = (0..high.triangles.len()).find(|&face| colour(face).is_none()) {
            let what = match high.face_tags[face] {
                UNTAGGED => "carries no tag".to_owned(),
                _ => format!(
                    "carries the tag `{}`, which the manifest gives no colour",
                    high.tag_of(face).unwrap_or("?")
                ),
            };
            return Err(OperationError::Unsuitable(format!(
                "face {face} of the high mesh {what}; name every tag of the model under `tags` with its colour"
            )));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
