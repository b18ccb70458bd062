//! Finds a place for every chart, at the greatest texel density at which all have one.
//!
//! Charts are shapes of cells. The tallest goes first, each to the first place from the top where it stays far enough from the others,
//! also into their bays and holes. Charts are moved and scaled but never turned: directions in a normal map stay right, and
//! tangents stay what they were.

use rayon::prelude::*;

use super::charts::Chart;
use super::mask::{Distance, Page, Shape};
use crate::Mesh;
use crate::operations::rows::{across, span};

/// Cells along the side of the map, at most.
const MOST_CELLS: usize = 2048;
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
    /// Between two charts.
    apart: Distance,
    /// Cells between a chart and the edge of the map.
    margin: usize,
}

impl Grid {
    fn new(size: usize, padding: usize) -> Self {
        let cells = size.min(MOST_CELLS);
        let cell = size as f64 / cells as f64;
        let padding = padding as f64 / cell;
        Self {
            cells,
            cell,
            apart: Distance::of(padding),
            margin: (0.5 * padding).ceil() as usize,
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
        let shapes: Vec<Shape> = charts
            .par_iter()
            .map(|chart| self.shape(chart, meshes[chart.source], scale(chart, density)))
            .collect();
        if shapes.iter().map(Shape::cells).sum::<usize>() > room * room {
            return None;
        }
        let mut order: Vec<usize> = (0..charts.len()).collect();
        order.sort_by_key(|&chart| {
            let shape = &shapes[chart];
            (std::cmp::Reverse((shape.height, shape.width)), chart)
        });
        let mut page = Page::new(self.cells);
        let mut at = vec![[0.0; 2]; charts.len()];
        for chart in order {
            let shape = &shapes[chart];
            let range = |extent: usize| {
                let last = (self.cells - self.margin).checked_sub(extent)?;
                Some(self.margin..last + 1)
            };
            let (x, y) = page.first_place(shape, range(shape.width)?, range(shape.height)?)?;
            page.take(shape, x, y, &self.apart);
            at[chart] = [x, y].map(|cells| cells as f64 * self.cell);
        }
        Some(at)
    }

    /// The cells that a chart touches, or nearly so, with its least UV at the origin.
    fn shape(&self, chart: &Chart, mesh: &Mesh, scale: f64) -> Shape {
        const NEARLY: f64 = 1.0e-9;
        let by_cell = scale / self.cell;
        let cells = chart.extent.map(|extent| (extent * by_cell).floor() as usize + 1);
        let cell_of = |place: f64, axis: usize| (place.max(0.0) as usize).min(cells[axis] - 1);
        let mut spans = vec![Vec::new(); cells[1]];
        for &face in &chart.faces {
            let Some(uvs) = &mesh.uvs else { break };
            let corners = uvs[face as usize]
                .map(|uv| [0, 1].map(|axis| (f64::from(uv[axis]) - chart.least[axis]) * by_cell));
            let (low, high) = span(&corners, 1);
            let rows = cell_of(low - NEARLY, 1)..cell_of(high + NEARLY, 1) + 1;
            for (row, spans) in rows.clone().zip(&mut spans[rows]) {
                let (least, most) = across(&corners, row as f64 - NEARLY, (row + 1) as f64 + NEARLY);
                if least <= most {
                    let (begin, last) = (cell_of(least - NEARLY, 0), cell_of(most + NEARLY, 0));
                    spans.push([begin as u32, last as u32 + 1]);
                }
            }
        }
        Shape::of(cells[0], spans)
    }
}
