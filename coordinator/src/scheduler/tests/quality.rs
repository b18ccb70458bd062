//! How good placements are, against lower bounds and against other ways to place on the same agents.

use super::super::simulate::{Simulated, finished_items, simulate};
use super::*;
use crate::estimate::{Learned, Sample, estimate};

const MIB: u64 = 1 << 20;

/// Deterministic numbers without a pattern: a linear congruential generator with the constants of Knuth's MMIX
/// (from memory).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % bound
    }
}

/// Mostly small items, some big in memory, some long; edges from big to small, as recipes have them.
fn mixed_items(count: u32, seed: u64) -> Vec<SimulatedItem> {
    let mut numbers = Numbers(seed);
    let mut items = Vec::new();
    for own in 0..count {
        let (memory, elapsed_ms) = match numbers.below(10) {
            0 => (3 * GIB + numbers.below(GIB), 4_000 + numbers.below(4_000)),
            1 | 2 => (GIB + numbers.below(GIB), 1_000 + numbers.below(3_000)),
            _ => (128 * MIB + numbers.below(256 * MIB), 300 + numbers.below(900)),
        };
        let upstream = if own > 20 && numbers.below(3) == 0 {
            vec![numbers.below(20) as u32]
        } else {
            vec![]
        };
        items.push(known_item(amount(1, memory), elapsed_ms, &upstream));
    }
    items
}

fn studio() -> Vec<SimulatedAgent> {
    [amount(4, 6 * GIB), amount(4, 10 * GIB), amount(8, 12 * GIB)]
        .map(steady_agent)
        .to_vec()
}

/// The greatest of longest path, core time over cores, memory time over memory.
fn lower_bound_ms(items: &[SimulatedItem], agents: &[SimulatedAgent]) -> Millis {
    let mut ends: Vec<Millis> = Vec::new();
    for item in items {
        let start = item
            .spec
            .upstream
            .iter()
            .map(|up| ends[*up as usize])
            .max()
            .unwrap_or(0);
        ends.push(start + item.elapsed_ms);
    }
    let lent = |of: fn(Amount) -> u64| agents.iter().map(|agent| of(agent.spec.most)).sum::<u64>() as f64;
    let taken = |of: fn(Amount) -> u64| {
        items
            .iter()
            .map(|item| of(item.spec.need) as f64 * item.elapsed_ms as f64)
            .sum::<f64>()
    };
    let cores = |amount: Amount| u64::from(amount.millicores);
    let memory = |amount: Amount| amount.memory_bytes;
    let by_work = (taken(cores) / lent(cores)).max(taken(memory) / lent(memory));
    ends.into_iter().max().unwrap_or(0).max(by_work.ceil() as Millis)
}

/// The same items at most `at_once` on each agent, whatever they need.
fn fixed_number(items: &[SimulatedItem], agents: &[SimulatedAgent], at_once: u32) -> Simulated {
    let mut items = items.to_vec();
    for item in &mut items {
        item.spec.need = amount(1, 0);
        item.memory_bytes = 0;
    }
    let agents = agents.iter().map(|_| steady_agent(amount(at_once, 0))).collect();
    let mut simulation = simulation(agents, items);
    simulation.settings.order = Order::AsListed;
    simulate(&simulation)
}

/// The most memory that was touched at one time on each agent.
fn peak_memory(simulated: &Simulated, items: &[SimulatedItem], agents: usize) -> Vec<u64> {
    let mut changes: Vec<(Millis, bool, usize, u64)> = Vec::new();
    for start in &simulated.starts {
        let memory = items[start.item.index as usize].memory_bytes;
        let agent = start.agent.0 as usize;
        // Ends come before starts at one moment.
        changes.push((start.end_ms, false, agent, memory));
        changes.push((start.at_ms, true, agent, memory));
    }
    changes.sort();
    let (mut now, mut peak) = (vec![0u64; agents], vec![0u64; agents]);
    for (_, begins, agent, memory) in changes {
        now[agent] = if begins {
            now[agent] + memory
        } else {
            now[agent] - memory
        };
        peak[agent] = peak[agent].max(now[agent]);
    }
    peak
}

#[test]
fn a_mix_of_small_and_large_ends_near_the_lower_bound_within_every_budget() {
    for seed in 1..6 {
        let (items, agents) = (mixed_items(300, seed), studio());
        let simulated = simulate(&simulation(agents.clone(), items.clone()));
        assert_eq!(finished_items(&simulated), 300);
        assert_eq!(simulated.memory_stops, 0);
        for (peak, agent) in peak_memory(&simulated, &items, 3).into_iter().zip(&agents) {
            assert!(peak <= agent.spec.most.memory_bytes);
        }
        let bound = lower_bound_ms(&items, &agents);
        let ratio = simulated.makespan_ms as f64 / bound as f64;
        assert!(
            ratio <= 1.25,
            "{seed}: {} against at least {bound}",
            simulated.makespan_ms
        );
    }
}

#[test]
fn it_is_faster_than_any_fixed_number_at_once_that_stays_within_memory() {
    for seed in 1..6 {
        let (items, agents) = (mixed_items(300, seed), studio());
        let ours = simulate(&simulation(agents.clone(), items.clone())).makespan_ms;
        let largest = items.iter().map(|item| item.memory_bytes).max().unwrap();
        let smallest_agent = agents
            .iter()
            .map(|agent| agent.spec.most.memory_bytes)
            .min()
            .unwrap();
        let safe = u32::try_from(smallest_agent / largest).unwrap().max(1);
        let others = fixed_number(&items, &agents, safe).makespan_ms;
        assert!(
            ours * 3 <= others * 2,
            "{seed}: {ours} against {others} with {safe} at once"
        );
        // One at a time on each agent is slower still.
        assert!(fixed_number(&items, &agents, 1).makespan_ms >= others);
    }
}

#[test]
fn a_declaration_three_times_too_low_costs_memory_stops_but_no_item() {
    let mut items = mixed_items(200, 9);
    for item in &mut items {
        item.spec.need.memory_bytes /= 3;
    }
    let simulated = simulate(&simulation(studio(), items.clone()));
    assert_eq!(finished_items(&simulated), 200);
    // Half as much again each time: from a third it takes three.
    assert!(
        simulated.memory_stops > 0 && simulated.memory_stops <= 3 * 200,
        "{}",
        simulated.memory_stops
    );
    for start in &simulated.starts {
        assert!(start.need.memory_bytes <= 12 * GIB);
    }
}

#[test]
fn a_declaration_ten_times_too_high_heals_in_the_second_run() {
    let truth: Vec<SimulatedItem> = (0..60)
        .map(|nth| known_item(amount(1, 400 * MIB + nth % 5 * MIB), 1_000, &[]))
        .collect();
    let agents = vec![steady_agent(amount(8, 8 * GIB))];
    let run_with = |memory_of: &dyn Fn(&SimulatedItem) -> u64| {
        let mut items = truth.clone();
        for item in &mut items {
            item.spec.need.memory_bytes = memory_of(item);
        }
        simulate(&simulation(agents.clone(), items)).makespan_ms
    };
    let first = run_with(&|item| item.memory_bytes * 10);
    let mut learned = Learned::default();
    for item in &truth {
        let peak_memory_bytes = item.memory_bytes;
        learned.add(Sample {
            input_bytes: MIB,
            peak_memory_bytes,
            elapsed_ms: Some(item.elapsed_ms),
        });
    }
    let second = run_with(&|item| {
        let declared = Estimate {
            need: amount(1, item.memory_bytes * 10),
            elapsed_ms: None,
        };
        estimate(declared, &learned, None, MIB).need.memory_bytes
    });
    let right = run_with(&|item| item.memory_bytes);
    assert!(first > 3 * right, "{first} against {right}");
    assert_eq!(second, right);
}

#[test]
fn the_finish_estimate_comes_near_what_happens() {
    let (items, agents) = (mixed_items(300, 4), studio());
    let mut scheduler = Scheduler::default();
    let mut actions = Vec::new();
    for (number, agent) in agents.iter().enumerate() {
        let (agent, spec, budget) = (AgentId(number as u32), agent.spec.clone(), agent.budgets[0].1);
        let joined = Event::AgentJoined {
            agent,
            spec,
            budget,
            holds: Vec::new(),
            restarted: true,
        };
        scheduler.step(0, joined, &mut actions);
    }
    let specs = items.iter().map(|item| item.spec.clone()).collect();
    scheduler.step(0, Event::RunAdded(bench::run_spec(RunId(0), specs)), &mut actions);
    let estimated = scheduler.finish_estimate_ms(RunId(0), 0).unwrap() as f64;
    let happened = simulate(&simulation(agents, items)).makespan_ms as f64;
    // It counts cores and paths, not memory: it may be early where memory is what is short.
    assert!(
        estimated <= happened * 1.01 && estimated >= happened * 0.5,
        "{estimated} against {happened}"
    );
}
