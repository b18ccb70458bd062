//! Order, longest paths and cycles of random graphs, in the scheduler and in plans, against `networkx` (PyPI).

#![allow(clippy::unwrap_used, reason = "a test's helpers may")]

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use tidemill_coordinator::scheduler::simulate::{
    Simulated, SimulatedAgent, SimulatedItem, SimulatedRun, Simulation, simulate,
};
use tidemill_coordinator::scheduler::{AgentSpec, Amount, Budget, ItemSpec};
use tidemill_plan::{Options, Survey, SurveyedFile};
use tidemill_proto::Digest;
use tidemill_proto::v1::{Plan, source};
use tidemill_tests::outside;

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

/// A graph whose edges lead from a smaller number to a greater one, and a time for each node.
struct Graph {
    upstream: Vec<BTreeSet<u32>>,
    times: Vec<u64>,
}

impl Graph {
    fn random(numbers: &mut Numbers) -> Self {
        let nodes = 1 + numbers.below(40) as u32;
        let most_edges = numbers.below(4);
        let upstream = |own: u32, numbers: &mut Numbers| {
            let picks = if own == 0 {
                0
            } else {
                numbers.below(most_edges + 1)
            };
            (0..picks).map(|_| numbers.below(u64::from(own)) as u32).collect()
        };
        let upstream: Vec<BTreeSet<u32>> = (0..nodes).map(|own| upstream(own, numbers)).collect();
        let times = (0..nodes).map(|_| 1 + numbers.below(500)).collect();
        Self { upstream, times }
    }

    fn edges(&self) -> Vec<(u32, u32)> {
        let of = |(own, upstream): (usize, &BTreeSet<u32>)| {
            upstream.iter().map(|up| (*up, own as u32)).collect::<Vec<_>>()
        };
        self.upstream.iter().enumerate().flat_map(of).collect()
    }

    /// Its nodes as items of one core on an agent of so many.
    fn simulated(&self, cores: u32, times: &[u64]) -> Simulated {
        let amount = |cores: u32| Amount {
            millicores: cores * 1000,
            memory_bytes: 0,
        };
        let item = |(upstream, time): (&BTreeSet<u32>, &u64)| SimulatedItem {
            spec: ItemSpec {
                upstream: upstream.iter().copied().collect(),
                need: amount(1),
                expected_ms: Some(*time),
                ..ItemSpec::default()
            },
            elapsed_ms: *time,
            ..SimulatedItem::default()
        };
        let lent = amount(cores);
        let agent = SimulatedAgent {
            spec: AgentSpec {
                most: lent,
                longest_lending_ms: None,
                satisfies: Vec::new(),
            },
            budgets: vec![(
                0,
                Budget {
                    lent,
                    accepting: true,
                    lends_until_ms: None,
                },
            )],
        };
        simulate(&Simulation {
            agents: vec![agent],
            runs: vec![SimulatedRun {
                items: self.upstream.iter().zip(times).map(item).collect(),
                ..SimulatedRun::default()
            }],
            ..Simulation::default()
        })
    }
}

fn judged(graphs: &[Value]) -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("graphs.json");
    std::fs::write(&file, serde_json::to_vec(graphs).unwrap()).unwrap();
    let found = outside::judge_graphs(&file);
    assert_eq!(found.len(), graphs.len());
    found
}

fn numbers_of(value: &Value) -> Vec<u64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one.as_u64().unwrap())
        .collect()
}

#[test]
fn priorities_paths_and_generations_of_the_scheduler_are_those_of_networkx() {
    let mut numbers = Numbers(20);
    let graphs: Vec<Graph> = (0..80).map(|_| Graph::random(&mut numbers)).collect();
    // One core: the order of starts is the order of priorities.
    let alone: Vec<Simulated> = graphs
        .iter()
        .map(|graph| graph.simulated(1, &graph.times))
        .collect();
    let order = |simulated: &Simulated| -> Vec<u32> {
        simulated.starts.iter().map(|start| start.item.index).collect()
    };
    let asked = |(graph, alone): (&Graph, &Simulated)| json!({"nodes": graph.times.len(), "edges": graph.edges(), "times": graph.times, "orders": [order(alone)]});
    let asked: Vec<Value> = graphs.iter().zip(&alone).map(asked).collect();
    let mut choices = 0;
    for ((graph, alone), judged) in graphs.iter().zip(&alone).zip(judged(&asked)) {
        assert_eq!(judged["topological"], json!([true]), "{:?}", graph.upstream);

        // Whoever starts has the longest way to the end among all that could start.
        let tails = numbers_of(&judged["tails"]);
        let mut finished = BTreeSet::new();
        for next in order(alone) {
            let ready = |own: &u32| {
                !finished.contains(own)
                    && graph.upstream[*own as usize]
                        .iter()
                        .all(|up| finished.contains(up))
            };
            let ready: Vec<u32> = (0..tails.len() as u32).filter(ready).collect();
            let longest = ready.iter().map(|own| tails[*own as usize]).max().unwrap();
            assert_eq!(
                tails[next as usize], longest,
                "{next} among {ready:?} of {:?}",
                graph.upstream
            );
            choices += usize::from(ready.len() > 1);
            finished.insert(next);
        }

        // With a core for every item nothing but the longest path counts.
        let cores = graph.times.len() as u32;
        let all_at_once = graph.simulated(cores, &graph.times);
        assert_eq!(all_at_once.makespan_ms, judged["longest"].as_u64().unwrap());
        // And with times of one, items start in the order of their generations.
        let level = graph.simulated(cores, &vec![1; graph.times.len()]);
        let mut generations: BTreeMap<u64, Vec<u64>> = BTreeMap::new();
        for start in &level.starts {
            generations
                .entry(start.at_ms)
                .or_default()
                .push(start.item.index.into());
        }
        generations.values_mut().for_each(|one| one.sort_unstable());
        let expected: Vec<Vec<u64>> = judged["generations"]
            .as_array()
            .unwrap()
            .iter()
            .map(numbers_of)
            .collect();
        assert_eq!(generations.into_values().collect::<Vec<_>>(), expected);
    }
    assert!(choices > 300, "{choices} choices were there to make");
}

/// A manifest of so many steps with these edges between them, for two models.
fn manifest(steps: usize, edges: &BTreeSet<(usize, usize)>) -> String {
    let mut text =
        "[manifest]\nname = \"quay\"\n\n[variants]\nmodels = \"base/*.txt\"\nname = \"{stem}\"\n".to_owned();
    for step in 0..steps {
        let upstream = edges.iter().filter(|(_, to)| *to == step).map(|(from, _)| *from);
        let inputs: Vec<String> = upstream
            .map(|from| format!("in{from} = \"step{from}.made\""))
            .collect();
        let arguments: String = inputs
            .iter()
            .map(|input| format!(", \"{{{}}}\"", input.split(' ').next().unwrap()))
            .collect();
        let from = if inputs.is_empty() {
            "model = \"{model}\"".to_owned()
        } else {
            inputs.join(", ")
        };
        let arguments = if inputs.is_empty() {
            ", \"{model}\"".to_owned()
        } else {
            arguments
        };
        text += &format!(
            "\n[step.step{step}]\nfrom = {{ {from} }}\nprogram = [\"join\"{arguments}, \"{{made}}\"]\nmakes = {{ made = \"{{variant}}.{step}.txt\" }}\n"
        );
    }
    text
}

fn survey() -> Survey {
    let file = |path: &str| {
        let file = SurveyedFile {
            digest: Digest::of(path.as_bytes()),
            size: 1,
            model: None,
            companions: Vec::new(),
            folder: false,
        };
        (path.to_owned(), file)
    };
    Survey {
        files: ["base/crate-large.txt", "base/crate-small.txt"]
            .map(file)
            .into_iter()
            .collect(),
        texts: BTreeMap::new(),
    }
}

fn plan_edges(plan: &Plan) -> Vec<(u32, u32)> {
    let mut edges = Vec::new();
    for (own, item) in plan.items.iter().enumerate() {
        for source in item.inputs.iter().flat_map(|input| &input.sources) {
            if let Some(source::From::Edge(edge)) = &source.from {
                edges.push((edge.item, own as u32));
            }
        }
    }
    edges
}

#[test]
fn plans_stand_in_topological_order_and_cycles_are_those_that_networkx_finds() {
    let mut numbers = Numbers(5);
    let mut graphs = Vec::new();
    let mut outcomes = Vec::new();
    for nth in 0..60 {
        let steps = 2 + numbers.below(8) as usize;
        let mut edges = BTreeSet::new();
        for _ in 0..numbers.below(2 * steps as u64) {
            let (one, other) = (
                numbers.below(steps as u64) as usize,
                numbers.below(steps as u64) as usize,
            );
            // Every other graph has no way back; its steps are written down in any order all the same.
            let turned = |step: usize| (step * 7 + nth) % steps;
            match nth % 2 {
                0 => edges.insert((one, other)),
                _ if one != other && turned(one) != turned(other) => {
                    edges.insert(if turned(one) < turned(other) {
                        (one, other)
                    } else {
                        (other, one)
                    })
                }
                _ => false,
            };
        }
        let text = manifest(steps, &edges);
        let planned = tidemill_plan::plan(
            &text,
            "quay.toml",
            &survey(),
            tidemill_ops::all(),
            &Options::default(),
        );
        let (nodes, edges, order) = match &planned {
            Ok(planned) => {
                let items = planned.plan.items.len();
                let position = |name: &str| {
                    planned
                        .plan
                        .items
                        .iter()
                        .position(|item| item.address.ends_with(name))
                };
                assert!((0..steps).all(|step| position(&format!("/step{step}")).is_some()));
                let edges = plan_edges(&planned.plan);
                (
                    items,
                    edges
                        .iter()
                        .map(|(from, to)| (*from as usize, *to as usize))
                        .collect(),
                    (0..items).collect(),
                )
            }
            Err(_) => (
                steps,
                edges.iter().copied().collect::<Vec<_>>(),
                Vec::<usize>::new(),
            ),
        };
        graphs.push(json!({"nodes": nodes, "edges": edges, "times": vec![1; nodes], "orders": [order]}));
        outcomes.push((text, planned));
    }
    let (mut sound, mut tangled) = (0, 0);
    for ((text, planned), judged) in outcomes.into_iter().zip(judged(&graphs)) {
        let cycles = judged["cycles"].as_array().unwrap();
        match planned {
            Ok(_) => {
                assert_eq!(cycles.len(), 0, "{text}");
                assert_eq!(judged["topological"], json!([true]), "{text}");
                sound += 1;
            }
            Err(errors) => {
                let all: BTreeSet<BTreeSet<u64>> = cycles
                    .iter()
                    .map(|cycle| numbers_of(cycle).into_iter().collect())
                    .collect();
                let mut told = 0;
                for error in &errors.items {
                    let Some((_, names)) = error.message.split_once("wait for each other: ") else {
                        panic!("{}\n{text}", error.message);
                    };
                    let steps: BTreeSet<u64> = names
                        .split(" reads ")
                        .map(|name| name.trim_matches('`').trim_start_matches("step").parse().unwrap())
                        .collect();
                    assert!(all.contains(&steps), "{steps:?} is none of {all:?}\n{text}");
                    told += 1;
                }
                assert!(told > 0, "{text}");
                tangled += 1;
            }
        }
    }
    assert!(
        sound >= 20 && tangled >= 10,
        "{sound} sound, {tangled} with a cycle"
    );
}
