//! A convex hull that grows by the farthest point, in f64.
//!
//! The quickhull way (Barber, Dobkin and Huhdanpaa, "The Quickhull Algorithm for Convex Hulls", ACM TOMS 22(4), 1996), but
//! of all points that lie outside the one farthest away comes next, so that a hull of few corners is as close as this order
//! makes it. With the limit out of reach it is the whole hull.

use std::collections::HashMap;

type Point = [f64; 3];

/// A closed convex surface, seen from outside its triangles turn counter-clockwise.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hull {
    pub(super) corners: Vec<Point>,
    pub(super) triangles: Vec<[u32; 3]>,
    /// How far the farthest point lies outside, metres: 0 where the limit did not matter.
    pub(super) gap: f64,
}

/// Of a part's extent: what lies closer to a plane is on it.
const FLATNESS: f64 = 1e-9;
/// A part thinner than this share of its extent has no inside worth the name; it becomes a box of this thickness.
const LEAST_THICKNESS: f64 = 1e-4;

struct Face {
    corners: [usize; 3],
    normal: Point,
    offset: f64,
    outside: Vec<usize>,
    alive: bool,
}

impl Hull {
    /// Of at least one finite point, with at most `most_triangles` (4 or more).
    pub(super) fn of(points: &[Point], most_triangles: usize) -> Self {
        // Rounding can fold a nearly flat region; a coarser plane takes it as flat.
        for coarser in 0..4 {
            let flatness = FLATNESS * 100_f64.powi(coarser);
            if let Some(hull) = grow(points, most_triangles, flatness).filter(Self::is_closed) {
                return hull;
            }
        }
        Self::around(points)
    }

    /// The box along the axes.
    pub(super) fn around(points: &[Point]) -> Self {
        let (mut least, mut most) = bounds(points);
        let extent = (0..3).map(|axis| most[axis] - least[axis]).fold(0.0, f64::max);
        let thickness = if extent > 0.0 {
            extent * LEAST_THICKNESS
        } else {
            LEAST_THICKNESS
        };
        for axis in 0..3 {
            let lacking = thickness - (most[axis] - least[axis]);
            if lacking > 0.0 {
                least[axis] -= lacking / 2.0;
                most[axis] += lacking / 2.0;
            }
        }
        let corners = (0..8_usize).map(|corner| {
            [0, 1, 2].map(|axis| {
                if corner >> axis & 1 == 1 {
                    most[axis]
                } else {
                    least[axis]
                }
            })
        });
        // Corner numbers count x, y and z in their bits.
        const SIDES: [[u32; 4]; 6] = [
            [0, 4, 6, 2],
            [1, 3, 7, 5],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 2, 3, 1],
            [4, 5, 7, 6],
        ];
        let triangles = SIDES.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]);
        Self {
            corners: corners.collect(),
            triangles: triangles.collect(),
            gap: 0.0,
        }
    }

    /// Cubic metres.
    pub(super) fn volume(&self) -> f64 {
        let at = |corner: u32| self.corners[corner as usize];
        // About a corner of its own, so that a hull far from the origin loses nothing.
        let origin = self.corners[0];
        let six = self.triangles.iter().map(|[a, b, c]| {
            let [a, b, c] = [at(*a), at(*b), at(*c)].map(|corner| minus(corner, origin));
            dot(a, cross(b, c))
        });
        six.sum::<f64>() / 6.0
    }

    fn is_closed(&self) -> bool {
        let mut edges = HashMap::new();
        for [a, b, c] in &self.triangles {
            for edge in [(a, b), (b, c), (c, a)] {
                *edges.entry(edge).or_insert(0) += 1;
            }
        }
        edges
            .iter()
            .all(|((a, b), count)| *count == 1 && edges.contains_key(&(*b, *a)))
    }
}

fn grow(points: &[Point], most_triangles: usize, flatness: f64) -> Option<Hull> {
    let (least, most) = bounds(points);
    let extent = (0..3).map(|axis| most[axis] - least[axis]).fold(0.0, f64::max);
    let near = extent * flatness;
    let first = first_four(points, extent * LEAST_THICKNESS)?;
    let middle = first
        .map(|index| points[index])
        .iter()
        .fold([0.0; 3], |sum, point| plus(sum, scaled(*point, 0.25)));
    let mut faces: Vec<Face> = [[0, 1, 2], [0, 3, 1], [1, 3, 2], [2, 3, 0]]
        .iter()
        .map(|corners| face(points, corners.map(|corner| first[corner]), middle))
        .collect();
    hand_out(
        (0..points.len()).filter(|index| !first.contains(index)),
        points,
        &mut faces,
        0,
        near,
    );

    // A closed surface of triangles with v corners has 2v - 4 of them (Euler).
    let most_corners = (most_triangles + 4) / 2;
    let mut corners = 4;
    let mut gap = 0.0;
    while let Some((number, index, distance)) = farthest(points, &faces) {
        if corners >= most_corners {
            gap = distance;
            break;
        }
        add(points, &mut faces, number, index, near)?;
        corners += 1;
    }
    Some(compact(points, &faces, gap))
}

/// Four points that span a body thicker than `thin`.
fn first_four(points: &[Point], thin: f64) -> Option<[usize; 4]> {
    let indices = 0..points.len();
    let best = |measure: &dyn Fn(Point) -> f64| {
        // The first of equals, so that the order of work never shows.
        indices.clone().fold((0, f64::NEG_INFINITY), |best, index| {
            let found = measure(points[index]);
            if found > best.1 { (index, found) } else { best }
        })
    };
    let (a, _) = best(&|point| -point[0]);
    let (b, apart) = best(&|point| length(minus(point, points[a])));
    let along = scaled(minus(points[b], points[a]), 1.0 / apart);
    let (c, aside) = best(&|point| {
        let offset = minus(point, points[a]);
        length(minus(offset, scaled(along, dot(offset, along))))
    });
    let normal = cross(minus(points[b], points[a]), minus(points[c], points[a]));
    let normal = scaled(normal, 1.0 / length(normal));
    let (d, above) = best(&|point| dot(minus(point, points[a]), normal).abs());
    let is_body = [apart, aside, above]
        .iter()
        .all(|size| size.is_finite() && *size > thin);
    is_body.then_some([a, b, c, d])
}

/// Turned so that `inside` lies behind it.
fn face(points: &[Point], corners: [usize; 3], inside: Point) -> Face {
    let [a, b, c] = corners.map(|corner| points[corner]);
    let normal = cross(minus(b, a), minus(c, a));
    let normal = scaled(normal, 1.0 / length(normal));
    let turned = dot(minus(inside, a), normal) > 0.0;
    let (corners, normal) = if turned {
        ([corners[0], corners[2], corners[1]], scaled(normal, -1.0))
    } else {
        (corners, normal)
    };
    Face {
        corners,
        normal,
        offset: dot(normal, a),
        outside: Vec::new(),
        alive: true,
    }
}

fn above(face: &Face, point: Point) -> f64 {
    dot(face.normal, point) - face.offset
}

/// Each point goes to the face, from `first` on, that it lies farthest above; those above none are inside.
fn hand_out(
    indices: impl Iterator<Item = usize>,
    points: &[Point],
    faces: &mut [Face],
    first: usize,
    near: f64,
) {
    for index in indices {
        let mut best = (usize::MAX, near);
        for (number, face) in faces.iter().enumerate().skip(first) {
            let distance = above(face, points[index]);
            if distance > best.1 {
                best = (number, distance);
            }
        }
        if best.0 != usize::MAX {
            faces[best.0].outside.push(index);
        }
    }
}

/// Face, point and distance.
fn farthest(points: &[Point], faces: &[Face]) -> Option<(usize, usize, f64)> {
    let mut best: Option<(usize, usize, f64)> = None;
    for (number, face) in faces.iter().enumerate().filter(|(_, face)| face.alive) {
        for &index in &face.outside {
            let distance = above(face, points[index]);
            if best.is_none_or(|(_, _, most)| distance > most) {
                best = Some((number, index, distance));
            }
        }
    }
    best
}

/// Replaces all faces that see the point by a cone from it. `None`: what they bound is no disc.
fn add(points: &[Point], faces: &mut Vec<Face>, number: usize, index: usize, near: f64) -> Option<()> {
    let mut face_of_edge = HashMap::new();
    for (number, face) in faces.iter().enumerate().filter(|(_, face)| face.alive) {
        let [a, b, c] = face.corners;
        for edge in [(a, b), (b, c), (c, a)] {
            face_of_edge.insert(edge, number);
        }
    }
    // From the face that it is outside of over shared edges, so that what is seen is one piece.
    let mut seen = vec![number];
    let mut horizon = Vec::new();
    faces[number].alive = false;
    let mut next = 0;
    while let Some(&current) = seen.get(next) {
        next += 1;
        let [a, b, c] = faces[current].corners;
        for (from, to) in [(a, b), (b, c), (c, a)] {
            let neighbour = *face_of_edge.get(&(to, from))?;
            if seen.contains(&neighbour) {
                continue;
            }
            if above(&faces[neighbour], points[index]) > near {
                faces[neighbour].alive = false;
                seen.push(neighbour);
            } else {
                horizon.push((from, to, neighbour));
            }
        }
    }
    horizon.retain(|(_, _, neighbour)| faces[*neighbour].alive);
    let starts: std::collections::HashSet<usize> = horizon.iter().map(|(from, _, _)| *from).collect();
    if starts.len() != horizon.len() || horizon.len() < 3 {
        return None;
    }
    let first = faces.len();
    for (from, to, _) in horizon {
        let [a, b] = [points[from], points[to]].map(|corner| minus(corner, points[index]));
        let normal = cross(a, b);
        let size = length(normal);
        if size == 0.0 {
            return None;
        }
        let normal = scaled(normal, 1.0 / size);
        faces.push(Face {
            corners: [from, to, index],
            normal,
            offset: dot(normal, points[index]),
            outside: Vec::new(),
            alive: true,
        });
    }
    let homeless: Vec<usize> = seen
        .iter()
        .flat_map(|number| std::mem::take(&mut faces[*number].outside))
        .collect();
    hand_out(
        homeless.into_iter().filter(|other| *other != index),
        points,
        faces,
        first,
        near,
    );
    Some(())
}

fn compact(points: &[Point], faces: &[Face], gap: f64) -> Hull {
    let mut numbers = HashMap::new();
    let mut corners = Vec::new();
    let alive = faces.iter().filter(|face| face.alive);
    let triangles = alive
        .map(|face| {
            face.corners.map(|corner| {
                *numbers.entry(corner).or_insert_with(|| {
                    corners.push(points[corner]);
                    corners.len() as u32 - 1
                })
            })
        })
        .collect();
    Hull {
        corners,
        triangles,
        gap,
    }
}

/// The least and the greatest of each coordinate.
pub(super) fn bounds(points: &[Point]) -> (Point, Point) {
    let start = ([f64::INFINITY; 3], [f64::NEG_INFINITY; 3]);
    points.iter().fold(start, |(least, most), point| {
        (
            [0, 1, 2].map(|axis| least[axis].min(point[axis])),
            [0, 1, 2].map(|axis| most[axis].max(point[axis])),
        )
    })
}

fn plus(a: Point, b: Point) -> Point {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

fn minus(a: Point, b: Point) -> Point {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn scaled(a: Point, factor: f64) -> Point {
    a.map(|part| part * factor)
}

fn dot(a: Point, b: Point) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: Point, b: Point) -> Point {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn length(a: Point) -> f64 {
    dot(a, a).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_sound(hull: &Hull, points: &[Point], slack: f64) {
        assert!(hull.is_closed());
        assert!(hull.volume() > 0.0);
        for [a, b, c] in &hull.triangles {
            let [a, b, c] = [*a, *b, *c].map(|corner| hull.corners[corner as usize]);
            let normal = cross(minus(b, a), minus(c, a));
            let size = length(normal);
            for point in points {
                assert!(
                    dot(minus(*point, a), normal) <= slack * size,
                    "{point:?} lies outside"
                );
            }
        }
    }

    fn ball(count: usize) -> Vec<Point> {
        // Points in even turns about an axis.
        (0..count)
            .map(|number| {
                let z = 1.0 - 2.0 * (number as f64 + 0.5) / count as f64;
                let (angle, radius) = (number as f64 * 2.399_963_229_728_653, (1.0 - z * z).sqrt());
                [radius * libm::cos(angle), radius * libm::sin(angle), z]
            })
            .collect()
    }

    #[test]
    fn a_cube_with_all_that_lies_in_it_and_on_it_is_a_cube() {
        let mut points = Vec::new();
        for x in 0..=4 {
            for y in 0..=4 {
                for z in 0..=4 {
                    points.push([f64::from(x), f64::from(y), f64::from(z)]);
                }
            }
        }
        let hull = Hull::of(&points, 2000);
        is_sound(&hull, &points, 1e-8);
        assert!((hull.volume() - 64.0).abs() < 1e-9);
        assert_eq!((hull.triangles.len(), hull.gap), (12, 0.0));
    }

    #[test]
    fn a_limit_is_kept_and_the_gap_is_what_it_costs() {
        let points = ball(2000);
        let whole = Hull::of(&points, 100_000);
        is_sound(&whole, &points, 1e-8);
        assert_eq!(whole.triangles.len(), 2 * 2000 - 4);
        let mut volumes = Vec::new();
        for most in [4, 20, 60, 200] {
            let hull = Hull::of(&points, most);
            assert!(hull.triangles.len() <= most, "{most}");
            is_sound(&hull, &points, hull.gap * (1.0 + 1e-9));
            volumes.push(hull.volume());
        }
        assert!(volumes.is_sorted());
        assert!(volumes[3] > 0.94 * whole.volume(), "{volumes:?}");
        // A ball of radius 1, from inside: (4/3) pi.
        assert!((whole.volume() / (4.0 / 3.0 * std::f64::consts::PI) - 1.0).abs() < 0.01);
    }

    #[test]
    fn what_has_no_inside_becomes_a_thin_box() {
        let plate: Vec<Point> = ball(50).iter().map(|[x, y, _]| [*x, *y, 3.0]).collect();
        let line: Vec<Point> = (0..9).map(|x| [f64::from(x), 0.0, 0.0]).collect();
        for points in [plate, line, vec![[1.0, 2.0, 3.0]; 5]] {
            let hull = Hull::of(&points, 60);
            assert_eq!(hull.triangles.len(), 12);
            is_sound(&hull, &points, 1e-12);
        }
    }

    #[test]
    fn far_from_the_origin_and_very_small_it_is_the_same_shape() {
        let near = Hull::of(&ball(300), 100);
        for (factor, offset) in [(1e-6, 0.0), (1e6, 0.0), (1.0, 1e4)] {
            let points: Vec<Point> = ball(300)
                .iter()
                .map(|point| point.map(|part| part * factor + offset))
                .collect();
            let hull = Hull::of(&points, 100);
            assert!(
                (hull.volume() / (near.volume() * factor * factor * factor) - 1.0).abs() < 1e-6,
                "{factor} {offset}"
            );
        }
    }
}
