//! Where on a mesh an operation acts, and how it fades out.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use glam::DVec3;

use super::fans::{Fans, others};
use crate::Mesh;

/// For each vertex a share from 0 to 1: 0 outside the faces of `tag` and on their border, rising smoothly to 1 at
/// `width` metres from the border, measured along edges. Without a tag 1 everywhere.
pub fn fade(mesh: &Mesh, positions: &[DVec3], fans: &Fans, tag: Option<u16>, width: f64) -> Vec<f64> {
    let Some(tag) = tag else {
        return vec![1.0; positions.len()];
    };
    let inside = |corner: u32| mesh.face_tags[corner as usize / 3] == tag;
    let mut distance = vec![f64::INFINITY; positions.len()];
    let mut reached: BinaryHeap<Reverse<(u64, u32)>> = BinaryHeap::new();
    for (vertex, distance) in distance.iter_mut().enumerate() {
        if !fans.of(vertex).iter().all(|&corner| inside(corner)) || fans.of(vertex).is_empty() {
            *distance = 0.0;
            reached.push(Reverse((0, vertex as u32)));
        }
    }
    // Bits of positive floats sort as the floats do.
    while let Some(Reverse((bits, vertex))) = reached.pop() {
        let so_far = f64::from_bits(bits);
        if so_far > distance[vertex as usize] {
            continue;
        }
        for &corner in fans.of(vertex as usize) {
            if !inside(corner) {
                continue;
            }
            for other in others(corner, &mesh.triangles) {
                let there = so_far + positions[vertex as usize].distance(positions[other as usize]);
                if there < distance[other as usize] && there < width {
                    distance[other as usize] = there;
                    reached.push(Reverse((there.to_bits(), other)));
                }
            }
        }
    }
    distance
        .into_iter()
        .map(|distance| {
            let share = if width > 0.0 {
                (distance / width).min(1.0)
            } else {
                f64::from(distance > 0.0)
            };
            share * share * (3.0 - 2.0 * share)
        })
        .collect()
}

/// Takes back as much of a movement as it takes for no triangle to turn by 80 degrees or more, or to lose nearly all
/// of its area.
pub fn without_turning(before: &[DVec3], after: &mut [DVec3], triangles: &[[u32; 3]]) {
    let cross = |positions: &[DVec3], triangle: &[u32; 3]| {
        let [a, b, c] = triangle.map(|corner| positions[corner as usize]);
        (b - a).cross(c - a)
    };
    let mut halvings = vec![0_u8; before.len()];
    let mut suspects: Vec<u32> = (0..triangles.len() as u32).collect();
    let mut marked = vec![false; before.len()];
    let fans = Fans::new(triangles, before.len());
    while !suspects.is_empty() {
        let mut taken_back = Vec::new();
        for &suspect in &suspects {
            let triangle = &triangles[suspect as usize];
            let (was, is) = (cross(before, triangle), cross(after, triangle));
            // 0.17 is the cosine of 80 degrees.
            if is.dot(was) > 0.17 * was.length() * is.length() && is.length() > 0.01 * was.length() {
                continue;
            }
            for &vertex in triangle {
                if !marked[vertex as usize] && after[vertex as usize] != before[vertex as usize] {
                    marked[vertex as usize] = true;
                    taken_back.push(vertex);
                }
            }
        }
        for &vertex in &taken_back {
            let vertex = vertex as usize;
            marked[vertex] = false;
            halvings[vertex] += 1;
            // After some halvings the movement is taken back wholly, so this ends.
            after[vertex] = if halvings[vertex] > 5 {
                before[vertex]
            } else {
                (after[vertex] + before[vertex]) * 0.5
            };
        }
        suspects = taken_back
            .iter()
            .flat_map(|&vertex| fans.of(vertex as usize))
            .map(|&corner| corner / 3)
            .collect();
        suspects.sort_unstable();
        suspects.dedup();
    }
}
