//! Evens the triangles out within their surface, and gives them their tags.
//!
//! Vertices on smooth parts move towards the middle of their neighbours along the surface and are put back onto the
//! input; creases and corners stay, or are rounded. A vertex that would turn a triangle over stays too.

use glam::DVec3;
use rayon::prelude::*;

use super::Edges;
use super::surface::{Surface, UNKNOWN};
use crate::Mesh;
use crate::mesh::UNTAGGED;
use crate::spatial::{Bvh, Fans, closest_on_triangle, others, point};

const ROUNDS: usize = 3;
/// Share of the way to the middle of the neighbours in one round.
const STEP: f64 = 0.5;

/// Where creases are rounded: a turn of a right angle then spreads over about three faces.
const ROUNDING_ROUNDS: usize = 6;
/// How many vertices to either side of a crease are rounded with it.
const ROUNDED_RINGS: usize = 2;
/// No vertex is rounded away from where its cell had it by more than this, in voxels.
const MOST_ROUNDING: f64 = 0.5;

pub(super) fn relaxed(surface: Surface, input: &Mesh, voxel: f64, edges: Edges) -> Mesh {
    let bvh = Bvh::new(input);
    let Surface {
        mut positions,
        ranks,
        triangles,
        source,
    } = surface;
    let fans = Fans::new(&triangles, positions.len());
    let is_rounded = match edges {
        Edges::Keep => vec![false; positions.len()],
        Edges::Round => near_creases(&ranks, &fans, &triangles),
    };
    let start = if edges == Edges::Round {
        positions.clone()
    } else {
        Vec::new()
    };
    let rounds = match edges {
        Edges::Keep => ROUNDS,
        Edges::Round => ROUNDING_ROUNDS,
    };
    for round in 0..rounds {
        let moved: Vec<DVec3> = (0..positions.len())
            .into_par_iter()
            .map(|vertex| {
                let fan = fans.of(vertex);
                let here = positions[vertex];
                if is_rounded[vertex] {
                    let wanted = here + step_to_middle(here, fan, &positions, &triangles);
                    let from = start[vertex];
                    let there = from + (wanted - from).clamp_length_max(MOST_ROUNDING * voxel);
                    let turns = !keeps_sides(here, there, fan, &positions, &triangles);
                    return if turns { here } else { there };
                }
                let target = if ranks[vertex] == 1 {
                    here + step_along_surface(here, fan, &positions, &triangles)
                } else if round == 0 {
                    // Creases are exact, except where the cell was too small to hold theirs.
                    here
                } else {
                    return here;
                };
                match bvh.nearest(target, 0.5 * voxel) {
                    Some(nearest) if keeps_sides(here, nearest.point, fan, &positions, &triangles) => {
                        nearest.point
                    }
                    _ => here,
                }
            })
            .collect();
        positions = moved;
    }
    let mut face_tags: Vec<u16> = triangles
        .par_iter()
        .zip(&source)
        .map(|(triangle, &source)| {
            let middle = triangle
                .iter()
                .map(|&corner| positions[corner as usize])
                .sum::<DVec3>()
                / 3.0;
            nearest_tag(middle, source, input, &bvh)
        })
        .collect();
    straighten_borders(&triangles, &fans, &mut face_tags);
    Mesh {
        positions: positions
            .iter()
            .map(|position| position.as_vec3().to_array())
            .collect(),
        triangles,
        face_tags,
        tags: input.tags.clone(),
        uvs: None,
        normals: None,
        groups: None,
    }
}

/// The places of the two other corners of a fan's triangle.
fn far_side(corner: u32, positions: &[DVec3], triangles: &[[u32; 3]]) -> [DVec3; 2] {
    others(corner, triangles).map(|other| positions[other as usize])
}

/// Creases, corners and what lies within some rings around them.
fn near_creases(ranks: &[u8], fans: &Fans, triangles: &[[u32; 3]]) -> Vec<bool> {
    let mut near: Vec<bool> = ranks.iter().map(|rank| *rank > 1).collect();
    for _ in 0..ROUNDED_RINGS {
        let touches = |vertex: usize| {
            let corners = fans.of(vertex).iter();
            let mut around = corners.flat_map(|corner| others(*corner, triangles));
            near[vertex] || around.any(|other| near[other as usize])
        };
        near = (0..ranks.len()).into_par_iter().map(touches).collect();
    }
    near
}

fn step_to_middle(here: DVec3, fan: &[u32], positions: &[DVec3], triangles: &[[u32; 3]]) -> DVec3 {
    if fan.is_empty() {
        return DVec3::ZERO;
    }
    let middle: DVec3 = fan
        .iter()
        .map(|&corner| far_side(corner, positions, triangles)[0])
        .sum();
    (middle / fan.len() as f64 - here) * STEP
}

fn step_along_surface(here: DVec3, fan: &[u32], positions: &[DVec3], triangles: &[[u32; 3]]) -> DVec3 {
    let mut normal = DVec3::ZERO;
    let mut middle = DVec3::ZERO;
    for &corner in fan {
        let [b, c] = far_side(corner, positions, triangles);
        normal += (b - here).cross(c - here);
        middle += b;
    }
    let normal = normal.normalize_or_zero();
    let towards = middle / fan.len() as f64 - here;
    (towards - normal * normal.dot(towards)) * STEP
}

/// All neighbours move at once, so a triangle may only turn and shrink by part of what would turn it over.
fn keeps_sides(here: DVec3, there: DVec3, fan: &[u32], positions: &[DVec3], triangles: &[[u32; 3]]) -> bool {
    fan.iter().all(|&corner| {
        let [b, c] = far_side(corner, positions, triangles);
        let before = (b - here).cross(c - here);
        (b - there).cross(c - there).dot(before) > 0.3 * before.length_squared()
    })
}

/// A triangle between two neighbours of one other tag takes that tag: borders then run along edges, without teeth.
fn straighten_borders(triangles: &[[u32; 3]], fans: &Fans, face_tags: &mut [u16]) {
    let across = |triangle: usize, from: u32, to: u32| {
        // The neighbour runs through the side the other way.
        fans.of(to as usize)
            .iter()
            .find(|&&corner| corner as usize / 3 != triangle && others(corner, triangles)[0] == from)
            .map(|&corner| corner as usize / 3)
    };
    for triangle in 0..triangles.len() {
        let [a, b, c] = triangles[triangle];
        let [Some(x), Some(y), Some(z)] = [(a, b), (b, c), (c, a)]
            .map(|(from, to)| across(triangle, from, to).map(|other| face_tags[other]))
        else {
            continue;
        };
        let own = face_tags[triangle];
        for (one, other) in [(x, y), (y, z), (z, x)] {
            if one == other && one != own {
                face_tags[triangle] = one;
            }
        }
    }
}

fn nearest_tag(middle: DVec3, source: u32, input: &Mesh, bvh: &Bvh) -> u16 {
    let tag_of = |face: u32| input.face_tags.get(face as usize).copied().unwrap_or(UNTAGGED);
    if source == UNKNOWN {
        return bvh
            .nearest(middle, f64::INFINITY)
            .map_or(UNTAGGED, |nearest| tag_of(nearest.triangle));
    }
    // The face that the surface was made from wins unless another one is clearly nearer.
    let corners = input.corners(source as usize).map(point);
    let known = closest_on_triangle(middle, corners).0.distance(middle);
    match bvh.nearest(middle, known * 0.98) {
        Some(nearest) => tag_of(nearest.triangle),
        None => tag_of(source),
    }
}
