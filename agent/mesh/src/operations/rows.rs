//! Triangles in a map, row by row: so that even the largest map is filled with little memory beside itself, and by any
//! number of threads.

use std::ops::Range;

/// Things by the rows that they reach.
pub(super) struct Rows {
    /// For each row where its things begin.
    first: Vec<u32>,
    things: Vec<u32>,
}

impl Rows {
    /// `reached` says for each thing which of the `count` rows it reaches.
    pub fn of(reached: &[Range<usize>], count: usize) -> Self {
        let mut first = vec![0_u32; count + 1];
        for row in reached.iter().cloned().flatten() {
            first[row + 1] += 1;
        }
        for row in 0..count {
            first[row + 1] += first[row];
        }
        let mut next = first.clone();
        let mut things = vec![0; first[count] as usize];
        for (thing, rows) in reached.iter().enumerate() {
            for row in rows.clone() {
                things[next[row] as usize] = thing as u32;
                next[row] += 1;
            }
        }
        Self { first, things }
    }

    /// What reaches a row, in order.
    pub fn at(&self, row: usize) -> &[u32] {
        &self.things[self.first[row] as usize..self.first[row + 1] as usize]
    }
}

/// The rows or columns, of `side`, whose middles lie from the least to the most coordinate.
pub(super) fn middles(least: f64, most: f64, side: usize) -> Range<usize> {
    // Middles lie at halves. Casts of floats stop at the ends of their range.
    let begin = (least - 0.5).ceil().max(0.0) as usize;
    let end = ((most - 0.5).floor() + 1.0).clamp(0.0, side as f64) as usize;
    begin.min(end)..end
}

/// The least and the most of some coordinates along an axis.
pub(super) fn span(points: &[[f64; 2]], axis: usize) -> (f64, f64) {
    let along = || points.iter().map(|point| point[axis]);
    (
        along().fold(f64::INFINITY, f64::min),
        along().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// The least and the most first coordinate of the part of a triangle whose second coordinate lies from `low` to `high`; the least is
/// infinite where there is none.
pub(super) fn across(corners: &[[f64; 2]; 3], low: f64, high: f64) -> (f64, f64) {
    let mut range = (f64::INFINITY, f64::NEG_INFINITY);
    let mut meet = |x: f64| range = (range.0.min(x), range.1.max(x));
    for k in 0..3 {
        let (a, b) = (corners[k], corners[(k + 1) % 3]);
        if (low..=high).contains(&a[1]) {
            meet(a[0]);
        }
        for line in [low, high] {
            if (a[1] < line) != (b[1] < line) {
                let share = (line - a[1]) / (b[1] - a[1]);
                meet(a[0] + share * (b[0] - a[0]));
            }
        }
    }
    range
}

/// Twice the area of a triangle, negative where it runs clockwise.
pub(super) fn twice_area([a, b, c]: [[f64; 2]; 3]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Barycentric weights of a point in a triangle; none outside or where it has no area.
pub(super) fn weights([a, b, c]: [[f64; 2]; 3], p: [f64; 2]) -> Option<[f64; 3]> {
    let whole = twice_area([a, b, c]);
    let parts = [[b, c, p], [c, a, p], [a, b, p]].map(twice_area);
    let inside = whole != 0.0 && parts.iter().all(|part| part * whole >= 0.0);
    inside.then(|| parts.map(|part| part / whole))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_stand_in_every_row_that_they_reach_in_order() {
        let rows = Rows::of(&[1..3, 0..0, 2..4, 0..4], 4);
        let found: Vec<&[u32]> = (0..4).map(|row| rows.at(row)).collect();
        assert_eq!(found, [&[3][..], &[0, 3], &[0, 2, 3], &[2, 3]]);
    }

    #[test]
    fn middles_are_those_at_halves_within_the_map() {
        assert_eq!(middles(0.5, 2.5, 8), 0..3);
        assert_eq!(middles(0.51, 2.49, 8), 1..2);
        assert_eq!(middles(-7.0, 99.0, 8), 0..8);
        assert!(middles(3.6, 4.4, 8).is_empty());
        assert!(middles(99.0, 100.0, 8).is_empty() && middles(-9.0, -3.0, 8).is_empty());
        assert!(middles(f64::INFINITY, f64::NEG_INFINITY, 8).is_empty());
    }

    #[test]
    fn a_triangle_is_as_wide_between_two_lines_as_its_part_there() {
        let corners = [[0.0, 0.0], [4.0, 4.0], [0.0, 8.0]];
        for (low, high, expected) in [
            (1.0, 2.0, (0.0, 2.0)),
            (3.0, 5.0, (0.0, 4.0)),
            (6.0, 7.0, (0.0, 2.0)),
            (-9.0, 9.0, (0.0, 4.0)),
            (8.0, 9.0, (0.0, 0.0)),
        ] {
            assert_eq!(across(&corners, low, high), expected);
        }
        assert_eq!(across(&corners, 8.5, 9.0).0, f64::INFINITY);
        let level = [[3.0, 2.0], [1.0, 2.0], [2.0, 2.0]];
        assert_eq!(across(&level, 2.0, 3.0), (1.0, 3.0));
    }

    #[test]
    fn weights_bring_the_point_back_and_end_at_the_border() {
        for corners in [
            [[1.0, 1.0], [5.0, 2.0], [2.0, 6.0]],
            [[2.0, 6.0], [5.0, 2.0], [1.0, 1.0]],
        ] {
            let weights_of = |point| weights(corners, point);
            let inside = weights_of([2.5, 3.0]).unwrap();
            for axis in 0..2 {
                let back: f64 = (0..3).map(|corner| inside[corner] * corners[corner][axis]).sum();
                assert!((back - [2.5, 3.0][axis]).abs() < 1.0e-12);
            }
            assert!(weights_of([2.0, 6.0]).is_some() && weights_of([1.0, 6.0]).is_none());
        }
        assert_eq!(weights([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]], [1.0, 1.0]), None);
    }
}
