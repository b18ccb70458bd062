//! The first part of a long way down, in rounds: the cheapest edges that do not touch each other collapse, then all costs are
//! worked out anew. Walking through memory in order and on all threads, this is several times as fast as taking the very
//! cheapest each time, and strays from that order only where there is still far to go. What is near the goal is left to
//! the strict order.

use rayon::prelude::*;

use super::{Reducer, Tried, key};

/// Rounds end at so many times the triangles that are asked for.
const STOP: f64 = 1.6;
/// Below so many triangles the strict order costs nothing.
const FEWEST: usize = 12_000;
/// Of the edges the cheapest share that one round may take.
const SHARE: f64 = 0.25;

/// What an edge was last known to cost. Most edges are as they were a round before, and their costs are the dear part of a round.
#[derive(Debug, Clone, Copy)]
struct Known {
    /// Sum of the ends' versions, which grows with every change of either.
    version: u32,
    /// Infinite where the edge may not collapse.
    cost: f32,
}

impl Known {
    const NOTHING: Self = Self {
        version: u32::MAX,
        cost: f32::INFINITY,
    };
}

pub(super) fn run(reducer: &mut Reducer) {
    // An error bound is kept by the strict order alone: it stops at the first collapse that is too dear.
    if reducer.until.stray_m != f64::INFINITY {
        return;
    }
    let stop = ((reducer.until.triangles as f64 * STOP) as usize).max(FEWEST);
    let mut touched_in = vec![0_u32; reducer.surface.positions.len()];
    let mut known = vec![[Known::NOTHING; 3]; reducer.surface.triangles.len()];
    let mut round = 0;
    while reducer.surface.living > stop {
        round += 1;
        let before = reducer.surface.living;
        let edges = edges(reducer, &mut known);
        let mut keys: Vec<u64> = edges
            .iter()
            .enumerate()
            .map(|(number, &(_, cost))| key(cost, number))
            .collect();
        let most = (keys.len() as f64 * SHARE) as usize;
        if most == 0 {
            return;
        }
        keys.select_nth_unstable(most - 1);
        keys.truncate(most);
        keys.sort_unstable();
        for key in keys {
            let (ends, _) = edges[(key & u64::from(u32::MAX)) as usize];
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

/// Edges that may collapse, with their costs: from the lower to the higher vertex, as the triangles have them, so that on a surface that
/// is turned alike each comes once.
fn edges(reducer: &Reducer, known: &mut [[Known; 3]]) -> Vec<([u32; 2], f32)> {
    let surface = &reducer.surface;
    surface
        .triangles
        .par_iter()
        .zip(&surface.alive)
        .zip(known)
        .filter(|((_, alive), _)| **alive)
        .flat_map_iter(|((&[a, b, c], _), known)| {
            [[a, b], [b, c], [c, a]]
                .into_iter()
                .zip(known)
                .filter(|([from, to], _)| from < to)
                .filter_map(|(ends, known)| {
                    let version = reducer.version(ends);
                    if known.version != version {
                        let cost = reducer
                            .target(ends)
                            .map_or(f32::INFINITY, |(_, cost)| cost as f32);
                        *known = Known { version, cost };
                    }
                    (known.cost < f32::INFINITY).then_some((ends, known.cost))
                })
        })
        .collect()
}
