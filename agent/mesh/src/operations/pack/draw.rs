//! The packed maps: every texel on a chart shows what the old map shows at the same place of the surface.

use super::Filter;
use super::sample::Sampler;
use crate::Map;
use crate::operations::rows::{Rows, across, middles, span, weights};

/// Texels whose middle is so far from a chart, or nearer, are drawn: those that filtering between four texels asks on the chart.
const REACH: f64 = std::f64::consts::SQRT_2;

/// A triangle where it lies now, and the way back to its old UVs.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    /// Which of the meshes, and so of the old maps.
    pub source: usize,
    /// Corners in texels of the new map.
    pub corners: [[f64; 2]; 3],
    /// Where the chart's least UV lies in the new map, texels.
    pub at: [f64; 2],
    /// The chart's least UV.
    pub least: [f64; 2],
    /// Texels of the new map along a unit of old UV.
    pub scale: f64,
}

/// All pieces by the rows of texels that they reach.
pub(super) struct Pieces {
    pieces: Vec<Piece>,
    rows: Rows,
    size: usize,
}

/// One row of texels of all maps.
pub(super) struct Row {
    pub covered: Vec<bool>,
    /// For each kind of map the samples, in its depth.
    pub texels: Vec<Vec<u16>>,
}

/// One kind of map.
pub(super) struct Layer<'a> {
    pub filter: Filter,
    /// Of each mesh.
    pub maps: Vec<&'a Map>,
}

impl Pieces {
    pub fn new(pieces: Vec<Piece>, size: usize) -> Self {
        let reach: Vec<_> = pieces
            .iter()
            .map(|piece| {
                let (least, most) = span(&piece.corners, 1);
                middles(least - REACH, most + REACH, size)
            })
            .collect();
        Self {
            rows: Rows::of(&reach, size),
            pieces,
            size,
        }
    }

    /// Draws one row. Each texel belongs to the piece that is nearest to its middle, and shows what lies at the nearest place of it:
    /// so nothing beside a chart of the old map is ever seen.
    pub fn draw(&self, row: usize, samplers: &[Sampler<'_>], channels: &[usize]) -> Row {
        let mut nearest = vec![(f64::INFINITY, u32::MAX, [0.0; 2]); self.size];
        let y = row as f64 + 0.5;
        for &number in self.rows.at(row) {
            let corners = &self.pieces[number as usize].corners;
            let (least, most) = across(corners, y - REACH, y + REACH);
            for column in middles(least - REACH, most + REACH, self.size) {
                let best = &mut nearest[column];
                if best.0 == 0.0 {
                    continue;
                }
                let middle = [column as f64 + 0.5, y];
                let place = closest(corners, middle);
                let distance = squared(place, middle);
                if distance < best.0 && distance <= REACH * REACH {
                    *best = (distance, number, place);
                }
            }
        }
        let mut drawn = Row {
            covered: nearest.iter().map(|best| best.1 != u32::MAX).collect(),
            texels: channels
                .iter()
                .map(|channels| vec![0; channels * self.size])
                .collect(),
        };
        for (column, &(_, number, place)) in nearest.iter().enumerate() {
            let Some(piece) = self.pieces.get(number as usize) else {
                continue;
            };
            let uv = [0, 1].map(|axis| piece.least[axis] + (place[axis] - piece.at[axis]) / piece.scale);
            for ((sampler, texels), &channels) in samplers.iter().zip(&mut drawn.texels).zip(channels) {
                let texel = &mut texels[channels * column..channels * (column + 1)];
                sampler.write(piece.source, uv, 1.0 / piece.scale, texel);
            }
        }
        drawn
    }
}

/// The place in a triangle that is closest to a point; the point itself if it lies inside.
fn closest(corners: &[[f64; 2]; 3], point: [f64; 2]) -> [f64; 2] {
    if weights(*corners, point).is_some() {
        return point;
    }
    let [a, b, c] = *corners;
    [(a, b), (b, c), (c, a)]
        .map(|(from, to)| {
            let along = [to[0] - from[0], to[1] - from[1]];
            let length_squared = along[0] * along[0] + along[1] * along[1];
            let share = if length_squared > 0.0 {
                let dot = (point[0] - from[0]) * along[0] + (point[1] - from[1]) * along[1];
                (dot / length_squared).clamp(0.0, 1.0)
            } else {
                0.0
            };
            [from[0] + share * along[0], from[1] + share * along[1]]
        })
        .into_iter()
        .min_by(|one, other| squared(*one, point).total_cmp(&squared(*other, point)))
        .unwrap_or(a)
}

fn squared(one: [f64; 2], other: [f64; 2]) -> f64 {
    let (x, y) = (one[0] - other[0], one[1] - other[1]);
    x * x + y * y
}
