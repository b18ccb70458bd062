//! Polygons into triangles, by clipping ears: a corner is an ear if its triangle holds no other corner. Always n - 2 triangles,
//! also where a polygon crosses itself and no ear is left. The method is common knowledge of computational geometry (from memory).

use glam::{DVec2, DVec3};

/// More corners in one face are refused: the time grows with their square.
pub(super) const MOST_CORNERS: usize = 4096;

/// Triangles as indices into `corners`, wound as the polygon is.
pub(super) fn triangulate(corners: &[[f32; 3]]) -> Vec<[usize; 3]> {
    match corners.len() {
        0..=2 => Vec::new(),
        3 => vec![[0, 1, 2]],
        _ => Clipping::new(corners).run(),
    }
}

struct Clipping {
    /// In the polygon's plane, counter-clockwise.
    flat: Vec<DVec2>,
    /// What is left of the polygon.
    remaining: Vec<usize>,
    /// For each corner of `flat`: it turns left and its triangle is empty.
    is_ear: Vec<bool>,
}

impl Clipping {
    fn new(corners: &[[f32; 3]]) -> Self {
        let points: Vec<DVec3> = corners
            .iter()
            .map(|&corner| glam::Vec3::from(corner).as_dvec3())
            .collect();
        let flat = flatten(&points);
        let remaining: Vec<usize> = (0..flat.len()).collect();
        let mut clipping = Self {
            is_ear: vec![false; flat.len()],
            flat,
            remaining,
        };
        for place in 0..clipping.remaining.len() {
            clipping.update(place);
        }
        clipping
    }

    fn run(mut self) -> Vec<[usize; 3]> {
        let mut triangles = Vec::with_capacity(self.flat.len() - 2);
        while self.remaining.len() > 3 {
            let place = self.best_place();
            triangles.push(self.triangle_at(place));
            self.remaining.remove(place);
            let count = self.remaining.len();
            self.update((place + count - 1) % count);
            self.update(place % count);
        }
        triangles.push([self.remaining[0], self.remaining[1], self.remaining[2]]);
        triangles
    }

    fn triangle_at(&self, place: usize) -> [usize; 3] {
        let count = self.remaining.len();
        [(place + count - 1) % count, place, (place + 1) % count].map(|place| self.remaining[place])
    }

    /// The ear with the shortest cut, which avoids slivers; without an ear the sharpest left turn, or whatever comes closest to one.
    fn best_place(&self) -> usize {
        let cut_length = |place: &usize| {
            let [before, _, after] = self.triangle_at(*place);
            self.flat[before].distance_squared(self.flat[after])
        };
        let ears = (0..self.remaining.len()).filter(|place| self.is_ear[self.remaining[*place]]);
        let shortest = ears.min_by(|left, right| cut_length(left).total_cmp(&cut_length(right)));
        shortest.unwrap_or_else(|| {
            let turn = |place: &usize| {
                let [before, corner, after] = self.triangle_at(*place).map(|index| self.flat[index]);
                (corner - before).perp_dot(after - corner)
            };
            (0..self.remaining.len())
                .max_by(|left, right| turn(left).total_cmp(&turn(right)))
                .unwrap_or(0)
        })
    }

    fn update(&mut self, place: usize) {
        let [before, corner, after] = self.triangle_at(place);
        let [a, b, c] = [before, corner, after].map(|index| self.flat[index]);
        let turns_left = (b - a).perp_dot(c - b) > 0.0;
        self.is_ear[corner] = turns_left
            && self.remaining.iter().all(|&other| {
                let point = self.flat[other];
                // A corner at the same place as one of the triangle's (a bridge to a hole) does not block it.
                point == a || point == b || point == c || !in_triangle(point, a, b, c)
            });
    }
}

/// The border counts as inside.
fn in_triangle(point: DVec2, a: DVec2, b: DVec2, c: DVec2) -> bool {
    [(a, b), (b, c), (c, a)]
        .iter()
        .all(|&(from, to)| (to - from).perp_dot(point - from) >= 0.0)
}

/// Drops the axis along which the polygon is thinnest, so that what is left runs counter-clockwise.
fn flatten(points: &[DVec3]) -> Vec<DVec2> {
    let origin = points[0];
    // Newell's normal: the sum of the cross products of neighbours is twice the area, also for bent and concave polygons.
    let next = points.iter().cycle().skip(1);
    let normal: DVec3 = points
        .iter()
        .zip(next)
        .map(|(&a, &b)| (a - origin).cross(b - origin))
        .sum();
    let size = normal.abs();
    let project = |point: &DVec3| {
        let point = *point - origin;
        if size.z >= size.x && size.z >= size.y {
            DVec2::new(point.x * normal.z.signum(), point.y)
        } else if size.y >= size.x {
            DVec2::new(point.z * normal.y.signum(), point.x)
        } else {
            DVec2::new(point.y * normal.x.signum(), point.z)
        }
    };
    points.iter().map(project).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(corners: &[[f32; 3]], triangles: &[[usize; 3]]) -> (f64, f64) {
        let mut vector = DVec3::ZERO;
        let mut absolute = 0.0;
        for triangle in triangles {
            let [a, b, c] = triangle.map(|index| glam::Vec3::from(corners[index]).as_dvec3());
            let cross = 0.5 * (b - a).cross(c - a);
            vector += cross;
            absolute += cross.length();
        }
        (vector.length(), absolute)
    }

    /// Without overlap and gap the areas add up to the polygon's.
    fn check(corners: &[[f32; 3]], expected: f64) {
        let triangles = triangulate(corners);
        assert_eq!(triangles.len(), corners.len() - 2);
        let (vector, absolute) = area(corners, &triangles);
        assert!((vector - expected).abs() < 1e-6, "{vector} instead of {expected}");
        assert!(
            (absolute - expected).abs() < 1e-6,
            "{absolute} instead of {expected}: triangles overlap"
        );
    }

    #[test]
    fn a_concave_arrow_in_each_plane_and_both_ways_round() {
        let arrow = [[0.0, 0.0], [2.0, 0.0], [1.0, 0.5], [2.0, 2.0], [0.0, 1.0]];
        let expected = 2.0;
        for axes in [[0, 1, 2], [1, 2, 0], [2, 0, 1], [1, 0, 2]] {
            let corners: Vec<[f32; 3]> = arrow
                .iter()
                .map(|&[u, v]| {
                    let mut corner = [0.0; 3];
                    corner[axes[0]] = u;
                    corner[axes[1]] = v;
                    corner[axes[2]] = 0.25;
                    corner
                })
                .collect();
            check(&corners, expected);
            let turned: Vec<[f32; 3]> = corners.iter().rev().copied().collect();
            check(&turned, expected);
        }
    }

    #[test]
    fn a_comb_and_a_side_with_many_points_on_one_line() {
        let mut comb: Vec<[f32; 3]> = Vec::new();
        for tooth in 0..40 {
            comb.push([tooth as f32, 0.0, 0.0]);
            comb.push([tooth as f32 + 0.5, 5.0, 0.0]);
        }
        comb.push([40.0, 0.0, 0.0]);
        comb.push([40.0, -1.0, 0.0]);
        comb.push([0.0, -1.0, 0.0]);
        check(&comb, 40.0 * 2.5 + 40.0);
        let mut square: Vec<[f32; 3]> = (0..10).map(|x| [x as f32, 0.0, 0.0]).collect();
        square.extend([[9.0, 9.0, 0.0], [0.0, 9.0, 0.0]]);
        check(&square, 81.0);
    }

    #[test]
    fn a_hole_with_a_bridge_stays_open() {
        let keyhole = [
            [0.0, 0.0, 0.0],
            [4.0, 0.0, 0.0],
            [4.0, 4.0, 0.0],
            [0.0, 4.0, 0.0],
            [0.0, 0.0, 0.0],
            [1.0, 1.0, 0.0],
            [1.0, 3.0, 0.0],
            [3.0, 3.0, 0.0],
            [3.0, 1.0, 0.0],
            [1.0, 1.0, 0.0],
        ];
        check(&keyhole, 12.0);
    }

    #[test]
    fn a_polygon_that_crosses_itself_ends_too() {
        let crossing = [[0.0, 0.0, 0.0], [1.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]];
        assert_eq!(triangulate(&crossing).len(), 2);
        let points = vec![[1.0, 1.0, 1.0]; 7];
        assert_eq!(triangulate(&points).len(), 5);
    }
}
