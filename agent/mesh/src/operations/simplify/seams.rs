//! UVs through a collapse.
//!
//! The corners at a vertex that share a UV are a sector of one chart; between two sectors runs a seam. When an edge collapses, the
//! sectors beside it move with it: their UV goes as far along the edge in the map as the vertex goes along it in space. Seams
//! are held as borders between tags are, so a vertex on a seam moves only along it, and then both its sectors are beside the edge.
//! Where borders give way, a sector that is not beside the edge keeps its UV.

use glam::DVec3;

use super::surface::{EdgeFaces, Surface, Uv};

/// New UVs of corners that stay.
pub(super) struct Moves {
    corners: Vec<(u32, Uv)>,
}

impl Moves {
    /// Of the collapse of an edge to `place`. There is none where the mesh has no UVs.
    pub fn of(surface: &Surface, [a, b]: [u32; 2], faces: &EdgeFaces, place: DVec3) -> Self {
        let mut corners = Vec::new();
        if surface.uvs.is_empty() {
            return Self { corners };
        }
        let [from, to] = [a, b].map(|vertex| surface.positions[vertex as usize]);
        let along = to - from;
        let length_squared = along.length_squared();
        let share = if length_squared > 0.0 {
            (place - from).dot(along) / length_squared
        } else {
            0.0
        };
        let sides = faces
            .corners
            .map(|corners| corners.map(|corner| surface.uv(corner)));
        let sides = &sides[..faces.count];
        for (vertex, end) in [(a, 0), (b, 1)] {
            for corner in surface.corners(vertex) {
                let dies = surface
                    .others(corner)
                    .iter()
                    .any(|&other| other == a || other == b);
                if dies {
                    continue;
                }
                let old = surface.uv(corner);
                let beside = sides.iter().find(|uvs| uvs[end] == old);
                if let Some(&[at_a, at_b]) = beside {
                    corners.push((corner, between(at_a, at_b, share)));
                }
            }
        }
        Self { corners }
    }

    /// A face would lie mirrored in the map that did not before, or lose its place there.
    pub fn turn_over(&self, surface: &Surface) -> bool {
        self.corners.iter().any(|&(corner, uv)| {
            let uvs = surface.uvs[corner as usize / 3];
            let mut moved = uvs;
            moved[corner as usize % 3] = uv;
            let before = twice_area(uvs);
            before != 0.0 && before * twice_area(moved) <= 0.0
        })
    }

    /// To be called after the merge: corners keep their numbers.
    pub fn make(self, surface: &mut Surface) {
        for (corner, uv) in self.corners {
            surface.uvs[corner as usize / 3][corner as usize % 3] = uv;
        }
    }
}

/// The ends exactly where the vertex goes to one of them, so that UVs that need not move stay to the last bit.
fn between(from: Uv, to: Uv, share: f64) -> Uv {
    if share <= 0.0 {
        from
    } else if share >= 1.0 {
        to
    } else {
        [0, 1].map(|axis| from[axis] + share * (to[axis] - from[axis]))
    }
}

fn twice_area([a, b, c]: [Uv; 3]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}
