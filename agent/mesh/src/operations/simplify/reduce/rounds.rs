//! The first part of a long way down, in rounds: the cheapest edges that do not touch each other collapse, then all costs are
//! worked out anew. Walking through memory in order and on all threads, this is several times as fast as taking the very
//! cheapest each time, and strays from that order only where there is still far to go. What is near the goal is left to
//! the strict order.

use rayon::prelude::*;

use super::{Reducer, Tried, key, number_in};
use crate::operations::simplify::surface::Surface;

/// Rounds end at so many times the triangles that are asked for.
const STOP: f64 = 1.6;
/// Below so many triangles the strict order costs nothing.
const FEWEST: usize = 12_000;
/// Of the edges the cheapest share that one round may take.
const SHARE: f64 = 0.5;
/// A round takes its edges in so many classes by cost, each in the order of memory.
const CLASSES: usize = 4;

pub(super) fn run(reducer: &mut Reducer) {
    // An error bound is kept by the strict order alone: it stops at the first collapse that is too dear.
    if reducer.until.stray_m != f64::INFINITY {
        return;
    }
    let stop = ((reducer.until.triangles as f64 * STOP) as usize).max(FEWEST);
    let mut touched_in = vec![0_u32; reducer.surface.positions.len()];
    let mut round = 0;
    while reducer.surface.living > stop {
        round += 1;
        let before = reducer.surface.living;
        let Some((edges, mut keys)) = cheapest(reducer) else {
            return;
        };
        keys.sort_unstable();
        // Costs that differ little are as good as equal, and neighbours in memory are read many times as fast.
        let class = keys.len().div_ceil(CLASSES).max(1);
        for alike in keys.chunks_mut(class) {
            alike.sort_unstable_by_key(|&key| number_in(key));
        }
        reducer.surface.close_gaps();
        for key in keys {
            let ends = edges[number_in(key)];
            if ends.iter().any(|&end| touched_in[end as usize] == round) {
                continue;
            }
            let Some((place, _)) = reducer.target(ends) else {
                continue;
            };
            if let Tried::Done = reducer.try_collapse(ends, place) {
                ends.iter().for_each(|&end| touched_in[end as usize] = round);
                if reducer.surface.living <= stop {
                    return;
                }
            }
        }
        // What little is left to take is refused for other reasons than its turn.
        if reducer.surface.living > before - before / 50 {
            return;
        }
    }
}

/// The cheapest share of the edges that may collapse, and keys over them in no order; none if there are none.
fn cheapest(reducer: &Reducer) -> Option<(Vec<[u32; 2]>, Vec<u64>)> {
    let edges = edges(&reducer.surface);
    let mut keys: Vec<u64> = edges
        .par_iter()
        .enumerate()
        .filter_map(|(number, &ends)| Some(key(reducer.target(ends)?.1 as f32, number)))
        .collect();
    let most = (keys.len() as f64 * SHARE) as usize;
    keys.select_nth_unstable(most.checked_sub(1)?);
    keys.truncate(most);
    Some((edges, keys))
}

/// Edges from the lower to the higher vertex, as the triangles have them: on a surface that is turned alike, each once.
fn edges(surface: &Surface) -> Vec<[u32; 2]> {
    surface
        .triangles
        .par_iter()
        .zip(&surface.alive)
        .filter(|(_, alive)| **alive)
        .flat_map_iter(|(&[a, b, c], _)| {
            [[a, b], [b, c], [c, a]]
                .into_iter()
                .filter(|[from, to]| from < to)
        })
        .collect()
}
