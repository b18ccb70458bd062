//! `bake`: maps of a high mesh on the UVs of a low one.
//!
//! - `cover`: which triangle of the low mesh covers which sample of the map.
//! - `project`: from a point of the low surface to the high one: a ray within the cage, then the nearest point.
//! - `curvature`: mean curvature of the high mesh at its vertices.
//! - `directions`: cosine-weighted directions for occlusion.
//! - `fill`: what lies outside the charts.
//!
//! One projection for each sample serves all maps. Rows of the map are independent of each other, so the bytes do not
//! depend on the number of threads.

mod cover;
mod curvature;
mod directions;
mod fill;
mod project;

use glam::DVec3;
use rayon::prelude::*;
use tidemill_ops::TagColor;

use self::cover::Cover;
use self::project::Projector;
use super::{Context, OperationError, Produced};
use crate::map::Samples;
use crate::mesh::UNTAGGED;
use crate::spatial::Bvh;
use crate::{Map, Mesh};

/// Samples along each side of a texel.
const SIDE: usize = 2;
const SAMPLES: usize = SIDE * SIDE;
/// Share of the bounding box's diagonal that the cage has where none is given.
const CAGE_SHARE: f64 = 0.02;

/// One map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The colours of the tags, never blended.
    TagId,
    /// Signed mean curvature; mid-grey is flat, convex is bright.
    Curvature,
    /// Share of the sky that is seen, cosine-weighted; white is open.
    Occlusion,
}

impl Kind {
    fn of(name: &str) -> Option<Self> {
        match name {
            "tag-id" => Some(Self::TagId),
            "curvature" => Some(Self::Curvature),
            "occlusion" => Some(Self::Occlusion),
            _ => None,
        }
    }
}

/// What `bake` is asked for.
#[derive(Debug, Clone)]
pub struct Baking<'a> {
    /// In order of the answer.
    pub maps: Vec<Kind>,
    /// Side of each map, texels.
    pub size: u32,
    /// How far from the low surface the high one is looked for, metres; none: 2 % of the diagonal.
    pub cage_m: Option<f64>,
    /// Curvature of this radius is full black or white, metres.
    pub radius_m: f64,
    /// Length of occlusion rays, metres; none: a quarter of the diagonal.
    pub distance_m: Option<f64>,
    /// Colours of the tags in the ID map.
    pub tags: &'a [TagColor],
}

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
    let maps = names
        .iter()
        .map(|name| {
            Kind::of(name).ok_or_else(|| OperationError::Unsuitable(format!("`bake` makes no map `{name}`")))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let baking = Baking {
        maps,
        size: context.whole("size")?.min(u64::from(u32::MAX)) as u32,
        cage_m: context.optional_number("cage")?,
        radius_m: context.number("radius")?,
        distance_m: context.optional_number("distance")?,
        tags: context.tags,
    };
    let baked = bake(context.mesh("high")?, context.mesh("low")?, &baking)?;
    let mut produced = Produced::default()
        .with_figure("samples", baked.samples as f64)
        .with_figure("missed", baked.missed as f64);
    for (name, map) in names.iter().zip(baked.maps) {
        produced = produced.with_map(name, map);
    }
    Ok(produced)
}

/// Projects `high` onto the UVs of `low`.
pub fn bake(high: &Mesh, low: &Mesh, baking: &Baking<'_>) -> Result<Baked, OperationError> {
    check(high, low, baking)?;
    let size = baking.size as usize;
    let cover = Cover::of(low, size * SIDE).ok_or_else(|| {
        OperationError::Unsuitable("the low mesh has no UVs; put `unwrap` before `bake`".to_owned())
    })?;
    let bvh = Bvh::new(high);
    let diagonal = high.bounds().map_or(0.0, |bounds| f64::from(bounds.diagonal()));
    let cage = baking.cage_m.unwrap_or(CAGE_SHARE * diagonal);
    let projector = Projector::new(low, &bvh, high, cage);
    let scene = Scene::new(high, &bvh, baking, diagonal);
    let rows: Vec<Row> = (0..size)
        .into_par_iter()
        .map(|row| bake_row(row, size, &cover, &projector, &scene, baking))
        .collect();
    let covered: Vec<bool> = rows.iter().flat_map(|row| row.covered.iter().copied()).collect();
    if !covered.contains(&true) {
        return Err(OperationError::Unsuitable(
            "the UVs of the low mesh cover no texel; they must lie between 0 and 1 and have area".to_owned(),
        ));
    }
    let nearest = fill::nearest_covered(&covered, size);
    let maps = baking
        .maps
        .iter()
        .enumerate()
        .map(|(index, kind)| {
            let channels = if *kind == Kind::TagId { 3 } else { 1 };
            let texels: Vec<u8> = rows
                .iter()
                .flat_map(|row| row.texels[index].iter().copied())
                .collect();
            let filled = nearest
                .iter()
                .flat_map(|&from| {
                    texels[from as usize * channels..(from as usize + 1) * channels]
                        .iter()
                        .copied()
                })
                .collect();
            Map {
                width: baking.size,
                height: baking.size,
                channels: channels as u8,
                data: Samples::Eight(filled),
                srgb: *kind == Kind::TagId,
            }
        })
        .collect();
    Ok(Baked {
        maps,
        samples: rows.iter().map(|row| row.samples).sum(),
        missed: rows.iter().map(|row| row.missed).sum(),
    })
}

fn check(high: &Mesh, low: &Mesh, baking: &Baking<'_>) -> Result<(), OperationError> {
    for (port, mesh) in [("high", high), ("low", low)] {
        if mesh.triangles.is_empty() {
            return Err(OperationError::Unsuitable(format!(
                "the mesh on `{port}` has no triangles"
            )));
        }
    }
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

/// What the maps need to know of the high mesh, worked out once.
struct Scene<'a> {
    bvh: &'a Bvh,
    high: &'a Mesh,
    /// For each tag of the high mesh its colour; empty where no map needs it.
    colours: Vec<[u8; 3]>,
    /// At each vertex, 1/m; empty where no map needs it.
    curvatures: Vec<f64>,
    /// Length of an occlusion ray and the start's distance from the surface, metres.
    reach: f64,
    lift: f64,
}

impl<'a> Scene<'a> {
    fn new(high: &'a Mesh, bvh: &'a Bvh, baking: &Baking<'_>, diagonal: f64) -> Self {
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
        let curvatures = if baking.maps.contains(&Kind::Curvature) {
            curvature::at_vertices(high)
        } else {
            Vec::new()
        };
        let reach = baking.distance_m.unwrap_or(0.25 * diagonal);
        Self {
            bvh,
            high,
            colours,
            curvatures,
            reach,
            lift: 1.0e-5 * diagonal,
        }
    }
}

/// One row of texels.
struct Row {
    covered: Vec<bool>,
    /// For each map its samples.
    texels: Vec<Vec<u8>>,
    samples: u64,
    missed: u64,
}

/// What one sample met on the high mesh.
#[derive(Clone, Copy)]
struct Met {
    triangle: u32,
    weights: [f64; 3],
    /// Normal of the low surface: the side that is looked at.
    outwards: DVec3,
}

fn bake_row(
    row: usize,
    size: usize,
    cover: &Cover,
    projector: &Projector<'_>,
    scene: &Scene<'_>,
    baking: &Baking<'_>,
) -> Row {
    let mut answer = Row {
        covered: vec![false; size],
        texels: baking
            .maps
            .iter()
            .map(|kind| vec![0; size * if *kind == Kind::TagId { 3 } else { 1 }])
            .collect(),
        samples: 0,
        missed: 0,
    };
    for column in 0..size {
        let mut met = [None; SAMPLES];
        for (sample, slot) in met.iter_mut().enumerate() {
            let (x, y) = (column * SIDE + sample % SIDE, row * SIDE + sample / SIDE);
            let Some((triangle, weights)) = cover.at(x, y) else {
                continue;
            };
            let projected = projector.project(triangle, weights);
            answer.samples += 1;
            answer.missed += u64::from(projected.missed);
            *slot = Some(Met {
                triangle: projected.triangle,
                weights: projected.weights,
                outwards: projected.outwards,
            });
        }
        let met: Vec<Met> = met.into_iter().flatten().collect();
        if met.is_empty() {
            continue;
        }
        answer.covered[column] = true;
        for (map, kind) in baking.maps.iter().enumerate() {
            match kind {
                Kind::TagId => {
                    answer.texels[map][3 * column..3 * column + 3].copy_from_slice(&majority(&met, scene));
                }
                Kind::Curvature => {
                    let mean = met.iter().map(|met| curvature_at(met, scene)).sum::<f64>() / met.len() as f64;
                    answer.texels[map][column] = curvature_byte(mean, baking.radius_m);
                }
                Kind::Occlusion => {
                    let open = met
                        .iter()
                        .enumerate()
                        .map(|(index, met)| {
                            directions::open_share(met, scene, (row * size + column) * SAMPLES + index)
                        })
                        .sum::<f64>()
                        / met.len() as f64;
                    answer.texels[map][column] = byte(open);
                }
            }
        }
    }
    answer
}

/// The colour of the tag that most samples met; of equals the one met first.
fn majority(met: &[Met], scene: &Scene<'_>) -> [u8; 3] {
    let tag = |met: &Met| scene.high.face_tags[met.triangle as usize];
    let votes = |met_by: &Met| met.iter().filter(|other| tag(other) == tag(met_by)).count();
    let mut best = &met[0];
    for candidate in &met[1..] {
        if votes(candidate) > votes(best) {
            best = candidate;
        }
    }
    scene.colours[usize::from(tag(best))]
}

fn curvature_at(met: &Met, scene: &Scene<'_>) -> f64 {
    let corners = scene.high.triangles[met.triangle as usize];
    corners
        .iter()
        .zip(met.weights)
        .map(|(&corner, weight)| scene.curvatures[corner as usize] * weight)
        .sum()
}

/// 128 is flat; 1 / radius is 255, convex; -1 / radius is 1.
fn curvature_byte(curvature: f64, radius: f64) -> u8 {
    (128.0 + 127.0 * (curvature * radius).clamp(-1.0, 1.0)).round() as u8
}

/// 0..=1 as a byte.
fn byte(share: f64) -> u8 {
    (255.0 * share.clamp(0.0, 1.0)).round() as u8
}

#[cfg(test)]
mod tests;
