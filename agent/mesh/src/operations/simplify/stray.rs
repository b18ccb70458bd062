//! How far a reduced surface strays.

use glam::DVec3;
use rayon::prelude::*;

use super::reduce::Reduced;
use crate::Mesh;
use crate::spatial::{Bvh, Fans, closest_on_triangle, point};

/// One vertex in so many is searched for at once, to know what most others need not be searched for.
const SAMPLE: usize = 64;

/// Greatest distance of an input vertex from the reduced surface, metres.
///
/// The faces where a vertex ended up bound its distance from above, so that only few vertices need a search.
pub(super) fn farthest(input: &Mesh, reduced: &Reduced) -> f64 {
    let mesh = &reduced.mesh;
    let fans = Fans::new(&mesh.triangles, mesh.positions.len());
    let bvh = Bvh::new(mesh);
    let searched = |vertex: usize| {
        let nearest = bvh.nearest(point(input.positions[vertex]), f64::INFINITY);
        nearest.map_or(0.0, |nearest| nearest.distance_squared)
    };
    let mut most = (0..input.positions.len().div_ceil(SAMPLE))
        .into_par_iter()
        .map(|place| searched(place * SAMPLE))
        .reduce(|| 0.0, f64::max);
    let mut bounds: Vec<(f64, u32)> = (0..input.positions.len())
        .into_par_iter()
        .filter_map(|vertex| {
            let here = point(input.positions[vertex]);
            let went_to = reduced.went_to[vertex] as usize;
            let mut bound = f64::INFINITY;
            if went_to < mesh.positions.len() {
                for &corner in fans.of(went_to) {
                    bound = bound.min(distance_squared(mesh, corner as usize / 3, here));
                    if bound <= most {
                        return None;
                    }
                }
            }
            Some((bound, vertex as u32))
        })
        .collect();
    let by_bound =
        |left: &(f64, u32), right: &(f64, u32)| right.0.total_cmp(&left.0).then(left.1.cmp(&right.1));
    // The farthest few raise the bar, and what is left above it is searched in order.
    while !bounds.is_empty() {
        let batch = bounds.len().min(64);
        if batch < bounds.len() {
            bounds.select_nth_unstable_by(batch, by_bound);
        }
        for (bound, vertex) in &bounds[..batch] {
            if *bound > most {
                most = most.max(searched(*vertex as usize));
            }
        }
        bounds.drain(..batch);
        bounds.retain(|(bound, _)| *bound > most);
    }
    most.sqrt()
}

fn distance_squared(mesh: &Mesh, triangle: usize, from: DVec3) -> f64 {
    let (nearest, _) = closest_on_triangle(from, mesh.corners(triangle).map(point));
    nearest.distance_squared(from)
}

/// Greatest distance of a vertex of one mesh from the surface of another, metres; 0 if either has no triangles.
pub(crate) fn farthest_between(from: &Mesh, to: &Mesh) -> f64 {
    let bvh = Bvh::new(to);
    let squared = from
        .positions
        .par_iter()
        .filter_map(|&position| bvh.nearest(point(position), f64::INFINITY))
        .map(|nearest| nearest.distance_squared)
        .reduce(|| 0.0, f64::max);
    squared.sqrt()
}
