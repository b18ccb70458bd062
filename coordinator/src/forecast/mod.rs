//! When a run will be done: the scheduler itself under a simulated clock, with what was learned about each step and
//! with the hours in which agents are lent. Pure.
//!
//! The run is simulated several times. Each time, every item takes its expected time multiplied by one of the ratios
//! that were measured for its step (measured over expected). The middle of the simulated ends is the forecast, and
//! the outer tenths are left out of its interval. The draws are a fixed sequence: the same question has one answer.

pub mod expect;

use crate::scheduler::simulate::{SimulatedAgent, SimulatedRun, Simulation, simulate};
use crate::scheduler::{Budget, Millis, SeatId};

/// Simulated items over all simulations of one question: this much takes a moment, more would keep people waiting.
const ITEMS_SIMULATED: usize = 300_000;
const MOST_SIMULATIONS: usize = 25;
const LEAST_SIMULATIONS: usize = 3;
/// Where nothing was measured: half, all and twice of what is believed.
const GUESSED: [f32; 3] = [0.5, 1.0, 2.0];

/// What is known when somebody asks. Time 0 is now.
#[derive(Debug, Clone, Default)]
pub struct Question {
    /// Names of agents, and what they lend when.
    pub agents: Vec<(String, SimulatedAgent)>,
    /// All runs that are open; finished items among theirs are `reused`.
    pub runs: Vec<OpenRun>,
    /// Which of them is asked for.
    pub wanted: usize,
    /// Seats of each kind.
    pub seats: Vec<(SeatId, u32)>,
}

/// A run and what is known about its steps.
#[derive(Debug, Clone, Default)]
pub struct OpenRun {
    /// Expected times stand for true ones.
    pub run: SimulatedRun,
    /// By the numbers that its items name.
    pub steps: Vec<KnownStep>,
}

/// A step of a run.
#[derive(Debug, Clone, Default)]
pub struct KnownStep {
    /// Its name.
    pub name: String,
    /// Measured over expected time, of earlier attempts; empty: nothing was measured.
    pub ratios: Vec<f32>,
}

/// When a run will be done.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outlook {
    /// From now; `None`: it never ends on what is lent.
    pub ends: Option<Ends>,
    /// Items that are left, and those of them of which nothing was measured.
    pub items: u32,
    /// Of these: nothing was measured of their steps.
    pub guessed: u32,
    /// Steps with something left.
    pub steps: Vec<StepOutlook>,
    /// Name of the step with the most core time left.
    pub dominant: String,
    /// The agent that one more would be like, and when the run would end then.
    pub one_more: Option<(String, Millis)>,
}

/// When a run ends, from now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends {
    /// In the middle.
    pub middle_ms: Millis,
    /// Nine of ten are not earlier.
    pub earliest_ms: Millis,
    /// Nine of ten are not later.
    pub latest_ms: Millis,
}

/// What is left of a step.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct StepOutlook {
    /// Its name.
    pub name: String,
    /// Items.
    pub items: u32,
    /// Cores times time.
    pub core_ms: u64,
    /// Its part of the longest path.
    pub path_ms: Millis,
}

/// Answers a question.
pub fn outlook(question: &Question) -> Outlook {
    let Some(wanted) = question.runs.get(question.wanted) else {
        return Outlook::default();
    };
    let left = || wanted.run.items.iter().filter(|item| !item.reused);
    let is_guessed = |step: u32| {
        wanted
            .steps
            .get(step as usize)
            .is_none_or(|step| step.ratios.is_empty())
    };
    let steps = steps_left(wanted);
    let dominant = steps.iter().max_by_key(|step| step.core_ms);
    Outlook {
        ends: ends(question, &question.agents),
        items: left().count() as u32,
        guessed: left().filter(|item| is_guessed(item.spec.step)).count() as u32,
        dominant: dominant.map(|step| step.name.clone()).unwrap_or_default(),
        one_more: one_more(question),
        steps,
    }
}

fn ends(question: &Question, agents: &[(String, SimulatedAgent)]) -> Option<Ends> {
    let items: usize = question.runs.iter().map(|run| run.run.items.len()).sum();
    let times = (ITEMS_SIMULATED / items.max(1)).clamp(LEAST_SIMULATIONS, MOST_SIMULATIONS);
    let mut ends = Vec::with_capacity(times);
    for nth in 0..times {
        ends.push(end_of(question, agents, nth as u64)?);
    }
    ends.sort_unstable();
    let at = |tenths: usize| ends[(ends.len() - 1) * tenths / 10];
    Some(Ends {
        middle_ms: at(5),
        earliest_ms: at(1),
        latest_ms: ends[((ends.len() - 1) * 9).div_ceil(10)],
    })
}

/// The end of the wanted run in one simulation.
fn end_of(question: &Question, agents: &[(String, SimulatedAgent)], nth: u64) -> Option<Millis> {
    let mut runs = Vec::with_capacity(question.runs.len());
    for (run_number, open) in question.runs.iter().enumerate() {
        let mut run = open.run.clone();
        for (index, item) in run.items.iter_mut().enumerate() {
            let known = open.steps.get(item.spec.step as usize);
            let ratios = known
                .map(|step| step.ratios.as_slice())
                .filter(|ratios| !ratios.is_empty());
            let ratios = ratios.unwrap_or(&GUESSED);
            let draw = mixed(nth << 48 ^ (run_number as u64) << 32 ^ index as u64);
            let ratio = ratios[(draw % ratios.len() as u64) as usize];
            item.elapsed_ms = (item.elapsed_ms as f64 * f64::from(ratio)).round() as Millis;
        }
        runs.push(run);
    }
    let simulated = simulate(&Simulation {
        agents: agents.iter().map(|(_, agent)| agent.clone()).collect(),
        runs,
        seats: question.seats.clone(),
        ..Simulation::default()
    });
    simulated.run_ends_ms.get(question.wanted).copied().flatten()
}

/// Spreads numbers evenly: the finaliser of SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
/// generators", OOPSLA 2014; constants from memory).
fn mixed(number: u64) -> u64 {
    let mut mixed = number.wrapping_add(0x9e37_79b9_7f4a_7c15);
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    mixed ^ (mixed >> 31)
}

/// The end with one more agent: like the one that lends most at all, or most right now, whichever brings more. The first may be
/// outside its hours until long after the end.
fn one_more(question: &Question) -> Option<(String, Millis)> {
    let lent = |budget: &Budget| {
        let lent = (budget.lent.memory_bytes, budget.lent.millicores);
        if budget.accepting { lent } else { (0, 0) }
    };
    let most = |agent: &SimulatedAgent| agent.budgets.iter().map(|(_, budget)| lent(budget)).max();
    let now = |agent: &SimulatedAgent| agent.budgets.first().map(|(_, budget)| lent(budget));
    let agents = || question.agents.iter().enumerate();
    let (largest, _) = agents().max_by_key(|(_, (_, agent))| (most(agent), now(agent)))?;
    let (readiest, _) = agents().max_by_key(|(_, (_, agent))| (now(agent), most(agent)))?;
    let mut alike = vec![readiest, largest];
    alike.dedup();
    let with_one_more = |like: usize| {
        let mut agents = question.agents.clone();
        let like = agents[like].clone();
        agents.push(like.clone());
        Some((like.0, ends(question, &agents)?.middle_ms))
    };
    alike
        .into_iter()
        .filter_map(with_one_more)
        .min_by_key(|(_, end_ms)| *end_ms)
}

fn steps_left(open: &OpenRun) -> Vec<StepOutlook> {
    let items = &open.run.items;
    let mut steps: Vec<StepOutlook> = open
        .steps
        .iter()
        .map(|step| StepOutlook {
            name: step.name.clone(),
            ..StepOutlook::default()
        })
        .collect();
    // The longest path to the end of each item, and the item before it on that path. Upstream stands before.
    let mut paths: Vec<(Millis, Option<u32>)> = Vec::with_capacity(items.len());
    for item in items {
        let elapsed_ms = if item.reused { 0 } else { item.elapsed_ms };
        let before = item
            .spec
            .upstream
            .iter()
            .copied()
            .max_by_key(|up| paths[*up as usize].0);
        let until_ms = before.map_or(0, |up| paths[up as usize].0);
        paths.push((until_ms + elapsed_ms, before));
        if item.reused {
            continue;
        }
        if let Some(step) = steps.get_mut(item.spec.step as usize) {
            step.items += 1;
            step.core_ms += u64::from(item.spec.need.millicores) * item.elapsed_ms / 1000;
        }
    }
    let mut at = (0..paths.len()).max_by_key(|index| paths[*index].0);
    while let Some(index) = at {
        let item = &items[index];
        if let Some(step) = steps.get_mut(item.spec.step as usize).filter(|_| !item.reused) {
            step.path_ms += item.elapsed_ms;
        }
        at = paths[index].1.map(|before| before as usize);
    }
    steps.retain(|step| step.items > 0);
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scheduler::simulate::SimulatedItem;
    use crate::scheduler::{AgentSpec, Amount, ItemSpec};

    const HOUR: Millis = 3_600_000;

    fn amount(cores: u32) -> Amount {
        Amount {
            millicores: cores * 1000,
            memory_bytes: 1 << 30,
        }
    }

    fn agent(cores: u32, budgets: &[(Millis, bool, Option<Millis>)]) -> SimulatedAgent {
        let lent = amount(cores);
        SimulatedAgent {
            spec: AgentSpec {
                most: lent,
                longest_lending_ms: Some(12 * HOUR),
                satisfies: Vec::new(),
            },
            budgets: budgets
                .iter()
                .map(|(at_ms, accepting, lends_until_ms)| {
                    let budget = Budget {
                        lent,
                        accepting: *accepting,
                        lends_until_ms: *lends_until_ms,
                    };
                    (*at_ms, budget)
                })
                .collect(),
        }
    }

    fn item(step: u32, elapsed_ms: Millis, upstream: &[u32]) -> SimulatedItem {
        SimulatedItem {
            spec: ItemSpec {
                step,
                upstream: upstream.to_vec(),
                need: Amount {
                    millicores: 1000,
                    memory_bytes: 0,
                },
                expected_ms: Some(elapsed_ms),
                ..ItemSpec::default()
            },
            elapsed_ms,
            ..SimulatedItem::default()
        }
    }

    fn question(agents: Vec<SimulatedAgent>, items: Vec<SimulatedItem>, ratios: &[Vec<f32>]) -> Question {
        let named = |(number, ratios): (usize, &Vec<f32>)| KnownStep {
            name: format!("step{number}"),
            ratios: ratios.clone(),
        };
        Question {
            agents: agents
                .into_iter()
                .map(|agent| ("ash".to_owned(), agent))
                .collect(),
            runs: vec![OpenRun {
                run: SimulatedRun {
                    items,
                    ..SimulatedRun::default()
                },
                steps: ratios.iter().enumerate().map(named).collect(),
            }],
            ..Question::default()
        }
    }

    #[test]
    fn without_spread_the_end_is_exact_and_one_more_agent_halves_it() {
        let steady = agent(2, &[(0, true, None)]);
        let items = (0..8).map(|_| item(0, 1000, &[])).collect();
        let found = outlook(&question(vec![steady], items, &[vec![1.0]]));
        let ends = Ends {
            middle_ms: 4000,
            earliest_ms: 4000,
            latest_ms: 4000,
        };
        assert_eq!(found.ends, Some(ends));
        assert_eq!(found.one_more, Some(("ash".into(), 2000)));
        assert_eq!((found.items, found.guessed), (8, 0));
    }

    #[test]
    fn the_hours_in_which_agents_are_lent_are_minded() {
        // Lent for two hours, then not for ten.
        let agent = agent(
            1,
            &[
                (0, true, Some(2 * HOUR)),
                (2 * HOUR, false, None),
                (12 * HOUR, true, None),
            ],
        );
        let items = (0..3).map(|_| item(0, HOUR - 1, &[])).collect();
        let found = outlook(&question(vec![agent], items, &[vec![1.0]]));
        assert_eq!(found.ends.unwrap().middle_ms, 13 * HOUR - 1);
    }

    #[test]
    fn one_more_agent_is_like_one_that_brings_something() {
        // The larger one sleeps until long after the end.
        let large = agent(8, &[(0, false, None), (12 * HOUR, true, None)]);
        let small = agent(1, &[(0, true, None)]);
        let items = (0..4).map(|_| item(0, 1000, &[])).collect();
        let mut asked = question(vec![large, small], items, &[vec![1.0]]);
        asked.agents[1].0 = "oak".to_owned();
        assert_eq!(outlook(&asked).one_more, Some(("oak".into(), 2000)));
    }

    #[test]
    fn what_never_fits_never_ends() {
        let mut big = item(0, 1000, &[]);
        big.spec.need.millicores = 9000;
        let found = outlook(&question(
            vec![agent(2, &[(0, true, None)])],
            vec![big],
            &[vec![]],
        ));
        assert_eq!((found.ends, found.guessed), (None, 1));
    }

    #[test]
    fn the_step_with_most_work_dominates_and_the_longest_path_is_told_by_step() {
        let items = vec![
            item(0, 5_000, &[]),
            item(1, 1_000, &[0]),
            item(0, 4_000, &[]),
            item(1, 9_000, &[2]),
        ];
        let found = outlook(&question(
            vec![agent(2, &[(0, true, None)])],
            items,
            &[vec![1.0], vec![1.0]],
        ));
        assert_eq!(found.dominant, "step1");
        let figures: Vec<_> = found
            .steps
            .iter()
            .map(|step| (step.items, step.core_ms, step.path_ms))
            .collect();
        assert_eq!(figures, [(2, 9_000, 4_000), (2, 10_000, 9_000)]);
        assert_eq!(found.ends.unwrap().middle_ms, 13_000);
    }

    /// The recorded durations of a run say of the steps what learning keeps of them: the last sixteen. From those, its
    /// own finish is foretold within a tenth.
    #[test]
    fn the_finish_of_a_recorded_run_is_foretold_within_a_tenth() {
        for seed in 1..=20_u64 {
            let truth = |index: u64, step: u64| {
                let base = [2_000.0, 20_000.0, 6_000.0][step as usize];
                let draw = mixed(seed << 32 ^ step << 20 ^ index) % 1000;
                (base * (0.5 + draw as f64 / 1000.0)) as Millis
            };
            let mut really = Vec::new();
            for variant in 0..60_u64 {
                let first = really.len() as u32;
                really.push(item(0, truth(variant, 0), &[]));
                really.push(item(1, truth(variant, 1), &[first]));
                really.push(item(2, truth(variant, 2), &[first + 1]));
            }
            let agents = vec![agent(4, &[(0, true, None)]), agent(2, &[(0, true, None)])];
            let happened = end_of(
                &question(agents.clone(), really.clone(), &[vec![1.0], vec![1.0], vec![1.0]]),
                &[
                    ("ash".into(), agents[0].clone()),
                    ("oak".into(), agents[1].clone()),
                ],
                0,
            )
            .unwrap();
            let mut ratios = Vec::new();
            let mut believed = really.clone();
            for step in 0..3_u64 {
                let mut kept: Vec<Millis> = (44..60).map(|index| truth(index, step)).collect();
                kept.sort_unstable();
                let median = kept[8];
                ratios.push(
                    kept.iter()
                        .map(|elapsed| *elapsed as f32 / median as f32)
                        .collect(),
                );
                for one in believed.iter_mut().filter(|one| u64::from(one.spec.step) == step) {
                    one.elapsed_ms = median;
                    one.spec.expected_ms = Some(median);
                }
            }
            let found = outlook(&question(agents, believed, &ratios)).ends.unwrap();
            let off = found.middle_ms as f64 / happened as f64;
            assert!((0.9..=1.1).contains(&off), "seed {seed}: {off}");
        }
    }
}
