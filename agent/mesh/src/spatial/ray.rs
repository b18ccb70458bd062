//! Rays: what is hit first, and whether anything is hit.

use glam::DVec3;

use super::build::{Bvh, EMPTY, Node};

/// Where a ray meets a triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hit {
    /// Index of the triangle in the mesh.
    pub triangle: u32,
    /// In lengths of the ray's direction.
    pub distance: f64,
    /// Barycentric weights of the three corners.
    pub weights: [f64; 3],
    /// The ray comes from the side that the triangle's normal points to.
    pub front: bool,
}

/// A ray prepared for box tests in single precision that never miss a box.
struct Prepared {
    /// Origin, rounded away from the box's near and far side.
    origin_near: [f32; 3],
    origin_far: [f32; 3],
    inverse: [f32; 3],
    near_row: [usize; 3],
}

impl Prepared {
    fn new(origin: DVec3, direction: DVec3) -> Self {
        let mut prepared = Self {
            origin_near: [0.0; 3],
            origin_far: [0.0; 3],
            inverse: [0.0; 3],
            near_row: [0; 3],
        };
        for axis in 0..3 {
            let coordinate = origin[axis] as f32;
            // Three units in the last place cover the rounding of the origin and of the subtraction.
            let margin = coordinate.abs() * 4.0e-7 + 1.0e-12;
            let mut along = direction[axis] as f32;
            if along.abs() < 1.0e-18 {
                along = if direction[axis] < 0.0 { -1.0e-18 } else { 1.0e-18 };
            }
            let backwards = along < 0.0;
            prepared.inverse[axis] = 1.0 / along;
            prepared.near_row[axis] = 2 * axis + usize::from(backwards);
            let (near, far) = if backwards {
                (-margin, margin)
            } else {
                (margin, -margin)
            };
            prepared.origin_near[axis] = coordinate + near;
            prepared.origin_far[axis] = coordinate + far;
        }
        prepared
    }

    /// For each child of `node` the entry distance, or infinity where the box is missed.
    fn enter(&self, node: &Node, least: f32, most: f32) -> [f32; 4] {
        let mut near = [least; 4];
        let mut far = [most; 4];
        for axis in 0..3 {
            let near_bounds = &node.bounds[self.near_row[axis]];
            let far_bounds = &node.bounds[self.near_row[axis] ^ 1];
            for slot in 0..4 {
                let enter = (near_bounds[slot] - self.origin_near[axis]) * self.inverse[axis];
                let leave = (far_bounds[slot] - self.origin_far[axis]) * self.inverse[axis];
                near[slot] = if enter > near[slot] { enter } else { near[slot] };
                far[slot] = if leave < far[slot] { leave } else { far[slot] };
            }
        }
        let mut answer = [f32::INFINITY; 4];
        for slot in 0..4 {
            // The slack covers the rounding of the products (Ize 2013, Robust BVH Ray Traversal, from memory).
            if near[slot] * 0.999_999 <= far[slot] * 1.000_001 + 1.0e-12 {
                answer[slot] = near[slot];
            }
        }
        answer
    }
}

impl Bvh {
    /// The first triangle between `least` and `most` (in lengths of `direction`) that `accept` agrees to.
    ///
    /// Watertight: a ray through a common edge or corner of two triangles never slips between them, because both
    /// compute the same number for the edge, with opposite signs.
    pub fn first_hit(
        &self,
        origin: DVec3,
        direction: DVec3,
        least: f64,
        most: f64,
        accept: impl Fn(&Hit) -> bool,
    ) -> Option<Hit> {
        let mut best = None;
        let mut limit = most;
        self.visit(origin, direction, least, most, |hit| {
            if (hit.distance < limit || (best.is_none() && hit.distance <= limit)) && accept(&hit) {
                limit = hit.distance;
                best = Some(hit);
            }
            Some(limit)
        });
        best
    }

    /// Whether any triangle is met between `least` and `most`.
    pub fn any_hit(&self, origin: DVec3, direction: DVec3, least: f64, most: f64) -> bool {
        let mut found = false;
        self.visit(origin, direction, least, most, |_| {
            found = true;
            None
        });
        found
    }

    /// Calls `meet` for each triangle met; it gives the new greatest distance, or none to end.
    fn visit(
        &self,
        origin: DVec3,
        direction: DVec3,
        least: f64,
        most: f64,
        mut meet: impl FnMut(Hit) -> Option<f64>,
    ) {
        let prepared = Prepared::new(origin, direction);
        let least_rounded = (least as f32) * 0.999_999;
        let mut most = most;
        let mut stack = [(0_u32, 0.0_f32); 128];
        let mut depth = 1;
        while depth > 0 {
            depth -= 1;
            let (index, bound) = stack[depth];
            if f64::from(bound) * 0.999_999 > most {
                continue;
            }
            let node = &self.nodes[index as usize];
            let enter = prepared.enter(node, least_rounded, (most as f32) * 1.000_001);
            let bottom = depth;
            for (slot, &near) in enter.iter().enumerate() {
                if node.child[slot] == EMPTY || near == f32::INFINITY {
                    continue;
                }
                if node.count[slot] == 0 {
                    // Insertion keeps the nearest on top.
                    let mut place = depth;
                    while place > bottom && stack[place - 1].1 < near {
                        stack[place] = stack[place - 1];
                        place -= 1;
                    }
                    stack[place] = (node.child[slot], near);
                    depth += 1;
                    continue;
                }
                for place in node.child[slot] as usize..(node.child[slot] + node.count[slot]) as usize {
                    let Some((distance, weights, front)) =
                        meet_triangle(origin, direction, self.corners_at(place))
                    else {
                        continue;
                    };
                    if distance < least || distance > most {
                        continue;
                    }
                    match meet(Hit {
                        triangle: self.triangle_of[place],
                        distance,
                        weights,
                        front,
                    }) {
                        Some(limit) => most = limit,
                        None => return,
                    }
                }
            }
        }
    }
}

/// Distance, barycentric weights and whether the front is met.
///
/// The signed volumes of the ray with the three edges (Plücker coordinates; from memory). Edge functions of a shared
/// edge are exact negatives of each other, so borders count for both sides and nothing slips through.
fn meet_triangle(origin: DVec3, direction: DVec3, corners: [DVec3; 3]) -> Option<(f64, [f64; 3], bool)> {
    let [a, b, c] = corners.map(|corner| corner - origin);
    let u = direction.dot(c.cross(b));
    let v = direction.dot(a.cross(c));
    // Most triangles are missed, and most of those are known by two of the three.
    if (u > 0.0 && v < 0.0) || (u < 0.0 && v > 0.0) {
        return None;
    }
    let w = direction.dot(b.cross(a));
    let front = u >= 0.0 && v >= 0.0 && w >= 0.0;
    let back = u <= 0.0 && v <= 0.0 && w <= 0.0;
    if !front && !back {
        return None;
    }
    let sum = u + v + w;
    if sum == 0.0 {
        return None;
    }
    let weights = [u / sum, v / sum, w / sum];
    let met = a * weights[0] + b * weights[1] + c * weights[2];
    Some((met.dot(direction) / direction.length_squared(), weights, front))
}
