//! Finds a place for every chart, at the greatest texel density at which all have one.
//!
//! Charts are shapes of cells. The tallest goes first, each to the first place from the top where it stays far enough from the others,
//! also into their bays and holes. Charts are moved and scaled but never turned: directions in a normal map stay right, and
//! tangents stay what they were.

use rayon::prelude::*;

use super::charts::Chart;
use super::mask::Mask;
use crate::Mesh;

/// Cells along the side of the map, at most.
const MOST_CELLS: usize = 512;
/// Each try is so much sparser than the one before until all charts fit.
const STEP: f64 = 0.9;
/// Tries until it is given up: then texels are some 400 times as sparse as a full map would have them.
const TRIES: usize = 56;
/// Halvings of the way between what fits and what does not.
const HALVINGS: usize = 5;

/// Where charts lie.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    /// Texels along a metre of the surface, where the factor is 1.
    pub texels_per_m: f64,
    /// For each chart where its least UV lies, in texels.
    pub at: Vec<[f64; 2]>,
}

impl Placed {
    /// Texels along one unit of a chart's old UVs.
    pub fn scale(&self, chart: &Chart) -> f64 {
        scale(chart, self.texels_per_m)
    }
}

fn scale(chart: &Chart, texels_per_m: f64) -> f64 {
    texels_per_m * chart.factor * chart.metres_per_uv
}

/// None if the charts do not fit at any density that would be of use.
pub(super) fn place(charts: &[Chart], meshes: &[&Mesh], size: usize, padding: usize) -> Option<Placed> {
    let grid = Grid::new(size, padding);
    let weight: f64 = charts
        .iter()
        .map(|chart| chart.area_m2 * chart.factor * chart.factor)
        .sum();
    // With this density the charts would fill the map to the last texel.
    let mut too_dense = size as f64 / weight.sqrt();
    if !too_dense.is_finite() {
        return None;
    }
    let mut found = None;
    for _ in 0..TRIES {
        let density = too_dense * STEP;
        if let Some(at) = grid.arrange(charts, meshes, density) {
            found = Some(Placed {
                texels_per_m: density,
                at,
            });
            break;
        }
        too_dense = density;
    }
    let mut found = found?;
    for _ in 0..HALVINGS {
        let density = 0.5 * (found.texels_per_m + too_dense);
        match grid.arrange(charts, meshes, density) {
            Some(at) => {
                found = Placed {
                    texels_per_m: density,
                    at,
                }
            }
            None => too_dense = density,
        }
    }
    Some(found)
}

struct Grid {
    /// Cells along a side.
    cells: usize,
    /// Texels along a cell.
    cell: f64,
    /// Cells between two charts.
    apart: usize,
    /// Cells between a chart and the edge of the map.
    margin: usize,
}

impl Grid {
    fn new(size: usize, padding: usize) -> Self {
        let cells = size.min(MOST_CELLS);
        let cell = size as f64 / cells as f64;
        let whole = |texels: f64| (texels / cell).ceil() as usize;
        Self {
            cells,
            cell,
            apart: whole(padding as f64),
            margin: whole(0.5 * padding as f64),
        }
    }

    fn arrange(&self, charts: &[Chart], meshes: &[&Mesh], density: f64) -> Option<Vec<[f64; 2]>> {
        let room = self.cells.checked_sub(2 * self.margin)?;
        let fits = charts.iter().all(|chart| {
            chart
                .extent
                .iter()
                .all(|extent| extent * scale(chart, density) <= room as f64 * self.cell)
        });
        if !fits {
            return None;
        }
        let shapes: Vec<Mask> = charts
            .par_iter()
            .map(|chart| self.shape(chart, meshes[chart.source], scale(chart, density)))
            .collect();
        let mut order: Vec<usize> = (0..charts.len()).collect();
        order.sort_by_key(|&chart| {
            let shape = &shapes[chart];
            (std::cmp::Reverse((shape.height, shape.width)), chart)
        });
        // A rim on all sides lets shapes be asked about with their distance around them.
        let side = self.cells + 2 * self.apart;
        let mut page = Mask::new(side, side);
        let mut at = vec![[0.0; 2]; charts.len()];
        for chart in order {
            let shape = &shapes[chart];
            let last = |extent: usize| (self.cells - self.margin).checked_sub(extent);
            let (last_x, last_y) = (last(shape.width)?, last(shape.height)?);
            let wide = shape.grown(self.apart);
            let (x, y) = (self.margin..=last_y).into_par_iter().find_map_first(|y| {
                (self.margin..=last_x)
                    .find(|&x| wide.is_free_in(&page, x, y))
                    .map(|x| (x, y))
            })?;
            shape.stamp(&mut page, x + self.apart, y + self.apart);
            at[chart] = [x, y].map(|cells| cells as f64 * self.cell);
        }
        Some(at)
    }

    /// The cells that a chart touches, with its least UV at the origin.
    fn shape(&self, chart: &Chart, mesh: &Mesh, scale: f64) -> Mask {
        let by_cell = scale / self.cell;
        let cells = chart.extent.map(|extent| (extent * by_cell).floor() as usize + 1);
        let mut shape = Mask::new(cells[0], cells[1]);
        let Some(uvs) = &mesh.uvs else { return shape };
        for &face in &chart.faces {
            let corners = uvs[face as usize]
                .map(|uv| [0, 1].map(|axis| (f64::from(uv[axis]) - chart.least[axis]) * by_cell));
            let span = |axis: usize| {
                let along = corners.map(|corner| corner[axis]);
                let least = along.into_iter().fold(f64::INFINITY, f64::min);
                let most = along.into_iter().fold(0.0, f64::max);
                (least.max(0.0) as usize).min(cells[axis] - 1)..=(most as usize).min(cells[axis] - 1)
            };
            for y in span(1) {
                for x in span(0) {
                    if touches(&corners, [x as f64, y as f64]) {
                        shape.set(x, y);
                    }
                }
            }
        }
        shape
    }
}

/// The triangle and the unit square at `low` have a point in common, or nearly so. They have none exactly if a line along a side of
/// either parts them (separating axes).
fn touches(corners: &[[f64; 2]; 3], low: [f64; 2]) -> bool {
    const NEARLY: f64 = 1.0e-9;
    let square = [
        low,
        [low[0] + 1.0, low[1]],
        [low[0], low[1] + 1.0],
        [low[0] + 1.0, low[1] + 1.0],
    ];
    // The sides of the square were taken care of by the span of cells.
    (0..3).all(|k| {
        let (a, b) = (corners[k], corners[(k + 1) % 3]);
        let normal = [b[1] - a[1], a[0] - b[0]];
        let along = |p: [f64; 2]| normal[0] * p[0] + normal[1] * p[1];
        let range = |points: &[[f64; 2]]| {
            points
                .iter()
                .map(|&point| along(point))
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), value| {
                    (least.min(value), most.max(value))
                })
        };
        let (triangle, square) = (range(corners), range(&square));
        let slack = NEARLY * (normal[0].abs() + normal[1].abs());
        triangle.0 <= square.1 + slack && square.0 <= triangle.1 + slack
    })
}
