//! What is known of each face and vertex before anything collapses.

use glam::DVec3;

use super::super::quadric::Quadric;
use super::super::surface::Surface;
use crate::spatial::{Fans, others};

/// Weight of the planes that hold open borders, beside those of faces.
const OPEN_WEIGHT: f64 = 10.0;

/// What a vertex lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    Free,
    /// Exactly two border edges meet here.
    Border,
    /// One, three or more border edges meet here: it stays in its place.
    Corner,
}

/// What is known of a vertex at the start, beside the planes of its faces.
pub(super) struct Prepared {
    /// Planes that hold the borders at it.
    pub borders: Option<Box<Quadric>>,
    pub kind: Kind,
    /// On an open border, or at an edge of more than two faces.
    pub open: bool,
}

/// A living face seen from one of its vertices: the other two in its order, its tag, and its corner there.
type Face = (u32, u32, u16, u32);

/// For each vertex the sum of its faces' quadrics, in the order of faces.
pub(super) fn face_quadrics(surface: &Surface) -> Vec<Quadric> {
    let mut sums = vec![Quadric::default(); surface.positions.len()];
    for (triangle, corners) in surface.triangles.iter().enumerate() {
        if surface.alive[triangle] {
            let quadric = face_quadric(surface.places(triangle as u32));
            for &corner in corners {
                sums[corner as usize].add(&quadric);
            }
        }
    }
    sums
}

/// The quadric of one face: its plane, weighed by the root of the area, as long as an edge. By the area itself, large faces would push
/// small features away.
fn face_quadric([a, b, c]: [DVec3; 3]) -> Quadric {
    let cross = (b - a).cross(c - a);
    let twice_area = cross.length();
    if twice_area > 0.0 {
        Quadric::plane(cross / twice_area, a, (0.5 * twice_area).sqrt())
    } else {
        Quadric::default()
    }
}

/// Looks at what lies around a vertex; `fan` is room that is used again.
pub(super) fn prepare(
    vertex: usize,
    surface: &Surface,
    fans: &Fans,
    border_weight: f64,
    fan: &mut Vec<Face>,
) -> Prepared {
    fan.clear();
    let living = fans
        .of(vertex)
        .iter()
        .filter(|&&corner| surface.alive[corner as usize / 3]);
    fan.extend(living.map(|&corner| {
        let [first, second] = others(corner, &surface.triangles);
        (first, second, surface.tags[corner as usize / 3], corner)
    }));
    let mut planes: Option<Box<Quadric>> = None;
    let mut borders = 0;
    let mut open = false;
    for &(first, second, tag, corner) in &*fan {
        for (other, place) in [(first, 1), (second, 2)] {
            let mut faces = 0;
            let mut between_tags = false;
            for &(near_first, near_second, near_tag, near_corner) in &*fan {
                if near_first == other || near_second == other {
                    faces += 1;
                    // A seam of the UVs is held as a border between tags is.
                    let near_place = if near_first == other { 1 } else { 2 };
                    between_tags |=
                        near_tag != tag || surface.is_seam([corner, near_corner], [place, near_place]);
                }
            }
            let is_open = faces != 2;
            open |= is_open;
            if is_open || between_tags {
                // Upright on the face, through the edge. An edge between two tags gets one from either face.
                let [here, b, c] = [vertex, first as usize, second as usize].map(|at| surface.positions[at]);
                let edge = surface.positions[other as usize] - here;
                let normal = (b - here).cross(c - here).normalize_or_zero();
                let upright = normal.cross(edge).normalize_or_zero();
                let weight = if is_open { OPEN_WEIGHT } else { border_weight };
                planes
                    .get_or_insert_default()
                    .add(&Quadric::plane(upright, here, weight * edge.length()));
                // Each face at the edge counts it once.
                borders += if faces == 1 { 2 } else { 1 };
            }
        }
    }
    // Edges of more than two faces count more than twice, so that their ends are corners.
    let kind = match borders {
        0 => Kind::Free,
        4 => Kind::Border,
        _ => Kind::Corner,
    };
    Prepared {
        borders: planes,
        kind,
        open,
    }
}
