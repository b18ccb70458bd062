//! `pack`: the charts of several meshes on one set of maps.
//!
//! - `charts`: what may be moved in the map by itself.
//! - `mask`: shapes as bits in a grid of cells.
//! - `place`: a place for every chart, at one texel density.
//! - `draw`: the maps anew, each texel from the place of the old map that it shows.
//! - `sample`: what a map shows around a place.

mod charts;
mod draw;
mod mask;
mod place;
mod sample;

use std::sync::Arc;

use rayon::prelude::*;

use self::charts::{Chart, charts_of};
use self::draw::{Layer, Piece, Pieces, Row};
use self::place::{Placed, place};
pub use self::sample::Filter;
use self::sample::Sampler;
use super::bake::fill::nearest_covered;
use super::{Context, OperationError, Produced};
use crate::map::Samples;
use crate::model::{Model, Part};
use crate::value::{Gathered, Value};
use crate::{Map, Mesh};

/// Ports of maps, and how each is mixed.
const MAPS: [(&str, Filter); 10] = [
    ("color", Filter::Light),
    ("normal", Filter::Direction),
    ("occlusion", Filter::Mixed),
    ("roughness-metal", Filter::Mixed),
    ("tag-id", Filter::Nearest),
    ("curvature", Filter::Mixed),
    ("position", Filter::Mixed),
    ("height", Filter::Mixed),
    ("thickness", Filter::Mixed),
    ("packed", Filter::Mixed),
];

/// What `pack` is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Packing<'a> {
    /// Side of the maps, texels.
    pub size_px: u32,
    /// Least distance between two charts, texels.
    pub padding_px: u32,
    /// Texels along a metre of these tags beside those of the others; tags that are not named have 1.
    pub density: &'a [(&'a str, f64)],
    /// Tags whose faces keep their UVs and get no place.
    pub keep: &'a [&'a str],
    /// Metres between two meshes, which stand in a row.
    pub apart_m: f64,
}

/// One mesh with its maps.
#[derive(Debug, Clone)]
pub struct Source<'a> {
    /// The variant's name, and that of its node.
    pub label: &'a str,
    /// With UVs.
    pub mesh: &'a Mesh,
    /// One for each kind, in one order for all sources.
    pub maps: Vec<&'a Map>,
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Packed {
    /// A node for each source, all with UVs on the new maps.
    pub model: Model,
    /// One for each kind.
    pub maps: Vec<Map>,
    /// Parts of the surfaces that lie in one piece in the map.
    pub charts: usize,
    /// Texels along a metre of the surface; of tags with a factor of their own so many times that.
    pub texels_per_m: f64,
    /// Share of the map inside charts.
    pub coverage: f64,
    /// New texels along one texel of the first kind of map, of the chart that lost most; none without maps.
    pub least_scale: Option<f64>,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let density = context.tag_numbers("density")?;
    let keep = context.optional_words("keep")?;
    let packing = Packing {
        size_px: context.whole("size")?.min(u64::from(u16::MAX)) as u32,
        padding_px: context.whole("padding")?.min(u64::from(u16::MAX)) as u32,
        density: &density,
        keep: &keep,
        apart_m: context.number("apart")?,
    };
    let mut kinds = Vec::new();
    let mut gathered = Vec::new();
    for (port, filter) in MAPS {
        if let Some(maps) = context.gathered(port)? {
            kinds.push((port, filter));
            gathered.push(maps.as_ref());
        }
    }
    let meshes = context
        .gathered("meshes")?
        .ok_or_else(|| OperationError::InputMissing {
            port: "meshes".to_owned(),
        })?;
    let (sources, left_out) = sources(meshes, &kinds, &gathered)?;
    let packed = pack(&sources, &kinds, &packing)?;
    let mut produced = Produced::model(packed.model)
        .with_figure("packed", sources.len() as f64)
        .with_figure("left_out", left_out as f64)
        .with_figure("charts", packed.charts as f64)
        .with_figure("coverage", packed.coverage)
        .with_figure("texels_per_m", packed.texels_per_m);
    if let Some(scale) = packed.least_scale {
        produced = produced.with_figure("least_texels_per_old_texel", scale);
    }
    for ((port, _), map) in kinds.iter().zip(packed.maps) {
        produced = produced.with_map(port, map);
    }
    Ok(produced)
}

/// The variants of which everything is there, and how many are left out because something is missing.
fn sources<'a>(
    meshes: &'a Gathered,
    kinds: &[(&str, Filter)],
    gathered: &[&'a Gathered],
) -> Result<(Vec<Source<'a>>, usize), OperationError> {
    let mut left_out = meshes.missing.len();
    let mut sources = Vec::new();
    for item in &meshes.present {
        let mesh: &Mesh = match &item.value {
            Value::Mesh(mesh) => mesh,
            Value::Model(model) => &model.whole,
            _ => {
                return Err(OperationError::InputType {
                    port: "meshes".to_owned(),
                    expected: "meshes only",
                });
            }
        };
        let mut maps = Vec::with_capacity(kinds.len());
        let mut is_gap = false;
        for (&(port, _), gathered) in kinds.iter().zip(gathered) {
            let found = gathered.present.iter().find(|map| map.position == item.position);
            match found.map(|found| &found.value) {
                Some(Value::Map(map)) => maps.push(map.as_ref()),
                Some(_) => {
                    return Err(OperationError::InputType {
                        port: port.to_owned(),
                        expected: "maps only",
                    });
                }
                None if gathered
                    .missing
                    .iter()
                    .any(|(position, _)| *position == item.position) =>
                {
                    is_gap = true
                }
                None => {
                    return Err(OperationError::Unsuitable(format!(
                        "`{}` has a mesh, but no map on `{port}`; gather both from steps that work on each variant",
                        item.label
                    )));
                }
            }
        }
        if is_gap {
            left_out += 1;
        } else {
            sources.push(Source {
                label: &item.label,
                mesh,
                maps,
            });
        }
    }
    Ok((sources, left_out))
}

/// Gives the charts of all meshes places on one map, all with the same number of texels along a metre (times the factor of their
/// tag), and draws the maps of each kind anew.
///
/// Charts are moved and scaled, never turned. Positions, triangles, tags and normals stay. `kinds` names the maps of the sources and
/// says how they are mixed. The same input gives the same bytes on any number of threads. An error says which mesh or map does not
/// suit, or that the charts do not fit.
pub fn pack(
    sources: &[Source<'_>],
    kinds: &[(&str, Filter)],
    packing: &Packing<'_>,
) -> Result<Packed, OperationError> {
    check_tags(sources, packing)?;
    let layers = layers(sources, kinds)?;
    let mut charts: Vec<Chart> = Vec::new();
    for (number, source) in sources.iter().enumerate() {
        charts.extend(charts_of_source(number, source, packing)?);
    }
    if charts.is_empty() {
        return Err(OperationError::Unsuitable(
            "there is nothing to pack; give it `meshes` that gather at least one variant with UVs".to_owned(),
        ));
    }
    let (size, padding) = (packing.size_px as usize, packing.padding_px as usize);
    let meshes: Vec<&Mesh> = sources.iter().map(|source| source.mesh).collect();
    let placed = place(&charts, &meshes, size, padding).ok_or_else(|| {
        OperationError::Unsuitable(format!(
            "{} charts with {padding} px between them do not fit into one map of {size} px; use a larger size, less padding, or smaller groups",
            charts.len()
        ))
    })?;
    let texels_in_charts: f64 = charts
        .iter()
        .map(|chart| {
            let density = placed.texels_per_m * chart.factor;
            chart.area_m2 * density * density
        })
        .sum();
    let least_scale = layers.first().map(|layer| {
        charts
            .iter()
            .map(|chart| {
                let map = layer.maps[chart.source];
                placed.scale(chart) / f64::from(map.width.max(map.height))
            })
            .fold(f64::INFINITY, f64::min)
    });
    Ok(Packed {
        maps: draw_maps(&charts, &placed, &meshes, &layers, size)?,
        model: model(sources, &charts, &placed, packing)?,
        charts: charts.len(),
        texels_per_m: placed.texels_per_m,
        coverage: texels_in_charts / (size as f64 * size as f64),
        least_scale,
    })
}

/// A tag that no mesh carries is a slip of the pen.
fn check_tags(sources: &[Source<'_>], packing: &Packing<'_>) -> Result<(), OperationError> {
    for &(name, _) in packing.density {
        if packing.keep.contains(&name) {
            return Err(OperationError::Unsuitable(format!(
                "`{name}` stands in `density` and in `keep`; UVs that are kept have the texel density that they have, so take it out of one of them"
            )));
        }
    }
    let named = packing
        .density
        .iter()
        .map(|(name, _)| *name)
        .chain(packing.keep.iter().copied());
    for name in named {
        let carried = sources.iter().any(|source| {
            let tag = source.mesh.tag_index(name);
            tag.is_some_and(|tag| source.mesh.face_tags.contains(&tag))
        });
        if !carried {
            let mut present: Vec<&str> = sources
                .iter()
                .flat_map(|source| source.mesh.tags.iter().map(String::as_str))
                .collect();
            present.sort_unstable();
            present.dedup();
            return Err(OperationError::TagAbsent {
                tag: name.to_owned(),
                present: if present.is_empty() {
                    "none".to_owned()
                } else {
                    present.join(", ")
                },
            });
        }
    }
    Ok(())
}

/// The maps of each kind, alike in everything but size.
fn layers<'a>(sources: &[Source<'a>], kinds: &[(&str, Filter)]) -> Result<Vec<Layer<'a>>, OperationError> {
    let mut layers = Vec::with_capacity(kinds.len());
    for (index, &(port, filter)) in kinds.iter().enumerate() {
        let maps: Vec<&Map> = sources
            .iter()
            .filter_map(|source| source.maps.get(index).copied())
            .collect();
        let form = |map: &Map| (map.channels, map.data.bit_depth(), map.srgb);
        for (source, map) in sources.iter().zip(&maps) {
            if form(map) != form(maps[0]) {
                let words = |map: &Map| {
                    format!(
                        "{} channels of {} bits{}",
                        map.channels,
                        map.data.bit_depth(),
                        if map.srgb { " in sRGB" } else { "" }
                    )
                };
                return Err(OperationError::Unsuitable(format!(
                    "the maps on `{port}` differ: that of `{}` has {}, that of `{}` has {}; bake them alike",
                    sources[0].label,
                    words(maps[0]),
                    source.label,
                    words(map)
                )));
            }
        }
        if filter == Filter::Direction && maps.first().is_some_and(|map| map.channels < 3) {
            return Err(OperationError::Unsuitable(format!(
                "the maps on `{port}` have fewer than three channels, and a direction takes three"
            )));
        }
        layers.push(Layer { filter, maps });
    }
    Ok(layers)
}

fn charts_of_source(
    number: usize,
    source: &Source<'_>,
    packing: &Packing<'_>,
) -> Result<Vec<Chart>, OperationError> {
    let mesh = source.mesh;
    let factor = |face: usize| {
        let tag = mesh.tag_of(face);
        if tag.is_some_and(|tag| packing.keep.contains(&tag)) {
            return None;
        }
        let named = packing.density.iter().find(|(name, _)| Some(*name) == tag);
        Some(named.map_or(1.0, |(_, factor)| *factor))
    };
    let lacking = (0..mesh.triangles.len())
        .filter(|&face| factor(face).is_some() && !mesh.has_uv(face))
        .count();
    if lacking > 0 {
        return Err(OperationError::Unsuitable(format!(
            "{lacking} of {} faces of `{}` have no UVs; put `unwrap` before its maps are baked",
            mesh.triangles.len(),
            source.label
        )));
    }
    let charts = charts_of(number, mesh, factor);
    let has_faces = (0..mesh.triangles.len()).any(|face| factor(face).is_some());
    if charts.is_empty() && has_faces {
        return Err(OperationError::Unsuitable(format!(
            "the UVs of `{}` have no area; unwrap it anew",
            source.label
        )));
    }
    Ok(charts)
}

fn draw_maps(
    charts: &[Chart],
    placed: &Placed,
    meshes: &[&Mesh],
    layers: &[Layer<'_>],
    size: usize,
) -> Result<Vec<Map>, OperationError> {
    let samplers: Vec<Sampler<'_>> = layers.iter().map(Sampler::new).collect();
    let mut channels = Vec::with_capacity(layers.len());
    for layer in layers {
        let first = layer.maps.first().ok_or_else(|| {
            OperationError::Unsuitable("a kind of map was gathered, but none of it is there".to_owned())
        })?;
        channels.push(usize::from(first.channels));
    }
    if layers.is_empty() {
        return Ok(Vec::new());
    }
    let mut pieces = Vec::new();
    for (chart, &at) in charts.iter().zip(&placed.at) {
        let scale = placed.scale(chart);
        let Some(uvs) = &meshes[chart.source].uvs else {
            continue;
        };
        pieces.extend(chart.faces.iter().map(|&face| Piece {
            source: chart.source,
            corners: uvs[face as usize].map(|uv| moved(uv, chart, at, scale)),
            at,
            least: chart.least,
            scale,
        }));
    }
    let pieces = Pieces::new(pieces, size);
    let rows: Vec<Row> = (0..size)
        .into_par_iter()
        .map(|row| pieces.draw(row, &samplers, &channels))
        .collect();
    let covered: Vec<bool> = rows.iter().flat_map(|row| row.covered.iter().copied()).collect();
    let nearest = nearest_covered(&covered, size);
    let maps = layers
        .iter()
        .zip(channels)
        .enumerate()
        .map(|(index, (layer, channels))| {
            let samples = nearest.par_iter().flat_map_iter(|&from| {
                let (row, column) = (from as usize / size, from as usize % size);
                rows[row].texels[index][channels * column..channels * (column + 1)]
                    .iter()
                    .copied()
            });
            Map {
                width: size as u32,
                height: size as u32,
                channels: channels as u8,
                data: match layer.maps[0].data {
                    // Coded for 8 bits, so nothing is cut off.
                    Samples::Eight(_) => Samples::Eight(samples.map(|sample| sample as u8).collect()),
                    Samples::Sixteen(_) => Samples::Sixteen(samples.collect()),
                },
                srgb: layer.maps[0].srgb || layer.filter == Filter::Light,
            }
        });
    Ok(maps.collect())
}

/// An old UV in texels of the new map.
fn moved(uv: [f32; 2], chart: &Chart, at: [f64; 2], scale: f64) -> [f64; 2] {
    [0, 1].map(|axis| at[axis] + (f64::from(uv[axis]) - chart.least[axis]) * scale)
}

/// The meshes in a row along +X, in order, each about its own origin.
fn model(
    sources: &[Source<'_>],
    charts: &[Chart],
    placed: &Placed,
    packing: &Packing<'_>,
) -> Result<Model, OperationError> {
    let mut uvs: Vec<Vec<[[f32; 2]; 3]>> = sources
        .iter()
        .map(|source| source.mesh.uvs.clone().unwrap_or_default())
        .collect();
    for (chart, &at) in charts.iter().zip(&placed.at) {
        let scale = placed.scale(chart);
        for &face in &chart.faces {
            let corners = &mut uvs[chart.source][face as usize];
            *corners = corners.map(|uv| {
                moved(uv, chart, at, scale).map(|texels| (texels / f64::from(packing.size_px)) as f32)
            });
        }
    }
    let mut next_x: Option<f64> = None;
    let parts = sources
        .iter()
        .zip(uvs)
        .map(|(source, uvs)| {
            let (least, most) = source.mesh.bounds().map_or((0.0, 0.0), |bounds| {
                (f64::from(bounds.least[0]), f64::from(bounds.most[0]))
            });
            let x = next_x.map_or(0.0, |next_x| next_x - least);
            next_x = Some(x + most + packing.apart_m);
            Part {
                name: source.label.to_owned(),
                mesh: Arc::new(Mesh {
                    uvs: Some(uvs),
                    ..source.mesh.clone()
                }),
                at: [x as f32, 0.0, 0.0],
            }
        })
        .collect();
    Model::of_parts(parts).ok_or_else(|| {
        OperationError::Unsuitable(
            "the meshes have more tags or vertices than one file can hold; use smaller groups".to_owned(),
        )
    })
}

#[cfg(test)]
mod tests;
