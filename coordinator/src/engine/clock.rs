//! The one place where the engine reads the clock.

use std::cell::Cell;
use std::time::{SystemTime, UNIX_EPOCH};

thread_local! {
    static SIMULATED: Cell<Option<fn() -> i64>> = const { Cell::new(None) };
}

/// From now on this thread goes by another clock: for simulations.
pub fn simulate(clock: fn() -> i64) {
    SIMULATED.set(Some(clock));
}

/// Unix time in milliseconds.
pub fn now_ms() -> i64 {
    if let Some(clock) = SIMULATED.get() {
        return clock();
    }
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}
