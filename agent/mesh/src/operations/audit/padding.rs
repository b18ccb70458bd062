//! How far charts lie from each other and from the border of the map.

use std::collections::HashMap;

use super::texels::scaled;
use crate::Mesh;

/// Distances in texels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Padding {
    /// Between the outlines of two charts; `None` if there is only one. Zero where outlines cross.
    pub between: Option<f64>,
    /// From any chart to the border of the map; negative outside.
    pub to_border: f64,
}

/// A piece of a chart's outline, in texels.
#[derive(Debug, Clone, Copy)]
struct Piece {
    ends: [[f64; 2]; 2],
    chart: u32,
}

/// Measures a mesh with UVs on a square map of `size_px`; `limit_px` is where the search for neighbours begins.
pub(super) fn padding(mesh: &Mesh, uvs: &[[[f32; 2]; 3]], size_px: usize, limit_px: f64) -> Padding {
    let size = size_px as f64;
    let to_border = uvs
        .iter()
        .flat_map(|corners| scaled(corners, size))
        .flatten()
        .map(|texel| texel.min(size - texel))
        .fold(f64::INFINITY, f64::min);
    let outline = outline(mesh, uvs, size);
    let first = outline.first().map(|piece| piece.chart);
    let is_one = outline.iter().all(|piece| Some(piece.chart) == first);
    let mut radius = limit_px.max(1.0);
    let between = loop {
        if is_one {
            break None;
        }
        let found = least_distance(&outline, radius);
        // Nothing within the map's diagonal: charts beyond the unit square, which the border's figure tells.
        if found <= radius || radius > 2.0 * size {
            break found.is_finite().then_some(found);
        }
        radius *= 2.0;
    };
    Padding { between, to_border }
}

/// Edges in the map that belong to one face only, each with its chart. Faces that share a corner, in space and in the map,
/// are of one chart.
fn outline(mesh: &Mesh, uvs: &[[[f32; 2]; 3]], size: f64) -> Vec<Piece> {
    let mut numbers: HashMap<[u32; 5], u32> = HashMap::new();
    let corners: Vec<[u32; 3]> = uvs
        .iter()
        .enumerate()
        .map(|(face, corners)| {
            let positions = mesh.corners(face);
            [0, 1, 2].map(|corner| {
                let ([x, y, z], [u, v]) = (positions[corner], corners[corner]);
                // Adding zero makes one of both zeros.
                let bits = [x, y, z, u, v].map(|coordinate| (coordinate + 0.0).to_bits());
                let next = numbers.len() as u32;
                *numbers.entry(bits).or_insert(next)
            })
        })
        .collect();
    let mut parents: Vec<u32> = (0..numbers.len() as u32).collect();
    let mut uses: HashMap<[u32; 2], u32> = HashMap::new();
    let edges = |[a, b, c]: [u32; 3]| [[a, b], [b, c], [c, a]].map(|[a, b]| [a.min(b), a.max(b)]);
    for face in &corners {
        for [a, b] in edges(*face) {
            let (a, b) = (root(&mut parents, a), root(&mut parents, b));
            parents[a.max(b) as usize] = a.min(b);
        }
        for edge in edges(*face) {
            *uses.entry(edge).or_default() += 1;
        }
    }
    let mut outline = Vec::new();
    for (face, uv) in corners.iter().zip(uvs) {
        let [a, b, c] = scaled(uv, size);
        for (edge, ends) in edges(*face).into_iter().zip([[a, b], [b, c], [c, a]]) {
            if uses.get(&edge) == Some(&1) {
                let chart = root(&mut parents, edge[0]);
                outline.push(Piece { ends, chart });
            }
        }
    }
    outline
}

fn root(parents: &mut [u32], mut vertex: u32) -> u32 {
    while parents[vertex as usize] != vertex {
        // Halves the way for the next one who asks.
        parents[vertex as usize] = parents[parents[vertex as usize] as usize];
        vertex = parents[vertex as usize];
    }
    vertex
}

/// The least distance between pieces of two charts, if it is at most `radius`; else something larger, or infinity.
fn least_distance(outline: &[Piece], radius: f64) -> f64 {
    // Pieces no longer than a cell lie in at most a few cells.
    let pieces: Vec<Piece> = outline.iter().flat_map(|piece| parts(piece, radius)).collect();
    let cell_of = |coordinate: f64| (coordinate / radius).floor() as i64;
    let cells_of = |piece: &Piece, margin: i64| {
        let [a, b] = piece.ends;
        let range =
            |axis: usize| cell_of(a[axis].min(b[axis])) - margin..=cell_of(a[axis].max(b[axis])) + margin;
        let (columns, rows) = (range(0), range(1));
        rows.flat_map(move |row| columns.clone().map(move |column| (column, row)))
    };
    let mut cells: HashMap<(i64, i64), Vec<u32>> = HashMap::new();
    for (index, piece) in pieces.iter().enumerate() {
        for cell in cells_of(piece, 0) {
            cells.entry(cell).or_default().push(index as u32);
        }
    }
    let mut least = f64::INFINITY;
    for (index, piece) in pieces.iter().enumerate() {
        for cell in cells_of(piece, 1) {
            for other in cells.get(&cell).into_iter().flatten() {
                let other_piece = &pieces[*other as usize];
                if *other as usize > index && other_piece.chart != piece.chart {
                    least = least.min(distance(piece.ends, other_piece.ends));
                }
            }
        }
    }
    least
}

fn parts(piece: &Piece, longest: f64) -> impl Iterator<Item = Piece> + use<> {
    let Piece { ends: [a, b], chart } = *piece;
    let length = ((b[0] - a[0]).powi(2) + (b[1] - a[1]).powi(2)).sqrt();
    let count = (length / longest).ceil().clamp(1.0, 65_536.0);
    let at = move |part: f64| [0, 1].map(|axis| a[axis] + (b[axis] - a[axis]) * (part / count));
    (0..count as u32).map(move |part| Piece {
        ends: [at(f64::from(part)), at(f64::from(part) + 1.0)],
        chart,
    })
}

/// Distance between two segments of the plane.
fn distance(one: [[f64; 2]; 2], other: [[f64; 2]; 2]) -> f64 {
    let side =
        |[a, b]: [[f64; 2]; 2], p: [f64; 2]| (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
    let parted = |line: [[f64; 2]; 2], ends: [[f64; 2]; 2]| side(line, ends[0]) * side(line, ends[1]) < 0.0;
    if parted(one, other) && parted(other, one) {
        return 0.0;
    }
    let ends = [(one, other[0]), (one, other[1]), (other, one[0]), (other, one[1])];
    ends.into_iter()
        .map(|(segment, point)| point_distance(segment, point))
        .fold(f64::INFINITY, f64::min)
}

fn point_distance([a, b]: [[f64; 2]; 2], point: [f64; 2]) -> f64 {
    let along = [b[0] - a[0], b[1] - a[1]];
    let from = [point[0] - a[0], point[1] - a[1]];
    let squared = along[0] * along[0] + along[1] * along[1];
    let at = if squared > 0.0 {
        ((from[0] * along[0] + from[1] * along[1]) / squared).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let off = [from[0] - along[0] * at, from[1] - along[1] * at];
    (off[0] * off[0] + off[1] * off[1]).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two unit-square charts in texels of a map of 100, each of two triangles that lie apart in space.
    fn two_squares(at: [[f32; 2]; 2], side: f32) -> (Mesh, Vec<[[f32; 2]; 3]>) {
        let mut mesh = Mesh::default();
        let mut uvs = Vec::new();
        for (number, [x, y]) in at.into_iter().enumerate() {
            let first = mesh.positions.len() as u32;
            let corners = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0_f32]];
            for [a, b] in corners {
                mesh.positions.push([a, b, number as f32]);
            }
            for triangle in [[0, 1, 2], [0, 2, 3_usize]] {
                mesh.triangles.push(triangle.map(|corner| first + corner as u32));
                uvs.push(triangle.map(|corner| {
                    let [a, b] = corners[corner];
                    [(x + a * side) / 100.0, (y + b * side) / 100.0]
                }));
            }
        }
        mesh.face_tags = vec![crate::mesh::UNTAGGED; mesh.triangles.len()];
        (mesh, uvs)
    }

    fn measured(at: [[f32; 2]; 2], side: f32, limit: f64) -> (f64, f64) {
        let (mesh, uvs) = two_squares(at, side);
        let padding = padding(&mesh, &uvs, 100, limit);
        (padding.between.expect("two charts"), padding.to_border)
    }

    #[test]
    fn distances_are_those_of_the_plane() {
        let near = |(between, border): (f64, f64), expected: (f64, f64)| {
            assert!(
                (between - expected.0).abs() < 1.0e-4 && (border - expected.1).abs() < 1.0e-4,
                "{between} {border}, not {expected:?}"
            );
        };
        for limit in [1.0, 4.0, 64.0] {
            // Side by side, corner to corner, and far apart.
            near(measured([[10.0, 10.0], [33.0, 10.0]], 20.0, limit), (3.0, 10.0));
            near(measured([[10.0, 10.0], [33.0, 34.0]], 20.0, limit), (5.0, 10.0));
            near(
                measured([[2.0, 5.0], [85.0, 85.0]], 10.0, limit),
                ((73.0_f64.powi(2) + 70.0_f64.powi(2)).sqrt(), 2.0),
            );
            // Touching, crossing, and over the border.
            near(measured([[10.0, 10.0], [30.0, 10.0]], 20.0, limit), (0.0, 10.0));
            near(measured([[10.0, 10.0], [25.0, 20.0]], 20.0, limit), (0.0, 10.0));
            near(measured([[-3.0, 10.0], [40.0, 20.0]], 20.0, limit), (23.0, -3.0));
        }
    }

    #[test]
    fn one_chart_has_no_neighbour() {
        let (mut mesh, mut uvs) = two_squares([[10.0, 10.0], [40.0, 10.0]], 20.0);
        mesh.triangles.truncate(2);
        uvs.truncate(2);
        assert_eq!(padding(&mesh, &uvs, 100, 4.0).between, None);
    }
}
