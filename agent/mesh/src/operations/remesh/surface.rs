//! From cells to triangles: a vertex for each loop, a quad around each crossed edge, cut along its better diagonal.

use glam::DVec3;
use rayon::prelude::*;

use super::Edges;
use super::cells::{Cells, NOT_CROSSED};
use super::lines::{Grid, Lines};
use super::place::place;
use super::solid::Solid;
use crate::spatial::closest_on_triangle;

/// No input face is known.
pub(super) const UNKNOWN: u32 = u32::MAX;

/// The surface before it has tags.
pub(super) struct Surface {
    pub positions: Vec<DVec3>,
    /// 1 on a smooth surface, 2 on a crease, 3 in a corner.
    pub ranks: Vec<u8>,
    pub triangles: Vec<[u32; 3]>,
    /// For each triangle an input face that it lies on, or [`UNKNOWN`].
    pub source: Vec<u32>,
}

pub(super) fn extract(cells: &Cells, lines: &Lines, grid: &Grid, solid: &Solid, edges: Edges) -> Surface {
    let normals: Vec<DVec3> = (0..solid.triangles.len())
        .into_par_iter()
        .map(|triangle| {
            let [a, b, c] = solid.corners(triangle);
            (b - a).cross(c - a).normalize_or_zero()
        })
        .collect();
    let rows: Vec<Vec<(DVec3, u8)>> = (0..cells.row_count())
        .into_par_iter()
        .map(|row| row_vertices(cells, row, lines, grid, &normals, edges))
        .collect();
    let (positions, ranks): (Vec<DVec3>, Vec<u8>) = rows.concat().into_iter().unzip();
    let quads: Vec<Vec<Quad>> = (0..cells.row_count())
        .into_par_iter()
        .map(|row| row_quads(cells, row, lines, grid, solid, &positions))
        .collect();
    let mut surface = Surface {
        positions,
        ranks,
        triangles: Vec::new(),
        source: Vec::new(),
    };
    for quad in quads.iter().flatten() {
        surface.triangles.extend(quad.triangles);
        surface.source.extend([quad.source; 2]);
    }
    surface
}

fn row_vertices(
    cells: &Cells,
    row: usize,
    lines: &Lines,
    grid: &Grid,
    normals: &[DVec3],
    edges: Edges,
) -> Vec<(DVec3, u8)> {
    let [y, z] = cells.row_place(row);
    let mut vertices = Vec::new();
    for cell in cells.row(row) {
        let loops = cell.loops();
        let first = vertices.len();
        for number in 0..loops.count {
            let mut points = [DVec3::ZERO; 12];
            let mut planes = [DVec3::ZERO; 12];
            let mut count = 0;
            for (edge, _) in loops.of_edge.iter().enumerate().filter(|(_, of)| **of == number) {
                let (axis, offset) = (edge / 4, edge % 4);
                let mut corner = [0; 3];
                corner[(axis + 1) % 3] = offset & 1;
                corner[(axis + 2) % 3] = offset >> 1;
                let node = [cell.x as usize + corner[0], y + corner[1], z + corner[2]];
                let from = corner[0] | corner[1] << 1 | corner[2] << 2;
                let entering = cell.corners >> from & 1 == 0;
                let (at, triangle) = lines.crossing(axis, node, entering);
                let mut point = corner.map(|offset| offset as f64);
                point[axis] = at;
                let along = DVec3::from_array(std::array::from_fn(|k| f64::from(u8::from(k == axis))));
                let normal = triangle.map_or(DVec3::ZERO, |triangle| normals[triangle as usize]);
                points[count] = DVec3::from_array(point);
                planes[count] = if normal == DVec3::ZERO { along } else { normal };
                count += 1;
            }
            let mut vertex = place(&points[..count], &planes[..count]);
            let alone = vertices[first..]
                .iter()
                .all(|(at, _): &(DVec3, u8)| at.distance(vertex.at) > 0.02);
            if !alone || edges == Edges::Round {
                // Two sheets meet in one place: the middles of their crossings are apart. And a crease is cut off by them.
                vertex.at = points[..count].iter().sum::<DVec3>() / count as f64;
            }
            vertices.push((vertex.at, vertex.rank));
        }
        for (at, _) in &mut vertices[first..] {
            *at = grid.metres([cell.x as f64 + at.x, y as f64 + at.y, z as f64 + at.z]);
        }
    }
    vertices
}

struct Quad {
    triangles: [[u32; 3]; 2],
    source: u32,
}

fn row_quads(
    cells: &Cells,
    row: usize,
    lines: &Lines,
    grid: &Grid,
    solid: &Solid,
    positions: &[DVec3],
) -> Vec<Quad> {
    let [y, z] = cells.row_place(row);
    let mut quads = Vec::new();
    for cell in cells.row(row) {
        let node = [cell.x as usize, y, z];
        let loops = cell.loops();
        for axis in 0..3 {
            if loops.of_edge[4 * axis] == NOT_CROSSED {
                continue;
            }
            let around: [Option<u32>; 4] = [[0, 0], [1, 0], [1, 1], [0, 1]].map(|[across, up]| {
                let mut place = node;
                // The outermost nodes are outside, so a crossed edge has cells on all sides.
                place[(axis + 1) % 3] = place[(axis + 1) % 3].checked_sub(across)?;
                place[(axis + 2) % 3] = place[(axis + 2) % 3].checked_sub(up)?;
                cells.vertex(place, 4 * axis + across + 2 * up)
            });
            let [Some(a), Some(b), Some(c), Some(d)] = around else {
                continue;
            };
            let leaving = cell.corners & 1 == 1;
            let corners = if leaving { [a, b, c, d] } else { [d, c, b, a] };
            let (at, triangle) = lines.crossing(axis, node, !leaving);
            let mut crossing = node.map(|coordinate| coordinate as f64);
            crossing[axis] += at;
            let mut outwards = DVec3::ZERO;
            outwards[axis] = if leaving { 1.0 } else { -1.0 };
            quads.push(Quad {
                triangles: cut(corners, positions, grid.metres(crossing), outwards, grid.voxel),
                source: triangle.map_or(UNKNOWN, |triangle| solid.source[triangle as usize]),
            });
        }
    }
    quads
}

/// Cuts a quad so that it passes near the crossing, faces outwards, and has no needless slivers, in this order.
fn cut(
    [a, b, c, d]: [u32; 4],
    positions: &[DVec3],
    crossing: DVec3,
    outwards: DVec3,
    voxel: f64,
) -> [[u32; 3]; 2] {
    let ways = [[[a, b, c], [a, c, d]], [[b, c, d], [b, d, a]]];
    let costs = ways.map(|way| {
        let mut distance = f64::INFINITY;
        let mut turned = 0;
        let mut shape = f64::INFINITY;
        for triangle in way {
            let [p, q, r] = triangle.map(|corner| positions[corner as usize]);
            distance = distance.min(closest_on_triangle(crossing, [p, q, r]).0.distance(crossing));
            let normal = (q - p).cross(r - p);
            turned += i32::from(normal.dot(outwards) <= 0.0);
            let longest = (q - p)
                .length_squared()
                .max((r - q).length_squared())
                .max((p - r).length_squared());
            shape = shape.min(normal.length() / longest.max(f64::MIN_POSITIVE));
        }
        (turned, distance / voxel, shape)
    });
    let [first, second] = costs;
    let take_first = if first.0 != second.0 {
        first.0 < second.0
    } else if (first.1 - second.1).abs() > 0.02 {
        first.1 < second.1
    } else {
        first.2 >= second.2
    };
    if take_first { ways[0] } else { ways[1] }
}

/// Drops the walls of enclosed cavities and loose parts less than a voxel and a half across.
pub(super) fn without_hidden_and_loose_parts(surface: Surface, voxel: f64) -> Surface {
    let parts = parts(&surface);
    let count = parts.iter().map(|&part| part as usize + 1).max().unwrap_or(0);
    let mut volumes = vec![0.0; count];
    let mut low = vec![DVec3::INFINITY; count];
    let mut high = vec![DVec3::NEG_INFINITY; count];
    for (triangle, &part) in surface.triangles.iter().zip(&parts) {
        let [a, b, c] = triangle.map(|corner| surface.positions[corner as usize]);
        volumes[part as usize] += a.dot(b.cross(c));
        for corner in [a, b, c] {
            low[part as usize] = low[part as usize].min(corner);
            high[part as usize] = high[part as usize].max(corner);
        }
    }
    let stays: Vec<bool> = (0..count)
        .map(|part| volumes[part] > 0.0 && (high[part] - low[part]).max_element() >= 1.5 * voxel)
        .collect();
    let mut kept = Surface {
        positions: Vec::new(),
        ranks: Vec::new(),
        triangles: Vec::new(),
        source: Vec::new(),
    };
    let mut number = vec![u32::MAX; surface.positions.len()];
    for ((triangle, &part), &source) in surface.triangles.iter().zip(&parts).zip(&surface.source) {
        if !stays[part as usize] {
            continue;
        }
        kept.triangles.push(triangle.map(|corner| {
            let number = &mut number[corner as usize];
            if *number == u32::MAX {
                *number = kept.positions.len() as u32;
                kept.positions.push(surface.positions[corner as usize]);
                kept.ranks.push(surface.ranks[corner as usize]);
            }
            *number
        }));
        kept.source.push(source);
    }
    kept
}

/// For each triangle the number of the part that it hangs together with.
fn parts(surface: &Surface) -> Vec<u32> {
    let mut parent: Vec<u32> = (0..surface.positions.len() as u32).collect();
    fn root(parent: &mut [u32], mut vertex: u32) -> u32 {
        while parent[vertex as usize] != vertex {
            parent[vertex as usize] = parent[parent[vertex as usize] as usize];
            vertex = parent[vertex as usize];
        }
        vertex
    }
    for &[a, b, c] in &surface.triangles {
        for other in [b, c] {
            let (a, other) = (root(&mut parent, a), root(&mut parent, other));
            parent[a.max(other) as usize] = a.min(other);
        }
    }
    let mut number = vec![u32::MAX; surface.positions.len()];
    let mut next = 0;
    surface
        .triangles
        .iter()
        .map(|triangle| {
            let root = root(&mut parent, triangle[0]) as usize;
            if number[root] == u32::MAX {
                number[root] = next;
                next += 1;
            }
            number[root]
        })
        .collect()
}
