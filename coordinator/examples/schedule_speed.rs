//! What a scheduling decision costs, for 200 agents and 100,000 items, and for ten times fewer.
//!
//! ```text
//! cargo run --release -p tidemill-coordinator --example schedule_speed
//! ```
//!
//! The items look like a real recipe: six steps a variant with edges between them, needs and durations that differ
//! from variant to variant, one gathering item a hundred variants. Agents differ in cores and memory. A
//! decision is one event that the scheduler takes in; the simulated clock costs are part of the figure.

use std::time::Instant;

use tidemill_coordinator::scheduler::simulate::{
    SimulatedAgent, SimulatedItem, SimulatedRun, Simulation, finished_items, simulate,
};
use tidemill_coordinator::scheduler::{AgentSpec, Amount, Budget, ItemSpec, Millis};

const GIB: u64 = 1 << 30;
/// Index in the variant of the item that is read from, cores, memory in sixteenths of a GiB, seconds.
const STEPS: [(Option<u32>, u32, u64, u64); 6] = [
    (None, 2, 24, 120),
    (Some(0), 1, 8, 30),
    (Some(1), 4, 64, 60),
    (Some(1), 1, 16, 20),
    (Some(2), 1, 4, 5),
    (Some(0), 1, 6, 15),
];
const VARIANTS_PER_SHEET: u32 = 100;

fn main() {
    println!("  items  agents     events  leases  total s  us/event  us/item  bytes/item  simulated h");
    for (items, agents) in [(1_000, 200), (10_000, 200), (100_000, 200), (100_000, 20)] {
        measure(items, agents);
    }
}

fn measure(items: u32, agents: u32) {
    let simulation = Simulation {
        agents: (0..agents).map(agent).collect(),
        runs: vec![SimulatedRun {
            items: recipe(items),
            ..SimulatedRun::default()
        }],
        ..Simulation::default()
    };
    let count = simulation.runs[0].items.len();
    let start = Instant::now();
    let simulated = simulate(&simulation);
    let elapsed = start.elapsed();
    assert_eq!(finished_items(&simulated) as usize, count);
    println!(
        "{:>7} {:>7} {:>10} {:>7} {:>8.2} {:>9.2} {:>8.2} {:>11} {:>12.2}",
        count,
        agents,
        simulated.events,
        simulated.starts.len(),
        elapsed.as_secs_f64(),
        elapsed.as_secs_f64() * 1e6 / simulated.events as f64,
        elapsed.as_secs_f64() * 1e6 / count as f64,
        scheduler_bytes_per_item(),
        simulated.makespan_ms as f64 / 3_600_000.0,
    );
}

fn scheduler_bytes_per_item() -> usize {
    tidemill_coordinator::scheduler::view::bytes_per_item()
}

fn agent(number: u32) -> SimulatedAgent {
    let cores = [4, 8, 16, 32][number as usize % 4];
    let lent = Amount {
        millicores: cores * 1000,
        memory_bytes: u64::from(cores) * (1 + u64::from(number % 3)) * GIB,
    };
    let spec = AgentSpec {
        most: lent,
        longest_lending_ms: None,
        satisfies: Vec::new(),
    };
    SimulatedAgent {
        spec,
        budgets: vec![(
            0,
            Budget {
                lent,
                accepting: true,
                lends_until_ms: None,
            },
        )],
    }
}

fn recipe(items: u32) -> Vec<SimulatedItem> {
    let variants = items / STEPS.len() as u32;
    let mut made = Vec::new();
    for variant in 0..variants {
        let first = made.len() as u32;
        // Sizes of models spread over a factor of four; a multiplicative hash spreads them without a pattern.
        let size = 50 + u64::from(variant.wrapping_mul(2_654_435_761) >> 16) % 150;
        for (step, (upstream, cores, memory, seconds)) in STEPS.iter().enumerate() {
            let upstream = upstream.map(|up| first + up).into_iter().collect();
            made.push(item(
                step as u32,
                upstream,
                *cores,
                memory * GIB / 16 * size / 100,
                seconds * 1000 * size / 100,
            ));
        }
    }
    let sheets: Vec<Vec<u32>> = (0..variants)
        .collect::<Vec<_>>()
        .chunks(VARIANTS_PER_SHEET as usize)
        .map(|chunk| {
            chunk
                .iter()
                .map(|variant| variant * STEPS.len() as u32 + 3)
                .collect()
        })
        .collect();
    made.extend(
        sheets
            .into_iter()
            .map(|upstream| item(STEPS.len() as u32, upstream, 1, GIB, 10_000)),
    );
    made
}

fn item(step: u32, upstream: Vec<u32>, cores: u32, memory_bytes: u64, elapsed_ms: Millis) -> SimulatedItem {
    let need = Amount {
        millicores: cores * 1000,
        memory_bytes,
    };
    let spec = ItemSpec {
        step,
        upstream,
        need,
        expected_ms: Some(elapsed_ms),
        ..ItemSpec::default()
    };
    SimulatedItem {
        spec,
        elapsed_ms,
        memory_bytes,
        ..SimulatedItem::default()
    }
}
