//! `wear`: convex edges worn down.
//!
//! Vertices move inwards, step by step, wherever the surface bulges more tightly than the wear's radius, until it no longer
//! does or the vertex has gone as far as it may. The radius is the one that takes `depth` off a right-angled edge.
//! Flats and hollows bulge nowhere, so they stay to the bit; bodies rounder than the radius stay too.

use glam::DVec3;
use rayon::prelude::*;

use super::displace::{moved, tag_number};
use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::noise::{Basis, Noise};
use crate::spatial::{Bvh, Fans, fade, others, point, vertex_normals, without_turning};

/// A right-angled edge rounded to radius r recedes by r (sqrt 2 - 1).
const RADIUS_FOR_DEPTH: f64 = 1.0 / (std::f64::consts::SQRT_2 - 1.0);
/// No part recedes by more than this share of its thickness.
const SHARE_OF_THICKNESS: f64 = 0.3;
/// Share of the way to the wanted roundness in one step; below a half, so that neighbours do not overshoot together.
const STEP: f64 = 0.45;
/// Steps at most: it bounds the time where the depth is many edges long.
const MOST_STEPS: usize = 400;

/// What `wear` is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Wearing<'a> {
    /// Greatest distance by which an edge recedes, metres.
    pub depth_m: f64,
    /// 0 to 1: how much noise varies the depth.
    pub breakup: f64,
    /// Of the noise, 1/m.
    pub frequency_per_m: f64,
    /// Of the noise.
    pub seed: u64,
    /// Only faces of this tag.
    pub on: Option<&'a str>,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let wearing = Wearing {
        depth_m: context.number("depth")?,
        breakup: context.number("breakup")?,
        frequency_per_m: context.number("frequency")?,
        seed: context.whole("seed")?,
        on: context.optional_text("on")?,
    };
    Ok(Produced::mesh(wear(context.mesh("mesh")?, &wearing)?))
}

/// Wears convex edges and corners. UVs stay, normals are dropped.
pub fn wear(mesh: &Mesh, wearing: &Wearing<'_>) -> Result<Mesh, OperationError> {
    let tag = tag_number(mesh, wearing.on)?;
    if wearing.depth_m == 0.0 {
        return Ok(mesh.clone());
    }
    // Split vertices bulge nowhere and would part where they move.
    let welded = mesh.clone().welded();
    let mesh = if welded.positions.len() < mesh.positions.len() {
        &welded
    } else {
        mesh
    };
    let before: Vec<DVec3> = mesh.positions.iter().map(|&position| point(position)).collect();
    let fans = Fans::new(&mesh.triangles, before.len());
    let limits = limits(mesh, &before, &fans, tag, wearing);
    let mut after = worn(&before, &mesh.triangles, &fans, &limits, wearing.depth_m);
    without_turning(&before, &mut after, &mesh.triangles);
    Ok(moved(mesh, &before, &after))
}

/// For each vertex how far it may recede.
fn limits(mesh: &Mesh, before: &[DVec3], fans: &Fans, tag: Option<u16>, wearing: &Wearing<'_>) -> Vec<f64> {
    let shares = fade(mesh, before, fans, tag, wearing.depth_m);
    let normals = vertex_normals(before, &mesh.triangles, fans);
    let noise = Noise::new(wearing.seed);
    let bvh = Bvh::new(mesh);
    (0..before.len())
        .into_par_iter()
        .map(|vertex| {
            if shares[vertex] == 0.0 {
                return 0.0;
            }
            let place = before[vertex];
            let height = noise.fractal(Basis::Smooth, place * wearing.frequency_per_m, 4);
            // The values of fractal noise gather around zero: this band holds about nine tenths of them.
            let worn = ((height + 0.3) / 0.6).clamp(0.0, 1.0);
            let depth = wearing.depth_m * shares[vertex] * (1.0 - wearing.breakup * (1.0 - worn));
            let depth = depth * pointedness(vertex, before, &mesh.triangles, fans, normals[vertex]);
            let reach = wearing.depth_m / SHARE_OF_THICKNESS;
            let behind = bvh.first_hit(place, -normals[vertex], reach * 1.0e-6, reach, |hit| !hit.front);
            behind.map_or(depth, |hit| depth.min(hit.distance * SHARE_OF_THICKNESS))
        })
        .collect()
}

/// How much further than a right-angled edge a vertex must recede to be as round: 1 on edges and flats, 1.77 in the
/// corner of a cube. A ball that touches planes at the angle a to the normal leaves r (1 / cos a - 1) above it.
fn pointedness(
    vertex: usize,
    positions: &[DVec3],
    triangles: &[[u32; 3]],
    fans: &Fans,
    normal: DVec3,
) -> f64 {
    let here = positions[vertex];
    let mut angles = 0.0;
    let mut sum = 0.0;
    for &corner in fans.of(vertex) {
        let [b, c] =
            others(corner, triangles).map(|other| (positions[other as usize] - here).normalize_or_zero());
        let cross = b.cross(c);
        let angle = libm::atan2(cross.length(), b.dot(c));
        sum += angle * cross.normalize_or_zero().dot(normal);
        angles += angle;
    }
    if sum <= 0.0 {
        return 1.0;
    }
    (RADIUS_FOR_DEPTH * (angles / sum - 1.0)).clamp(1.0, 1.8)
}

fn worn(before: &[DVec3], triangles: &[[u32; 3]], fans: &Fans, limits: &[f64], depth: f64) -> Vec<DVec3> {
    // Mean curvature of a cylinder of the wear's radius.
    let least_bulge = 0.5 / (depth * RADIUS_FOR_DEPTH);
    let mut positions = before.to_vec();
    let mut receded = vec![0.0; before.len()];
    let mut active: Vec<u32> = (0..before.len() as u32)
        .filter(|&vertex| limits[vertex as usize] > 0.0)
        .collect();
    let mut awake = vec![false; before.len()];
    let still = 1.0e-4 * depth;
    for _ in 0..steps(before, triangles, depth) {
        let moves: Vec<Option<Move>> = active
            .par_iter()
            .map(|&vertex| {
                let vertex = vertex as usize;
                let rest = limits[vertex] - receded[vertex];
                let step = inwards(
                    vertex,
                    &positions,
                    triangles,
                    fans,
                    least_bulge,
                    receded[vertex],
                    rest,
                )?;
                (step.to.distance_squared(positions[vertex]) > still * still).then_some(step)
            })
            .collect();
        let mut next: Vec<u32> = Vec::new();
        let mut wake = |vertex: u32, next: &mut Vec<u32>| {
            if !awake[vertex as usize] && limits[vertex as usize] > 0.0 {
                awake[vertex as usize] = true;
                next.push(vertex);
            }
        };
        for (&vertex, step) in active.iter().zip(&moves) {
            let Some(step) = step else { continue };
            positions[vertex as usize] = step.to;
            receded[vertex as usize] += step.depth;
            wake(vertex, &mut next);
            for &corner in fans.of(vertex as usize) {
                for other in others(corner, triangles) {
                    wake(other, &mut next);
                }
            }
        }
        if next.is_empty() {
            break;
        }
        next.sort_unstable();
        for &vertex in &next {
            awake[vertex as usize] = false;
        }
        active = next;
    }
    positions
}

/// Roundness spreads by about an edge a step, then as the square of the distance.
fn steps(positions: &[DVec3], triangles: &[[u32; 3]], depth: f64) -> usize {
    let mut length = 0.0;
    for &[a, b, c] in triangles {
        let [a, b, c] = [a, b, c].map(|corner| positions[corner as usize]);
        length += a.distance(b) + b.distance(c) + c.distance(a);
    }
    let edge = length / (3.0 * triangles.len() as f64);
    let across = RADIUS_FOR_DEPTH * depth / edge;
    (8.0 + 6.0 * across * across).min(MOST_STEPS as f64) as usize
}

/// One step of one vertex.
struct Move {
    to: DVec3,
    /// How far of it is inwards.
    depth: f64,
}

/// The step of a vertex that has `receded` and may recede by `rest` more; none where it neither bulges more than
/// `least_bulge` nor has receded.
///
/// What has receded also slides towards the middle of its neighbours: an edge that recedes by more than the length
/// of its triangles would otherwise fold over them.
fn inwards(
    vertex: usize,
    positions: &[DVec3],
    triangles: &[[u32; 3]],
    fans: &Fans,
    least_bulge: f64,
    receded: f64,
    rest: f64,
) -> Option<Move> {
    let here = positions[vertex];
    let mut normal = DVec3::ZERO;
    for &corner in fans.of(vertex) {
        let [b, c] = others(corner, triangles).map(|other| positions[other as usize] - here);
        normal += b.cross(c);
    }
    let normal = normal.normalize_or_zero();
    // In the direction of a neighbour at e the surface curves by 2 (e . n) / |e|^2 (Meusnier's theorem, from memory);
    // what is sought is the step along the normal after which the mean over the neighbours is the allowed one.
    let mut height = 0.0;
    let mut weights = 0.0;
    let mut middle = DVec3::ZERO;
    let mut lengths = 0.0;
    for &corner in fans.of(vertex) {
        let [other, _] = others(corner, triangles);
        let edge = positions[other as usize] - here;
        let squared = edge.length_squared();
        if squared == 0.0 {
            continue;
        }
        let length = squared.sqrt();
        height -= (edge.dot(normal) + 0.5 * squared * least_bulge) / length;
        weights += 1.0 / length;
        middle += edge;
        lengths += length;
    }
    let depth = if height > 0.0 {
        (STEP * height / weights).min(rest)
    } else {
        0.0
    };
    if weights == 0.0 || (depth <= 0.0 && receded <= 0.0) {
        return None;
    }
    let count = fans.of(vertex).len() as f64;
    let middle = middle / count;
    let along = middle - normal * normal.dot(middle);
    // Full where it has receded by half an edge; edges that hardly wear stay sharp and in their line.
    let slide = STEP * (2.0 * receded * count / lengths).min(1.0);
    Some(Move {
        to: here - normal * depth + along * slide,
        depth,
    })
}

#[cfg(test)]
mod tests;
