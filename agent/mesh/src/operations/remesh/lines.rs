//! Where grid lines enter and leave the solid.
//!
//! Positions are rounded to 1/65536 of a voxel once; from there on every decision whether a line meets a triangle is
//! exact: a line through an edge or a corner is pushed aside by an infinitely small step, the same for all triangles
//! (simulation of simplicity, Edelsbrunner & Mücke 1990, from memory). So no line slips between two triangles and
//! none counts an edge twice.

use rayon::prelude::*;

use super::solid::Solid;
use crate::mesh::Bounds;

/// Steps of the rounded positions in one voxel.
const STEPS: i64 = 1 << 16;
/// Gaps and walls thinner than this many steps along a line are rounding, not shape: 1/256 of a voxel.
const THINNEST: f64 = 256.0;

/// A regular grid of nodes around the solid; the outermost nodes are outside.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    /// Position of node (0, 0, 0), metres.
    pub origin: [f64; 3],
    pub voxel: f64,
    /// Nodes along each axis.
    pub nodes: [usize; 3],
}

impl Grid {
    pub fn around(bounds: &Bounds, voxel: f64) -> Self {
        let mut grid = Self {
            origin: [0.0; 3],
            voxel,
            nodes: [0; 3],
        };
        for axis in 0..3 {
            let (least, most) = (f64::from(bounds.least[axis]), f64::from(bounds.most[axis]));
            // 0.37 keeps sides that are a whole, half, third, quarter or fifth of voxels long off the nodes.
            grid.origin[axis] = least - voxel * 1.37;
            grid.nodes[axis] = ((most - grid.origin[axis]) / voxel).floor() as usize + 3;
        }
        grid
    }

    /// A place in voxels, as metres.
    pub fn metres(&self, place: [f64; 3]) -> glam::DVec3 {
        glam::DVec3::from_array([0, 1, 2].map(|axis| self.origin[axis] + self.voxel * place[axis]))
    }
}

/// One place where a line goes in or out, with the triangle that it goes through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Crossing {
    /// In voxels from node 0.
    pub at: f64,
    pub triangle: u32,
}

/// Crossings of all lines along one axis: entries and exits by turns, entries first.
struct Family {
    /// Lines in a row of the other two axes.
    columns: usize,
    /// For each line where its crossings begin; one more at the end.
    first: Vec<u32>,
    crossings: Vec<Crossing>,
}

/// Crossings of the lines along all three axes.
pub(super) struct Lines {
    families: [Family; 3],
    /// For each line along x, the nodes that are inside, as ranges; flat, with `inside_first` as the way in.
    inside: Vec<[u32; 2]>,
    inside_first: Vec<u32>,
    rows: usize,
}

/// How many crossings the lines of the densest family will have, about.
pub(super) fn estimated_crossings(solid: &Solid, voxel: f64) -> u64 {
    let mut areas = [0.0_f64; 3];
    for triangle in 0..solid.triangles.len() {
        let [a, b, c] = solid.corners(triangle);
        let cross = (b - a).cross(c - a);
        for axis in 0..3 {
            areas[axis] += 0.5 * cross[axis].abs();
        }
    }
    (areas.into_iter().fold(0.0, f64::max) / (voxel * voxel)) as u64
}

impl Lines {
    pub fn through(solid: &Solid, grid: &Grid) -> Self {
        let rounded: Vec<[i64; 3]> = solid
            .positions
            .iter()
            .map(|position| {
                [0, 1, 2].map(|axis| {
                    ((position[axis] - grid.origin[axis]) / grid.voxel * STEPS as f64).round() as i64
                })
            })
            .collect();
        let families = [0, 1, 2].map(|axis| Family::along(axis, solid, &rounded, grid));
        let (inside, inside_first) = families[0].inside_nodes();
        Self {
            families,
            inside,
            inside_first,
            rows: grid.nodes[1],
        }
    }

    /// Ranges of nodes inside on the line along x at (y, z), end exclusive.
    pub fn inside(&self, y: usize, z: usize) -> &[[u32; 2]] {
        let line = z * self.rows + y;
        &self.inside[self.inside_first[line] as usize..self.inside_first[line + 1] as usize]
    }

    /// Where the edge from `node` to the next one along `axis` goes in (`entering`) or out; in voxels from `node`.
    ///
    /// Where two lines disagree by rounding and the edge has no such crossing, its middle, without a triangle.
    pub fn crossing(&self, axis: usize, node: [usize; 3], entering: bool) -> (f64, Option<u32>) {
        let family = &self.families[axis];
        let line = node[(axis + 2) % 3] * family.columns + node[(axis + 1) % 3];
        let crossings = &family.crossings[family.first[line] as usize..family.first[line + 1] as usize];
        let start = node[axis] as f64;
        const SLACK: f64 = 1.0e-3;
        let from = crossings.partition_point(|crossing| crossing.at < start - SLACK);
        let to = crossings.partition_point(|crossing| crossing.at <= start + 1.0 + SLACK);
        // The outermost one where there are several.
        let wanted = usize::from(!entering);
        let found = if entering {
            (from..to).find(|index| index % 2 == wanted)
        } else {
            (from..to).rev().find(|index| index % 2 == wanted)
        };
        match found {
            Some(index) => (
                (crossings[index].at - start).clamp(0.0, 1.0),
                Some(crossings[index].triangle),
            ),
            None => (0.5, None),
        }
    }
}

/// A crossing before lines are sorted out: line, place in steps, change of the winding number, triangle.
#[derive(Debug, Clone, Copy)]
struct Raw {
    line: u32,
    at: f64,
    change: i32,
    triangle: u32,
}

impl Family {
    fn along(axis: usize, solid: &Solid, rounded: &[[i64; 3]], grid: &Grid) -> Self {
        let (across, up) = ((axis + 1) % 3, (axis + 2) % 3);
        let columns = grid.nodes[across];
        let lines = columns * grid.nodes[up];
        const CHUNK: usize = 2048;
        let chunks: Vec<Vec<Raw>> = solid
            .triangles
            .par_chunks(CHUNK)
            .enumerate()
            .map(|(chunk, triangles)| {
                let mut found = Vec::new();
                for (offset, triangle) in triangles.iter().enumerate() {
                    let corners = triangle.map(|corner| {
                        let position = rounded[corner as usize];
                        [position[across], position[up], position[axis]]
                    });
                    cross_lines(corners, columns, (chunk * CHUNK + offset) as u32, &mut found);
                }
                found
            })
            .collect();
        let mut first = vec![0_u32; lines + 1];
        for raw in chunks.iter().flatten() {
            first[raw.line as usize + 1] += 1;
        }
        for line in 0..lines {
            first[line + 1] += first[line];
        }
        let mut next = first.clone();
        let mut sorted = vec![
            Raw {
                line: 0,
                at: 0.0,
                change: 0,
                triangle: 0
            };
            first[lines] as usize
        ];
        for raw in chunks.iter().flatten() {
            sorted[next[raw.line as usize] as usize] = *raw;
            next[raw.line as usize] += 1;
        }
        drop(chunks);
        let mut kept_first = Vec::with_capacity(lines + 1);
        let mut crossings = Vec::with_capacity(sorted.len());
        kept_first.push(0);
        for line in 0..lines {
            let raw = &mut sorted[first[line] as usize..first[line + 1] as usize];
            ins_and_outs(raw, &mut crossings);
            kept_first.push(crossings.len() as u32);
        }
        Self {
            columns,
            first: kept_first,
            crossings,
        }
    }

    fn inside_nodes(&self) -> (Vec<[u32; 2]>, Vec<u32>) {
        let mut ranges: Vec<[u32; 2]> = Vec::with_capacity(self.crossings.len() / 2);
        let mut first = Vec::with_capacity(self.first.len());
        first.push(0);
        for line in self.first.windows(2) {
            let begin = ranges.len();
            for pair in self.crossings[line[0] as usize..line[1] as usize].chunks_exact(2) {
                let [from, to] = [pair[0].at, pair[1].at].map(|at| at.ceil().max(0.0) as u32);
                if from == to {
                    continue;
                }
                match ranges[begin..].last_mut() {
                    Some(last) if last[1] == from => last[1] = to,
                    _ => ranges.push([from, to]),
                }
            }
            first.push(ranges.len() as u32);
        }
        (ranges, first)
    }
}

/// Sorts the crossings of one line and keeps those where the winding number rises to one or falls to zero.
fn ins_and_outs(raw: &mut [Raw], kept: &mut Vec<Crossing>) {
    // At one place in before out, so that touching shells leave no gap.
    raw.sort_unstable_by(|a, b| {
        a.at.total_cmp(&b.at)
            .then(b.change.cmp(&a.change))
            .then(a.triangle.cmp(&b.triangle))
    });
    let begin = kept.len();
    let mut winding = 0;
    for crossing in raw.iter() {
        let was_inside = winding >= 1;
        winding += crossing.change;
        let is_inside = winding >= 1;
        if was_inside == is_inside {
            continue;
        }
        let too_close = kept[begin..]
            .last()
            .is_some_and(|last| crossing.at - last.at * (STEPS as f64) < THINNEST);
        if too_close {
            kept.pop();
        } else {
            kept.push(Crossing {
                at: crossing.at / STEPS as f64,
                triangle: crossing.triangle,
            });
        }
    }
    // Closed shells end where they began; should one not, the line counts as outside.
    if (kept.len() - begin) % 2 == 1 {
        kept.pop();
    }
}

/// Adds the crossings of one triangle; `corners` hold the two coordinates across the lines, then the one along.
fn cross_lines(corners: [[i64; 3]; 3], columns: usize, triangle: u32, found: &mut Vec<Raw>) {
    let [a, b, c] = corners;
    let area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    if area == 0 {
        return;
    }
    // Seen along the axis: a triangle that turns counter-clockwise faces onwards, so the line leaves through it.
    let change = if area > 0 { -1 } else { 1 };
    let least = |axis: usize| a[axis].min(b[axis]).min(c[axis]);
    let most = |axis: usize| a[axis].max(b[axis]).max(c[axis]);
    let first_node = |step: i64| (step + STEPS - 1).div_euclid(STEPS);
    let last_node = |step: i64| step.div_euclid(STEPS);
    for up in first_node(least(1))..=last_node(most(1)) {
        for across in first_node(least(0))..=last_node(most(0)) {
            let node = [across * STEPS, up * STEPS];
            let (u, u_side) = side_of(b, c, node);
            let (v, v_side) = side_of(c, a, node);
            let (w, w_side) = side_of(a, b, node);
            if u_side != v_side || v_side != w_side {
                continue;
            }
            let height =
                (u as f64 * a[2] as f64 + v as f64 * b[2] as f64 + w as f64 * c[2] as f64) / area as f64;
            let at = height.clamp(least(2) as f64, most(2) as f64);
            found.push(Raw {
                line: (up as usize * columns + across as usize) as u32,
                at,
                change,
                triangle,
            });
        }
    }
}

/// Twice the area between an edge and a node, and whether the node, pushed aside by an infinitely small step to
/// (+e, +e²), is left of the edge.
fn side_of(from: [i64; 3], to: [i64; 3], node: [i64; 2]) -> (i64, bool) {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let area = dx * (node[1] - from[1]) - dy * (node[0] - from[0]);
    let left = match area.signum() {
        1 => true,
        -1 => false,
        _ if dy != 0 => dy < 0,
        _ => dx > 0,
    };
    (area, left)
}
