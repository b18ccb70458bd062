//! Splits a shape into parts whose hulls lie closer to it: each time at the axis plane, and in the part, where the sum of the
//! hulls' volumes falls most.

use rayon::prelude::*;

use super::hull::{Hull, bounds};

type Triangle = [[f64; 3]; 3];

/// Planes that are tried along each axis.
const PLANES: usize = 23;
/// Hulls of what a plane would make have at most so many triangles: enough to compare volumes.
const TRIED_TRIANGLES: usize = 60;
/// A further hull must take off this share of the volume of the one hull around all.
const LEAST_GAIN: f64 = 0.01;

struct Part {
    triangles: Vec<Triangle>,
    volume: f64,
    best: Option<Cut>,
}

/// A plane, and by how much the hulls' volumes fall there.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Cut {
    gain: f64,
    axis: usize,
    at: f64,
}

/// Points of each part, at most `most` parts. Deterministic whatever the number of threads.
pub(super) fn split(triangles: Vec<Triangle>, most: usize) -> Vec<Vec<[f64; 3]>> {
    let whole = part(triangles, most > 1);
    let least_gain = whole.volume * LEAST_GAIN;
    let mut parts = vec![whole];
    while parts.len() < most {
        let gains = parts
            .iter()
            .enumerate()
            .filter_map(|(number, part)| Some((number, part.best?)));
        // The first of equals.
        let best = gains.fold(None, |best: Option<(usize, Cut)>, (number, cut)| match best {
            Some((_, found)) if found.gain >= cut.gain => best,
            _ => Some((number, cut)),
        });
        let Some((number, cut)) = best.filter(|(_, cut)| cut.gain > least_gain) else {
            break;
        };
        let halves = halves(&parts[number].triangles, cut.axis, cut.at);
        let [left, right] = halves.map(|half| part(half, true));
        parts[number] = left;
        parts.insert(number + 1, right);
    }
    parts
        .into_iter()
        .map(|part| part.triangles.into_flattened())
        .collect()
}

fn part(triangles: Vec<Triangle>, look_for_cut: bool) -> Part {
    let volume = Hull::of(triangles.as_flattened(), TRIED_TRIANGLES).volume();
    let best = if look_for_cut {
        best_cut(&triangles, volume)
    } else {
        None
    };
    Part {
        triangles,
        volume,
        best,
    }
}

fn best_cut(triangles: &[Triangle], volume: f64) -> Option<Cut> {
    let (least, most) = bounds(triangles.as_flattened());
    let cuts: Vec<Option<Cut>> = (0..3 * PLANES)
        .into_par_iter()
        .map(|number| {
            let (axis, step) = (number / PLANES, number % PLANES);
            let share = (step + 1) as f64 / (PLANES + 1) as f64;
            let at = least[axis] + (most[axis] - least[axis]) * share;
            let [left, right] = halves(triangles, axis, at);
            if left.is_empty() || right.is_empty() {
                return None;
            }
            let of = |half: &[Triangle]| Hull::of(half.as_flattened(), TRIED_TRIANGLES).volume();
            Some(Cut {
                gain: volume - of(&left) - of(&right),
                axis,
                at,
            })
        })
        .collect();
    cuts.into_iter()
        .flatten()
        .fold(None, |best: Option<Cut>, cut| match best {
            Some(found) if found.gain >= cut.gain => best,
            _ => Some(cut),
        })
}

/// What lies below and above a plane. The surface is left open there: a lid adds nothing to a hull.
fn halves(triangles: &[Triangle], axis: usize, at: f64) -> [Vec<Triangle>; 2] {
    let (mut below, mut above) = (Vec::new(), Vec::new());
    for triangle in triangles {
        let sides = triangle.map(|corner| corner[axis] > at);
        match sides {
            [false, false, false] => below.push(*triangle),
            [true, true, true] => above.push(*triangle),
            _ => {
                fan(&clipped(triangle, axis, at, false), &mut below);
                fan(&clipped(triangle, axis, at, true), &mut above);
            }
        }
    }
    [below, above]
}

/// The corners of what lies on one side (Sutherland and Hodgman, "Reentrant Polygon Clipping", CACM 17(1), 1974).
fn clipped(triangle: &Triangle, axis: usize, at: f64, above: bool) -> Vec<[f64; 3]> {
    let mut corners = Vec::with_capacity(4);
    for number in 0..3 {
        let (from, to) = (triangle[number], triangle[(number + 1) % 3]);
        let is_in = |corner: [f64; 3]| (corner[axis] > at) == above;
        if is_in(from) {
            corners.push(from);
        }
        if is_in(from) != is_in(to) {
            let share = (at - from[axis]) / (to[axis] - from[axis]);
            let mut met = [0, 1, 2].map(|axis| from[axis] + (to[axis] - from[axis]) * share);
            met[axis] = at;
            corners.push(met);
        }
    }
    corners
}

fn fan(corners: &[[f64; 3]], triangles: &mut Vec<Triangle>) {
    for pair in corners.get(1..).unwrap_or_default().windows(2) {
        triangles.push([corners[0], pair[0], pair[1]]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_shapes::cuboid;

    fn triangles(mesh: &crate::Mesh) -> Vec<Triangle> {
        (0..mesh.triangles.len())
            .map(|face| mesh.corners(face).map(|corner| corner.map(f64::from)))
            .collect()
    }

    /// Two boxes that make an L.
    fn corner() -> Vec<Triangle> {
        let mut all = triangles(&cuboid([0.0; 3], [4.0, 1.0, 1.0], "timber"));
        all.extend(triangles(&cuboid([0.0, 1.0, 0.0], [1.0, 4.0, 1.0], "timber")));
        all
    }

    #[test]
    fn an_l_becomes_its_two_legs() {
        let volume = |parts: &[Vec<[f64; 3]>]| {
            parts
                .iter()
                .map(|points| Hull::of(points, 60).volume())
                .sum::<f64>()
        };
        let one = split(corner(), 1);
        // By hand: the square of 4 less the triangle that the hull cuts off, (4 - 1)^2 / 2.
        assert!((volume(&one) - (16.0 - 4.5)).abs() < 1e-9);
        let two = split(corner(), 2);
        assert_eq!(two.len(), 2);
        assert!(volume(&two) < 1.1 * 7.0, "{}", volume(&two));
        let many = split(corner(), 64);
        assert!(many.len() < 8, "no more than gain something: {}", many.len());
        assert!(volume(&many) < 1.06 * 7.0);
    }

    #[test]
    fn a_convex_shape_stays_one() {
        assert_eq!(
            split(triangles(&cuboid([0.0; 3], [1.0, 2.0, 3.0], "iron")), 8).len(),
            1
        );
    }
}
