//! Cells that the surface runs through, and how the surface hangs together inside each.
//!
//! Inside a cell the crossed edges are joined to loops, face by face, as marching cubes does; each loop becomes one
//! vertex of the surface (Nielson, Dual Marching Cubes, 2004, from memory). Where two cells share a face with four
//! crossed edges and each joins all four into one loop, the surface would touch itself along an edge: there the face
//! is joined the other way, in both cells, which splits both loops. So every edge has exactly two faces.

use std::sync::LazyLock;

use rayon::prelude::*;

use super::lines::{Grid, Lines};

/// The edge is not crossed.
pub(super) const NOT_CROSSED: u8 = u8::MAX;

/// A cell that the surface runs through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub x: u32,
    /// Bit `dx + 2 dy + 4 dz`: that corner is inside.
    pub corners: u8,
    /// Bit `2 axis + side`: that face is joined the other way.
    switched: u8,
    pub first_vertex: u32,
}

/// All of them, row by row.
pub(super) struct Cells {
    cells: Vec<Cell>,
    /// For each row along x, `z * rows + y`, where its cells begin; one more at the end.
    first: Vec<u32>,
    rows: usize,
    pub vertices: u32,
}

/// How the twelve edges of a cell are joined. Edge `4 axis + o1 + 2 o2` runs along `axis` at offsets `o1`, `o2` of the
/// next two axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Loops {
    /// For each edge its loop, or [`NOT_CROSSED`].
    pub of_edge: [u8; 12],
    pub count: u8,
}

impl Cell {
    pub fn loops(&self) -> Loops {
        if self.switched == 0 {
            LOOPS[usize::from(self.corners)]
        } else {
            join(self.corners, self.switched)
        }
    }
}

impl Cells {
    pub fn along(lines: &Lines, grid: &Grid) -> Self {
        let rows = grid.nodes[1] - 1;
        let layers = grid.nodes[2] - 1;
        let by_row: Vec<Vec<Cell>> = (0..layers * rows)
            .into_par_iter()
            .map(|row| row_cells(lines, row % rows, row / rows))
            .collect();
        let mut first = Vec::with_capacity(by_row.len() + 1);
        first.push(0);
        let mut total = 0;
        for row in &by_row {
            total += row.len() as u32;
            first.push(total);
        }
        let mut cells = Self {
            cells: by_row.concat(),
            first,
            rows,
            vertices: 0,
        };
        cells.part_touching_edges();
        for cell in &mut cells.cells {
            cell.first_vertex = cells.vertices;
            cells.vertices += u32::from(cell.loops().count);
        }
        cells
    }

    /// Number of rows.
    pub fn row_count(&self) -> usize {
        self.first.len() - 1
    }

    /// y and z of a row.
    pub fn row_place(&self, row: usize) -> [usize; 2] {
        [row % self.rows, row / self.rows]
    }

    pub fn row(&self, row: usize) -> &[Cell] {
        &self.cells[self.first[row] as usize..self.first[row + 1] as usize]
    }

    /// Index of the cell at that place, if the surface runs through it.
    fn find(&self, [x, y, z]: [usize; 3]) -> Option<usize> {
        let row = z * self.rows + y;
        let begin = self.first[row] as usize;
        self.row(row)
            .binary_search_by_key(&(x as u32), |cell| cell.x)
            .ok()
            .map(|offset| begin + offset)
    }

    /// The vertex that the surface has in the cell at `place` for the cell's edge `edge`.
    pub fn vertex(&self, place: [usize; 3], edge: usize) -> Option<u32> {
        let cell = &self.cells[self.find(place)?];
        let number = cell.loops().of_edge[edge];
        (number != NOT_CROSSED).then(|| cell.first_vertex + u32::from(number))
    }

    fn part_touching_edges(&mut self) {
        for row in 0..self.row_count() {
            let [y, z] = self.row_place(row);
            for index in self.first[row] as usize..self.first[row + 1] as usize {
                let ambiguous = AMBIGUOUS[usize::from(self.cells[index].corners)];
                if ambiguous == 0 {
                    continue;
                }
                let x = self.cells[index].x as usize;
                for axis in 0..3 {
                    if ambiguous >> (2 * axis + 1) & 1 == 0 {
                        continue;
                    }
                    let mut place = [x, y, z];
                    place[axis] += 1;
                    // An ambiguous face has corners of both kinds, so the cell behind it is crossed too.
                    let Some(behind) = self.find(place) else { continue };
                    if all_in_one_loop(&self.cells[index], axis, 1)
                        && all_in_one_loop(&self.cells[behind], axis, 0)
                    {
                        self.cells[index].switched ^= 1 << (2 * axis + 1);
                        self.cells[behind].switched ^= 1 << (2 * axis);
                    }
                }
            }
        }
    }
}

fn all_in_one_loop(cell: &Cell, axis: usize, side: usize) -> bool {
    let loops = cell.loops();
    let edges = FACES[2 * axis + side].edges;
    edges
        .iter()
        .all(|&edge| loops.of_edge[edge] == loops.of_edge[edges[0]])
}

fn row_cells(lines: &Lines, y: usize, z: usize) -> Vec<Cell> {
    let around = [
        lines.inside(y, z),
        lines.inside(y + 1, z),
        lines.inside(y, z + 1),
        lines.inside(y + 1, z + 1),
    ];
    let mut turns: Vec<(u32, u8)> = around
        .iter()
        .enumerate()
        .flat_map(|(line, ranges)| ranges.as_flattened().iter().map(move |&node| (node, 1 << line)))
        .collect();
    turns.sort_unstable();
    let mut cells = Vec::new();
    let mut state = 0_u8;
    for group in Groups(&turns) {
        let place = group[0].0;
        let before = state;
        for &(_, line) in group {
            state ^= line;
        }
        if before == state {
            continue;
        }
        // Cells since the last turn have the same four corners on both sides.
        if before != 0 && before != 15 {
            let since = cells.last().map_or(place, |cell: &Cell| cell.x + 1);
            for x in since..place - 1 {
                cells.push(Cell {
                    x,
                    corners: spread(before, before),
                    switched: 0,
                    first_vertex: 0,
                });
            }
        }
        cells.push(Cell {
            x: place - 1,
            corners: spread(before, state),
            switched: 0,
            first_vertex: 0,
        });
    }
    cells
}

/// Runs of equal nodes.
struct Groups<'a>(&'a [(u32, u8)]);

impl<'a> Iterator for Groups<'a> {
    type Item = &'a [(u32, u8)];

    fn next(&mut self) -> Option<Self::Item> {
        let node = self.0.first()?.0;
        let length = self.0.iter().take_while(|turn| turn.0 == node).count();
        let (group, rest) = self.0.split_at(length);
        self.0 = rest;
        Some(group)
    }
}

/// Corner bits from the four lines' bits at the near and at the far node.
fn spread(near: u8, far: u8) -> u8 {
    (0..4).fold(0, |corners, line| {
        corners | (near >> line & 1) << (2 * line) | (far >> line & 1) << (2 * line + 1)
    })
}

/// A face: its corners in a circle, and the edges from each to the next.
struct Face {
    corners: [usize; 4],
    edges: [usize; 4],
}

static FACES: LazyLock<[Face; 6]> = LazyLock::new(|| {
    std::array::from_fn(|number| {
        let (axis, side) = (number / 2, number % 2);
        let (across, up) = ((axis + 1) % 3, (axis + 2) % 3);
        let corner = |a: usize, u: usize| side << axis | a << across | u << up;
        let corners = [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)];
        let edges = std::array::from_fn(|k| edge_between(corners[k], corners[(k + 1) % 4]));
        Face { corners, edges }
    })
});

fn edge_between(a: usize, b: usize) -> usize {
    let axis = (a ^ b).trailing_zeros() as usize;
    let low = a & b;
    4 * axis + (low >> ((axis + 1) % 3) & 1) + 2 * (low >> ((axis + 2) % 3) & 1)
}

static LOOPS: LazyLock<Vec<Loops>> = LazyLock::new(|| (0..=255).map(|corners| join(corners, 0)).collect());

/// For each pattern of corners the faces with four crossed edges.
static AMBIGUOUS: LazyLock<Vec<u8>> = LazyLock::new(|| {
    (0..256_usize)
        .map(|corners| {
            (0..6).fold(0, |bits, number| {
                let [a, b, c, d] = FACES[number].corners.map(|corner| corners >> corner & 1);
                bits | u8::from(a == c && b == d && a != b) << number
            })
        })
        .collect()
});

fn join(corners: u8, switched: u8) -> Loops {
    let mut links = [[NOT_CROSSED; 2]; 12];
    let mut link = |a: usize, b: usize| {
        for (from, to) in [(a, b), (b, a)] {
            let slot = usize::from(links[from][0] != NOT_CROSSED);
            links[from][slot] = to as u8;
        }
    };
    for (number, face) in FACES.iter().enumerate() {
        let inside = face.corners.map(|corner| corners >> corner & 1 == 1);
        let crossed: Vec<usize> = (0..4).filter(|&k| inside[k] != inside[(k + 1) % 4]).collect();
        match crossed.len() {
            2 => link(face.edges[crossed[0]], face.edges[crossed[1]]),
            4 => {
                // Each corner of one kind is cut off: the inner ones, or, switched, the outer ones.
                let cut_inside = switched >> number & 1 == 0;
                for k in (0..4).filter(|&k| inside[k] == cut_inside) {
                    link(face.edges[(k + 3) % 4], face.edges[k]);
                }
            }
            _ => {}
        }
    }
    let mut loops = Loops {
        of_edge: [NOT_CROSSED; 12],
        count: 0,
    };
    for start in 0..12 {
        if links[start][0] == NOT_CROSSED || loops.of_edge[start] != NOT_CROSSED {
            continue;
        }
        let mut edge = start;
        loop {
            loops.of_edge[edge] = loops.count;
            let next = links[edge]
                .map(usize::from)
                .into_iter()
                .find(|&to| loops.of_edge[to] == NOT_CROSSED);
            match next {
                Some(next) => edge = next,
                None => break,
            }
        }
        loops.count += 1;
    }
    loops
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_joins_each_crossed_edge_once() {
        for corners in 0..=255_u8 {
            let loops = join(corners, 0);
            for axis in 0..3 {
                for offset in 0..4 {
                    let edge = 4 * axis + offset;
                    let near = (offset & 1) << ((axis + 1) % 3) | (offset >> 1) << ((axis + 2) % 3);
                    let crossed = (corners >> near & 1) != (corners >> (near | 1 << axis) & 1);
                    assert_eq!(loops.of_edge[edge] != NOT_CROSSED, crossed);
                }
            }
            for number in 0..loops.count {
                assert!(loops.of_edge.iter().filter(|&&of| of == number).count() >= 3);
            }
        }
    }

    #[test]
    fn a_switched_face_parts_or_joins_exactly_one_loop() {
        for corners in 0..=255_u8 {
            for number in 0..6 {
                if AMBIGUOUS[usize::from(corners)] >> number & 1 == 1 {
                    let (before, after) = (join(corners, 0).count, join(corners, 1 << number).count);
                    assert_eq!(before.abs_diff(after), 1);
                }
            }
        }
    }
}
