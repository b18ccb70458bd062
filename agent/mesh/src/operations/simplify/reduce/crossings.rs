//! The last resort, where nothing may collapse any more and there are still too many triangles: one collapse (or few, where
//! many are too many) lets faces pass through each other, then all is tried again that does not.
//!
//! What is left folded by that is then what the budget asks for, and hardly more.

use super::Reducer;

/// Where much is left to go, it goes in so many steps of what is left: each begins with a look at every edge.
const STEPS: usize = 64;

pub(super) fn run(reducer: &mut Reducer) {
    let goal = reducer.until.triangles;
    reducer.watch.lenient = true;
    while reducer.surface.living > goal {
        let before = reducer.surface.living;
        reducer.crosses = true;
        reducer.until.triangles = before - ((before - goal) / STEPS).max(1);
        reducer.enter_all();
        let reached_stray = reducer.run();
        reducer.crosses = false;
        reducer.until.triangles = goal;
        if reached_stray || reducer.surface.living == before || reducer.run_out() {
            return;
        }
    }
}
