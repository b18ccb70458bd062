//! Keeps faces from passing through each other: far below what a form needs, two sides of a thin part would change places.
//!
//! Only a coarse surface is watched. On a fine one, edges are shorter than parts are thick, and every check costs time.

use glam::DVec3;

use super::surface::Surface;

/// Faces are watched from so many on.
const MOST_FACES: usize = 2500;

/// Boxes around the living faces of a coarse surface.
#[derive(Default)]
pub(super) struct Watch {
    boxes: Vec<Around>,
    /// For each triangle the place of its box.
    place_of: Vec<u32>,
    /// Where faces pass through each other already, that stands only in the way of what makes it worse.
    pub lenient: bool,
}

/// A box in single precision, rounded outwards; that of a dead face holds nothing.
#[derive(Clone, Copy)]
struct Around {
    low: [f32; 3],
    high: [f32; 3],
    triangle: u32,
}

impl Around {
    fn of(corners: &[DVec3], triangle: u32) -> Self {
        let low = corners.iter().copied().fold(DVec3::INFINITY, DVec3::min);
        let high = corners.iter().copied().fold(DVec3::NEG_INFINITY, DVec3::max);
        Self {
            low: low.to_array().map(|coordinate| (coordinate as f32).next_down()),
            high: high.to_array().map(|coordinate| (coordinate as f32).next_up()),
            triangle,
        }
    }

    fn meets(&self, other: &Self) -> bool {
        // Without branches, since nearly every box is missed.
        (0..3).fold(true, |meets, axis| {
            meets & (self.low[axis] <= other.high[axis]) & (other.low[axis] <= self.high[axis])
        })
    }
}

impl Watch {
    /// Brings the boxes up to date after the faces of a vertex have changed; begins to watch when the surface is coarse enough.
    pub fn update(&mut self, surface: &Surface, vertex: u32) {
        if self.boxes.is_empty() {
            if surface.living <= MOST_FACES {
                self.begin(surface);
            }
            return;
        }
        for corner in surface.corners(vertex) {
            self.set(surface, corner / 3);
        }
    }

    fn begin(&mut self, surface: &Surface) {
        for triangle in 0..surface.triangles.len() as u32 {
            if surface.alive[triangle as usize] {
                self.set(surface, triangle);
            }
        }
    }

    fn set(&mut self, surface: &Surface, triangle: u32) {
        let around = Around::of(&surface.places(triangle), triangle);
        if self.place_of.len() <= triangle as usize {
            self.place_of.resize(surface.triangles.len(), u32::MAX);
        }
        let place = &mut self.place_of[triangle as usize];
        if *place == u32::MAX {
            *place = self.boxes.len() as u32;
            self.boxes.push(around);
        } else {
            self.boxes[*place as usize] = around;
        }
    }

    /// Whether any face at the two ends would pass through another one if both ends came together at `place`; for a lenient watch,
    /// through more of them than now.
    pub fn would_cross(&self, surface: &Surface, [a, b]: [u32; 2], place: DVec3) -> bool {
        if self.boxes.is_empty() {
            return false;
        }
        // What stays of the faces at either end, as they would be, with `a` for both ends.
        let mut faces: Vec<Face> = Vec::with_capacity(16);
        for (end, other) in [(a, b), (b, a)] {
            for corner in surface.corners(end) {
                let [first, second] = surface.others(corner);
                if first != other && second != other {
                    let [p, q] = [first, second].map(|vertex| surface.positions[vertex as usize]);
                    faces.push(([a, first, second], [place, p, q]));
                }
            }
        }
        let most = if self.lenient { usize::MAX } else { 1 };
        let after = self.crossings(surface, &faces, [a, b], most);
        if after == 0 || !self.lenient {
            return after > 0;
        }
        let now: Vec<Face> = surface
            .corners(a)
            .chain(
                surface
                    .corners(b)
                    .filter(|&corner| !surface.others(corner).contains(&a)),
            )
            .map(|corner| face(surface, corner / 3))
            .collect();
        self.crossings(surface, &now, [a, b], after) < after
    }

    /// How many pairs of one of these faces and one that is not at the two vertices pass through each other; counted up to `most`.
    fn crossings(&self, surface: &Surface, faces: &[Face], ends: [u32; 2], most: usize) -> usize {
        let corners: Vec<DVec3> = faces.iter().flat_map(|(_, corners)| *corners).collect();
        let all = Around::of(&corners, 0);
        let near: Vec<Face> = self
            .boxes
            .iter()
            .filter(|around| all.meets(around) && surface.alive[around.triangle as usize])
            .map(|around| face(surface, around.triangle))
            .filter(|(vertices, _)| !ends.iter().any(|end| vertices.contains(end)))
            .collect();
        faces
            .iter()
            .flat_map(|one| near.iter().filter(|other| crosses(one, other)))
            .take(most)
            .count()
    }
}

/// Vertices of a face and their places.
type Face = ([u32; 3], [DVec3; 3]);

fn face(surface: &Surface, triangle: u32) -> Face {
    (surface.triangles[triangle as usize], surface.places(triangle))
}

/// Whether two faces pass through each other somewhere else than where they hang together.
fn crosses(one: &Face, other: &Face) -> bool {
    let pierces = |edges_of: &Face, face: &Face| {
        (0..3).any(|side| {
            let ends = [side, (side + 1) % 3];
            let is_apart = ends.iter().all(|&end| !face.0.contains(&edges_of.0[end]));
            is_apart && pierced(ends.map(|end| edges_of.1[end]), face.1)
        })
    };
    pierces(one, other) || pierces(other, one)
}

/// Whether a segment passes through the inside of a triangle; touching does not count.
fn pierced([from, to]: [DVec3; 2], [a, b, c]: [DVec3; 3]) -> bool {
    let normal = (b - a).cross(c - a);
    let (before, behind) = (normal.dot(from - a), normal.dot(to - a));
    if before * behind >= 0.0 {
        return false;
    }
    // Signed volumes of the segment with the three edges (Plücker coordinates; from memory).
    let along = to - from;
    let [a, b, c] = [a - from, b - from, c - from];
    let (u, v, w) = (
        along.dot(c.cross(b)),
        along.dot(a.cross(c)),
        along.dot(b.cross(a)),
    );
    (u > 0.0 && v > 0.0 && w > 0.0) || (u < 0.0 && v < 0.0 && w < 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_segment_through_the_inside_is_found_and_one_beside_or_short_of_it_is_not() {
        let triangle = [DVec3::ZERO, DVec3::X, DVec3::Y];
        let at = |x: f64, y: f64, z: f64| DVec3::new(x, y, z);
        assert!(pierced([at(0.2, 0.2, -1.0), at(0.2, 0.2, 1.0)], triangle));
        assert!(pierced([at(0.2, 0.2, 1.0), at(0.2, 0.2, -1.0)], triangle));
        assert!(!pierced([at(0.2, 0.2, 0.1), at(0.2, 0.2, 1.0)], triangle));
        assert!(!pierced([at(0.7, 0.7, -1.0), at(0.7, 0.7, 1.0)], triangle));
        assert!(!pierced([at(0.2, 0.2, 0.0), at(0.2, 0.2, 1.0)], triangle));
        assert!(!pierced([at(0.1, 0.2, 0.0), at(0.9, 0.9, 0.0)], triangle));
    }

    #[test]
    fn faces_that_share_a_corner_cross_only_elsewhere() {
        let face = ([0, 1, 2], [DVec3::ZERO, DVec3::X, DVec3::Y]);
        let away = (
            [0, 3, 4],
            [DVec3::ZERO, DVec3::new(0.4, 0.4, 1.0), DVec3::new(0.4, 0.5, 2.0)],
        );
        let through = (
            [0, 3, 4],
            [DVec3::ZERO, DVec3::new(0.4, 0.3, 1.0), DVec3::new(0.3, 0.4, -1.0)],
        );
        assert!(!crosses(&face, &away));
        assert!(crosses(&face, &through));
    }
}
