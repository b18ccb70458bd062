//! `displace`: fractal noise along the normals.

use glam::DVec3;
use rayon::prelude::*;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::noise::{Basis, Noise};
use crate::spatial::{Fans, curvature, fade, others, point, vertex_normals, without_turning};

/// What `displace` is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Displacement<'a> {
    /// Greatest displacement to either side, metres.
    pub amplitude_m: f64,
    /// Of the first octave, 1/m.
    pub frequency_per_m: f64,
    /// At least 1.
    pub octaves: u32,
    /// Of the noise.
    pub seed: u64,
    /// Only faces of this tag.
    pub on: Option<&'a str>,
    /// What the noise is made of.
    pub basis: Basis,
    /// Only where the surface bends so.
    pub mask: Mask,
}

/// A share of the displacement that goes by how the surface bends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mask {
    /// Where there is all of it.
    pub bent: Bent,
    /// From this mean curvature on, 1/m, a place counts as bent in full.
    pub curvature_per_m: f64,
}

/// How a surface bends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bent {
    /// Anyhow: there is no mask.
    Any,
    /// Outwards, as edges and bosses do.
    Out,
    /// Inwards, as corners and hollows do.
    In,
    /// Hardly at all.
    Flat,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let displacement = Displacement {
        amplitude_m: context.number("amplitude")?,
        frequency_per_m: context.number("frequency")?,
        octaves: context.whole("octaves")?.min(32) as u32,
        seed: context.whole("seed")?,
        on: context.optional_text("on")?,
        basis: match context.optional_text("basis")? {
            Some("ridges") => Basis::Ridges,
            Some("lumps") => Basis::Lumps,
            Some("cells") => Basis::Cells,
            _ => Basis::Smooth,
        },
        mask: Mask {
            bent: match context.optional_text("bent")? {
                Some("out") => Bent::Out,
                Some("in") => Bent::In,
                Some("flat") => Bent::Flat,
                _ => Bent::Any,
            },
            curvature_per_m: context.number("curvature")?,
        },
    };
    Ok(Produced::mesh(displace(context.mesh("mesh")?, &displacement)?))
}

/// Moves every vertex of the tag along its normal by noise of its place; none by more than the amplitude.
///
/// It fades out towards the tag's border, within the lesser of four amplitudes and a quarter of the noise's wavelength, so no
/// crack opens there. UVs stay, normals are dropped.
pub fn displace(mesh: &Mesh, displacement: &Displacement<'_>) -> Result<Mesh, OperationError> {
    let tag = tag_number(mesh, displacement.on)?;
    // Split vertices would part where their normals differ.
    let welded = mesh.clone().welded();
    let mesh = if welded.positions.len() < mesh.positions.len() {
        &welded
    } else {
        mesh
    };
    let noise = Noise::new(displacement.seed);
    let before: Vec<DVec3> = mesh.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&mesh.triangles, before.len());
    let normals = vertex_normals(&before, &mesh.triangles, &fans);
    let width = (4.0 * displacement.amplitude_m).min(0.25 / displacement.frequency_per_m);
    let mut shares = fade(mesh, &before, &fans, tag, width);
    if displacement.mask.bent != Bent::Any {
        let masked = masked(mesh, &fans, displacement.mask);
        shares
            .iter_mut()
            .zip(masked)
            .for_each(|(share, masked)| *share *= masked);
    }
    let mut after: Vec<DVec3> = (0..before.len())
        .into_par_iter()
        .map(|vertex| {
            if shares[vertex] == 0.0 {
                return before[vertex];
            }
            let height = noise.fractal(
                displacement.basis,
                before[vertex] * displacement.frequency_per_m,
                displacement.octaves,
            );
            before[vertex] + normals[vertex] * (displacement.amplitude_m * shares[vertex] * height)
        })
        .collect();
    without_turning(&before, &mut after, &mesh.triangles);
    Ok(moved(mesh, &before, &after))
}

/// Rounds in which each vertex takes the mean of itself and those around it: curvature at a single vertex is as rough as the
/// surface.
const SMOOTHING_ROUNDS: usize = 4;

/// 0 to 1 for each vertex.
fn masked(mesh: &Mesh, fans: &Fans, mask: Mask) -> Vec<f64> {
    let mut curvatures = curvature::at_vertices(mesh);
    for _ in 0..SMOOTHING_ROUNDS {
        curvatures = (0..curvatures.len())
            .into_par_iter()
            .map(|vertex| {
                let mut sum = curvatures[vertex];
                let mut count = 1.0;
                for corner in fans.of(vertex) {
                    for other in others(*corner, &mesh.triangles) {
                        sum += curvatures[other as usize];
                        count += 1.0;
                    }
                }
                sum / count
            })
            .collect();
    }
    let share = |bending: f64| {
        let t = (bending / mask.curvature_per_m).clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    };
    let of = |curvature: f64| match mask.bent {
        Bent::Any => 1.0,
        Bent::Out => share(curvature),
        Bent::In => share(-curvature),
        Bent::Flat => 1.0 - share(curvature.abs()),
    };
    curvatures.into_iter().map(of).collect()
}

/// The mesh with other positions; those that did not move keep their bits.
pub(super) fn moved(mesh: &Mesh, before: &[DVec3], after: &[DVec3]) -> Mesh {
    let positions = mesh
        .positions
        .iter()
        .zip(before.iter().zip(after))
        .map(|(&stored, (before, after))| {
            if before == after {
                stored
            } else {
                after.as_vec3().to_array()
            }
        })
        .collect();
    Mesh {
        positions,
        normals: None,
        ..mesh.clone()
    }
}

/// The number of a tag that at least one face carries.
pub(super) fn tag_number(mesh: &Mesh, name: Option<&str>) -> Result<Option<u16>, OperationError> {
    let Some(name) = name else { return Ok(None) };
    match mesh.tag_index(name) {
        Some(tag) if mesh.face_tags.contains(&tag) => Ok(Some(tag)),
        _ => Err(OperationError::TagAbsent {
            tag: name.to_owned(),
            present: match mesh.tags.as_slice() {
                [] => "none".to_owned(),
                tags => tags.join(", "),
            },
        }),
    }
}

#[cfg(test)]
mod tests;
