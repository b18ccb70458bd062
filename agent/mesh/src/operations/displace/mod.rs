//! `displace`: fractal noise along the normals.

use glam::DVec3;
use rayon::prelude::*;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::noise::Noise;
use crate::spatial::{Fans, fade, point, vertex_normals, without_turning};

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
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let displacement = Displacement {
        amplitude_m: context.number("amplitude")?,
        frequency_per_m: context.number("frequency")?,
        octaves: context.whole("octaves")?.min(32) as u32,
        seed: context.whole("seed")?,
        on: context.optional_text("on")?,
    };
    Ok(Produced::mesh(displace(context.mesh("mesh")?, &displacement)?))
}

/// Moves every vertex of the tag along its normal by noise of its place; none by more than the amplitude.
///
/// It fades out towards the tag's border, within the lesser of four amplitudes and a quarter of the noise's wavelength, so no
/// crack opens there. UVs stay, normals are dropped.
pub fn displace(mesh: &Mesh, displacement: &Displacement<'_>) -> Result<Mesh, OperationError> {
    let tag = tag_number(mesh, displacement.on)?;
    let noise = Noise::new(displacement.seed);
    let before: Vec<DVec3> = mesh.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&mesh.triangles, before.len());
    let normals = vertex_normals(&before, &mesh.triangles, &fans);
    let width = (4.0 * displacement.amplitude_m).min(0.25 / displacement.frequency_per_m);
    let shares = fade(mesh, &before, &fans, tag, width);
    let mut after: Vec<DVec3> = (0..before.len())
        .into_par_iter()
        .map(|vertex| {
            if shares[vertex] == 0.0 {
                return before[vertex];
            }
            let height = noise.fractal(
                before[vertex] * displacement.frequency_per_m,
                displacement.octaves,
            );
            before[vertex] + normals[vertex] * (displacement.amplitude_m * shares[vertex] * height)
        })
        .collect();
    without_turning(&before, &mut after, &mesh.triangles);
    Ok(moved(mesh, &before, &after))
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
