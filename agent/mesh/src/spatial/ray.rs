//! Rays: what is hit first, and whether anything is hit.

use glam::{DVec3, Vec4};

use super::build::{Bvh, EMPTY, Node, Pack};

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

/// A ray prepared for tests in single precision that never miss a box or a triangle.
struct Prepared {
    /// Origin, rounded away from the box's near and far side.
    origin_near: [Vec4; 3],
    origin_far: [Vec4; 3],
    inverse: [Vec4; 3],
    near_row: [usize; 3],
    sheared: Sheared,
}

impl Prepared {
    fn new(origin: DVec3, direction: DVec3, reach: f32) -> Self {
        let mut prepared = Self {
            origin_near: [Vec4::ZERO; 3],
            origin_far: [Vec4::ZERO; 3],
            inverse: [Vec4::ZERO; 3],
            near_row: [0; 3],
            sheared: Sheared::new(origin, direction, reach),
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
            prepared.inverse[axis] = Vec4::splat(1.0 / along);
            prepared.near_row[axis] = 2 * axis + usize::from(backwards);
            let (near, far) = if backwards {
                (-margin, margin)
            } else {
                (margin, -margin)
            };
            prepared.origin_near[axis] = Vec4::splat(coordinate + near);
            prepared.origin_far[axis] = Vec4::splat(coordinate + far);
        }
        prepared
    }

    /// Where the boxes of the children of `node` begin and end along one axis.
    #[inline(always)]
    fn along(&self, node: &Node, axis: usize) -> (Vec4, Vec4) {
        let row = self.near_row[axis];
        (
            (node.bounds[row] - self.origin_near[axis]) * self.inverse[axis],
            (node.bounds[row ^ 1] - self.origin_far[axis]) * self.inverse[axis],
        )
    }

    /// The entry distances of the children of `node`, and a bit for each whose box is met.
    #[inline(always)]
    fn enter(&self, node: &Node, least: Vec4, most: Vec4) -> (Vec4, u32) {
        let (x, y, z) = (self.along(node, 0), self.along(node, 1), self.along(node, 2));
        let near = x.0.max(y.0).max(z.0.max(least));
        let far = x.1.min(y.1).min(z.1.min(most));
        // The slack covers the rounding of the products (Ize 2013, Robust BVH Ray Traversal, from memory).
        let met = (near * 0.999_999).cmple(far * 1.000_001 + 1.0e-12);
        (near, met.bitmask())
    }
}

/// Unit of rounding of single precision.
const ROUNDING: f32 = f32::EPSILON * 0.5;

/// A ray seen along itself: space is sheared so that the ray is its third axis, and a triangle is met where the origin
/// lies in its outline (Woop, Benthin & Wald 2013, Watertight Ray/Triangle Intersection, from memory).
///
/// Here this runs in single precision over four triangles at once and only says which of them are certainly missed. With u the unit of rounding
/// and R the greatest coordinate of origin plus the greatest of any corner, coordinates relative to the origin are at most R and known
/// to within 2uR; the shear is at most 1 and known to within 3u of itself. So sheared coordinates are at most 2R and known to within
/// e = 16uR with room to spare. An edge function x1 y2 - x2 y1 of such numbers is then known to within 5/4 e (|x1| + |y1| + |x2| + |y2|), plus
/// 2e² for the numbers as they were and u of its two products, where the last is at most e/4 of the same sum. The bound used, 2e (the sum over all
/// corners + 4e), is above that, and above the rounding in double precision of the exact test too, so that two edge functions of certainly
/// opposite signs here have opposite signs there.
struct Sheared {
    axes: [usize; 3],
    /// Origin by the axes.
    origin: [Vec4; 3],
    /// By which the first and second axis change along the third.
    shear: [Vec4; 2],
    /// e above; infinite where products could overflow.
    error: f32,
}

impl Sheared {
    fn new(origin: DVec3, direction: DVec3, reach: f32) -> Self {
        let size = direction.abs();
        let third = if size.x >= size.y && size.x >= size.z {
            0
        } else if size.y >= size.z {
            1
        } else {
            2
        };
        let axes = [(third + 1) % 3, (third + 2) % 3, third];
        let extent = origin.abs().max_element() as f32 + reach;
        Self {
            axes,
            origin: axes.map(|axis| Vec4::splat(origin[axis] as f32)),
            shear: [0, 1].map(|axis| Vec4::splat((direction[axes[axis]] / direction[third]) as f32)),
            error: if extent < 1.0e18 {
                16.0 * ROUNDING * extent
            } else {
                f32::INFINITY
            },
        }
    }

    /// One corner of four triangles in the sheared plane. Written out and inlined by force: as a map over an array the compiler
    /// calls it, and takes the numbers through memory.
    #[inline(always)]
    fn seen(&self, axes: &[Vec4; 3]) -> (Vec4, Vec4) {
        let along = axes[self.axes[2]] - self.origin[2];
        (
            axes[self.axes[0]] - self.origin[0] - self.shear[0] * along,
            axes[self.axes[1]] - self.origin[1] - self.shear[1] * along,
        )
    }

    /// A bit for each triangle of the pack that may be met. What is not a number counts as met.
    #[inline(always)]
    fn may_meet(&self, pack: &Pack) -> u32 {
        let (a, b, c) = (
            self.seen(&pack.corners[0]),
            self.seen(&pack.corners[1]),
            self.seen(&pack.corners[2]),
        );
        let sum = (a.0.abs() + a.1.abs()) + (b.0.abs() + b.1.abs()) + (c.0.abs() + c.1.abs());
        let u = c.0 * b.1 - c.1 * b.0;
        let v = a.0 * c.1 - a.1 * c.0;
        let w = b.0 * a.1 - b.1 * a.0;
        // The least normal number covers products that underflow.
        let error = (sum + 4.0 * self.error) * (2.0 * self.error) + f32::MIN_POSITIVE;
        let missed = u.min(v).min(w).cmplt(-error) & u.max(v).max(w).cmpgt(error);
        !missed.bitmask()
    }
}

impl Bvh {
    /// The first triangle between `least` and `most` (in lengths of `direction`) that `accept` agrees to; of several at one distance, the
    /// lowest.
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
        let mut best: Option<Hit> = None;
        let mut limit = most;
        self.visit(origin, direction, least, most, |hit| {
            let is_first = best.is_none_or(|best| hit.triangle < best.triangle);
            if (hit.distance < limit || (hit.distance == limit && is_first)) && accept(&hit) {
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
        let prepared = Prepared::new(origin, direction, self.reach);
        let least_rounded = Vec4::splat((least as f32) * 0.999_999);
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
            let most_rounded = Vec4::splat((most as f32) * 1.000_001);
            let (enter, mut met) = prepared.enter(node, least_rounded, most_rounded);
            let enter = enter.to_array();
            let bottom = depth;
            while met != 0 {
                let slot = met.trailing_zeros() as usize;
                met &= met - 1;
                if node.count[slot] == 0 {
                    if node.child[slot] == EMPTY {
                        continue;
                    }
                    // Insertion keeps the nearest on top.
                    let near = enter[slot];
                    let mut place = depth;
                    while place > bottom && stack[place - 1].1 < near {
                        stack[place] = stack[place - 1];
                        place -= 1;
                    }
                    stack[place] = (node.child[slot], near);
                    depth += 1;
                    continue;
                }
                let pack = &self.packs[node.child[slot] as usize];
                let mut candidates = prepared.sheared.may_meet(pack) & ((1 << node.count[slot]) - 1);
                while candidates != 0 {
                    let lane = candidates.trailing_zeros() as usize;
                    candidates &= candidates - 1;
                    let Some((distance, weights, front)) =
                        meet_triangle(origin, direction, pack.corners_of(lane))
                    else {
                        continue;
                    };
                    if distance < least || distance > most {
                        continue;
                    }
                    match meet(Hit {
                        triangle: pack.triangles[lane],
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
pub(super) fn meet_triangle(
    origin: DVec3,
    direction: DVec3,
    corners: [DVec3; 3],
) -> Option<(f64, [f64; 3], bool)> {
    let [a, b, c] = [corners[0] - origin, corners[1] - origin, corners[2] - origin];
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
