//! Closes a tunnel: the surface is cut along a loop of three edges that runs around it, and both cuts are capped.
//!
//! The surface stays closed and manifold by construction, whatever its shape: every edge of the loop keeps one old face
//! and gets one cap on either side. A loop that does not part the surface in two takes one tunnel or handle away
//! with each cut (classification of surfaces, from memory).

use std::collections::{BTreeSet, HashSet, VecDeque};

use glam::DVec3;

use super::surface::{Surface, Uv};
use crate::mesh::UNTAGGED;

/// How far the faces beside a cap may lean away from its outer side, as a sine; more than this is an arm of the body,
/// which a cut would sever.
const LEAST_LEAN: f64 = -0.2;
/// The two caps of a cut stand this share of the loop's width apart, so that no two vertices share a place.
const THICKNESS: f64 = 1.0e-3;
/// A way around a tunnel that is longer than this is not looked for until the surface is coarser.
const MOST_FACES_WALKED: usize = 4096;

/// A loop that may be cut.
pub(super) struct Tunnel {
    ring: [u32; 3],
    /// Corners at each vertex of the ring on the side that gets new vertices.
    right: [Vec<u32>; 3],
    /// Unit normal of the cap on that side.
    normal: DVec3,
    /// Height of the loop over its longest edge.
    width: f64,
    /// Tags of the faces beside the loop on either side.
    tags: [u16; 2],
    /// A place in the map beside the loop on either side. A cap takes its colour from there: a stretch of the map of its own it has not.
    uvs: [Uv; 2],
}

/// Weighted squared distance by which a cap strays, comparable to a quadric's cost; infinite for a loop without area.
pub(super) fn cost(surface: &Surface, ring: [u32; 3]) -> f64 {
    let [a, b, c] = ring.map(|vertex| surface.positions[vertex as usize]);
    let twice_area = (b - a).cross(c - a).length();
    let longest = a.distance(b).max(b.distance(c)).max(c.distance(a));
    if twice_area <= 0.0 || longest <= 0.0 {
        return f64::INFINITY;
    }
    let half_width = 0.5 * twice_area / longest;
    (0.5 * twice_area).sqrt() * half_width * half_width
}

impl Tunnel {
    /// The tunnel inside a loop, or none: an edge is missing or has not two faces, it is a face already, it runs around an arm of the body
    /// rather than around a gap, or it parts the surface in two.
    pub fn at(surface: &Surface, ring: [u32; 3]) -> Option<Self> {
        let mut right: [Vec<u32>; 3] = Default::default();
        let mut tips = [[0; 3]; 2];
        let mut tags = [UNTAGGED; 2];
        let mut uvs = [[0.0; 2]; 2];
        for place in 0..3 {
            let [here, after, before] = [0, 1, 2].map(|step| ring[(place + step) % 3]);
            let left = sector(surface, here, after, before)?;
            right[place] = sector(surface, here, before, after)?;
            if left.len() + right[place].len() != surface.corners(here).count() {
                return None;
            }
            let [begin, end] = [*left.first()?, *right[place].last()?];
            tips[0][place] = surface.others(begin)[1];
            tips[1][place] = surface.others(end)[0];
            // Of the three faces on a side the first speaks for the cap.
            if place == 0 {
                tags = [begin, end].map(|corner| surface.tags[corner as usize / 3]);
                uvs = [begin, end].map(|corner| surface.uv(corner));
            }
        }
        if tips.iter().flatten().any(|tip| ring.contains(tip)) {
            return None;
        }
        let corners = ring.map(|vertex| surface.positions[vertex as usize]);
        let [a, b, c] = corners;
        let cross = (b - a).cross(c - a);
        let normal = cross.try_normalize()?;
        let lean = |side: usize, outward: DVec3| {
            (0..3)
                .map(|place| {
                    let edge = (corners[place] + corners[(place + 1) % 3]) * 0.5;
                    let tip = surface.positions[tips[side][place] as usize];
                    (tip - edge).normalize_or_zero().dot(outward)
                })
                .collect::<Vec<f64>>()
        };
        let (left, right_lean) = (lean(0, -normal), lean(1, normal));
        let both = || left.iter().chain(&right_lean);
        if both().any(|&lean| lean < LEAST_LEAN) || both().sum::<f64>() < 0.3 {
            return None;
        }
        let longest = a.distance(b).max(b.distance(c)).max(c.distance(a));
        let tunnel = Self {
            ring,
            right,
            normal,
            width: cross.length() / longest,
            tags,
            uvs,
        };
        tunnel.leaves_one_piece(surface).then_some(tunnel)
    }

    /// Cuts and caps. Gives the three vertices of the new side, in the order of the ring.
    pub fn close(self, surface: &mut Surface) -> [u32; 3] {
        // Single precision holds seven digits of a coordinate, and vertices must stay apart on writing.
        let reach = self
            .ring
            .iter()
            .map(|&vertex| surface.positions[vertex as usize].abs().max_element())
            .fold(0.0, f64::max);
        let apart = self.normal * (THICKNESS * self.width).max(4.0e-7 * reach);
        let mut made = [0; 3];
        for ((vertex, faces), twin) in self.ring.into_iter().zip(&self.right).zip(&mut made) {
            let here = surface.positions[vertex as usize];
            *twin = surface.add_vertex(here + apart);
            surface.positions[vertex as usize] = here - apart;
            surface.give(faces, vertex, *twin);
        }
        let [a, b, c] = self.ring;
        surface.add_triangle([a, c, b], self.tags[0], self.uvs[0]);
        surface.add_triangle(made, self.tags[1], self.uvs[1]);
        made
    }

    /// One can walk from one side of the loop to the other without crossing it.
    fn leaves_one_piece(&self, surface: &Surface) -> bool {
        let barred: BTreeSet<u32> = self.ring.into();
        let beyond: BTreeSet<u32> = self.right.iter().flatten().map(|corner| corner / 3).collect();
        let Some(&begin) = beyond.first() else {
            return false;
        };
        let mut seen = HashSet::from([begin]);
        let mut waiting = VecDeque::from([begin]);
        while let Some(face) = waiting.pop_front() {
            let corners = surface.triangles[face as usize];
            for place in 0..3 {
                let [from, to] = [corners[place], corners[(place + 1) % 3]];
                if barred.contains(&from) && barred.contains(&to) {
                    continue;
                }
                for corner in surface.corners(from) {
                    let beside = corner / 3;
                    if surface.others(corner)[1] == to && seen.insert(beside) {
                        let touches = surface.triangles[beside as usize]
                            .iter()
                            .any(|vertex| barred.contains(vertex));
                        if touches && !beyond.contains(&beside) {
                            return true;
                        }
                        if seen.len() > MOST_FACES_WALKED {
                            return false;
                        }
                        waiting.push_back(beside);
                    }
                }
            }
        }
        false
    }
}

/// The corners at `here` from the edge to `begin` around to the edge to `end`, each face once; `None` if the fan has a gap.
fn sector(surface: &Surface, here: u32, begin: u32, end: u32) -> Option<Vec<u32>> {
    let mut corners = Vec::new();
    let mut edge = begin;
    loop {
        let mut matching = surface
            .corners(here)
            .filter(|&corner| surface.others(corner)[0] == edge);
        let corner = matching.next()?;
        if matching.next().is_some() || corners.contains(&corner) {
            return None;
        }
        corners.push(corner);
        edge = surface.others(corner)[1];
        if edge == end {
            return Some(corners);
        }
    }
}
