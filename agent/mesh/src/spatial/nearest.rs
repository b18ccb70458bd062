//! The nearest point of a mesh.

use glam::DVec3;

use super::build::{Bvh, EMPTY, Node};

/// The nearest point of a mesh to a question.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// Index of the triangle in the mesh; of several equally near ones, the lowest.
    pub triangle: u32,
    /// Where.
    pub point: DVec3,
    /// Barycentric weights of the three corners; a zero says that the point is on an edge, two that it is a corner.
    pub weights: [f64; 3],
    /// Square of the distance, m².
    pub distance_squared: f64,
}

/// Covers the rounding of distances, so that a box never hides a triangle that is as near as the nearest.
const BOUND_SLACK: f64 = 1.0 - 1.0e-12;

impl Bvh {
    /// The nearest point within `radius` (metres; may be infinite), or none.
    pub fn nearest(&self, query: DVec3, radius: f64) -> Option<Nearest> {
        let mut limit = radius * radius;
        let mut best: Option<Nearest> = None;
        let mut stack = [(0_u32, 0.0_f64); 128];
        let mut depth = 1;
        while depth > 0 {
            depth -= 1;
            let (index, bound) = stack[depth];
            if bound * BOUND_SLACK > limit {
                continue;
            }
            let node = &self.nodes[index as usize];
            let distances = box_distances(node, query);
            let mut order = [0_usize, 1, 2, 3];
            sort_by_distance(&mut order, &distances);
            // Leaves at once, nearest first; inner nodes on the stack, farthest first, so that the nearest is next.
            for &slot in &order {
                if node.count[slot] > 0 && distances[slot] * BOUND_SLACK <= limit {
                    let pack = &self.packs[node.child[slot] as usize];
                    for lane in 0..node.count[slot] as usize {
                        let (point, weights) = closest_on_triangle(query, pack.corners_of(lane));
                        let distance_squared = (point - query).length_squared();
                        let triangle = pack.triangles[lane];
                        let is_first = best.is_none_or(|best| triangle < best.triangle);
                        if distance_squared < limit || (distance_squared == limit && is_first) {
                            limit = distance_squared;
                            best = Some(Nearest {
                                triangle,
                                point,
                                weights,
                                distance_squared,
                            });
                        }
                    }
                }
            }
            for &slot in order.iter().rev() {
                if node.count[slot] == 0
                    && node.child[slot] != EMPTY
                    && distances[slot] * BOUND_SLACK <= limit
                {
                    stack[depth] = (node.child[slot], distances[slot]);
                    depth += 1;
                }
            }
        }
        best
    }
}

fn box_distances(node: &Node, query: DVec3) -> [f64; 4] {
    let mut sums = [0.0; 4];
    for axis in 0..3 {
        let coordinate = query[axis];
        for (slot, sum) in sums.iter_mut().enumerate() {
            let below = f64::from(node.bounds[2 * axis][slot]) - coordinate;
            let above = coordinate - f64::from(node.bounds[2 * axis + 1][slot]);
            let outside = below.max(above).max(0.0);
            *sum += outside * outside;
        }
    }
    sums
}

fn sort_by_distance(order: &mut [usize; 4], distances: &[f64; 4]) {
    let mut swap = |a: usize, b: usize| {
        if distances[order[b]] < distances[order[a]] {
            order.swap(a, b);
        }
    };
    swap(0, 1);
    swap(2, 3);
    swap(0, 2);
    swap(1, 3);
    swap(1, 2);
}

/// The point of a triangle nearest to `query`, with its barycentric weights.
///
/// Source of the seven regions: Ericson, Real-Time Collision Detection, 2004, section 5.1.5 (from memory).
pub fn closest_on_triangle(query: DVec3, [a, b, c]: [DVec3; 3]) -> (DVec3, [f64; 3]) {
    let (ab, ac, aq) = (b - a, c - a, query - a);
    let (d1, d2) = (ab.dot(aq), ac.dot(aq));
    if d1 <= 0.0 && d2 <= 0.0 {
        return (a, [1.0, 0.0, 0.0]);
    }
    let bq = query - b;
    let (d3, d4) = (ab.dot(bq), ac.dot(bq));
    if d3 >= 0.0 && d4 <= d3 {
        return (b, [0.0, 1.0, 0.0]);
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 && d1 > d3 {
        let share = d1 / (d1 - d3);
        return (a + ab * share, [1.0 - share, share, 0.0]);
    }
    let cq = query - c;
    let (d5, d6) = (ab.dot(cq), ac.dot(cq));
    if d6 >= 0.0 && d5 <= d6 {
        return (c, [0.0, 0.0, 1.0]);
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 && d2 > d6 {
        let share = d2 / (d2 - d6);
        return (a + ac * share, [1.0 - share, 0.0, share]);
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 >= d3 && d5 >= d6 && (d4 - d3) + (d5 - d6) > 0.0 {
        let share = (d4 - d3) / ((d4 - d3) + (d5 - d6));
        return (b + (c - b) * share, [0.0, 1.0 - share, share]);
    }
    let sum = va + vb + vc;
    if sum <= 0.0 {
        // No area: every point of it is on an edge, and the corner is the one that needs no division.
        return (a, [1.0, 0.0, 0.0]);
    }
    let (v, w) = (vb / sum, vc / sum);
    (a + ab * v + ac * w, [1.0 - v - w, v, w])
}
