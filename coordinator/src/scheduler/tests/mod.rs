//! Tests of the whole state machine. `items`, `placement`, `control`, `faults`: one promise each; `figures`: against
//! published values; `quality`: against other ways to place; `random`: against a model, under random events.

mod bench;
mod control;
mod faults;
mod figures;
mod items;
mod placement;
mod quality;
mod random;

use super::simulate::{SimulatedAgent, SimulatedItem, SimulatedRun, Simulation};
use super::*;

const GIB: u64 = 1 << 30;

fn amount(cores: u32, memory_bytes: u64) -> Amount {
    Amount {
        millicores: cores * 1000,
        memory_bytes,
    }
}

fn budget(lent: Amount) -> Budget {
    Budget {
        lent,
        accepting: true,
        lends_until_ms: None,
    }
}

/// An agent that lends the same all the time.
fn steady_agent(lent: Amount) -> SimulatedAgent {
    let spec = AgentSpec {
        most: lent,
        longest_lending_ms: None,
        satisfies: Vec::new(),
    };
    SimulatedAgent {
        spec,
        budgets: vec![(0, budget(lent))],
    }
}

/// An item whose estimate is right.
fn known_item(need: Amount, elapsed_ms: Millis, upstream: &[u32]) -> SimulatedItem {
    SimulatedItem {
        spec: ItemSpec {
            need,
            expected_ms: Some(elapsed_ms),
            upstream: upstream.to_vec(),
            ..ItemSpec::default()
        },
        elapsed_ms,
        memory_bytes: need.memory_bytes,
        ..SimulatedItem::default()
    }
}

fn simulation(agents: Vec<SimulatedAgent>, items: Vec<SimulatedItem>) -> Simulation {
    let runs = vec![SimulatedRun {
        items,
        ..SimulatedRun::default()
    }];
    Simulation {
        agents,
        runs,
        ..Simulation::default()
    }
}
