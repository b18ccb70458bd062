//! What the record says about the items of a plan: expected needs and times, and how far attempts strayed from them.
//! Reads learned rows; decides nothing.

use std::collections::HashMap;

use tidemill_proto::Digest;
use tidemill_proto::v1::{Item, source};

use super::KnownStep;
use crate::engine::plan::{KeptPlan, PlanError, tool_of};
use crate::engine::recipe::Recipe;
use crate::estimate::{Learned, Sample, estimate};
use crate::query::archive::Archive;
use crate::record::keys;
use crate::record::rows::EstimateRecord;
use crate::scheduler::simulate::SimulatedItem;
use crate::scheduler::{Amount, Estimate, Millis};

/// Where an item of an open run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It has an outcome.
    Finished,
    /// It has run for so long.
    Running {
        /// Since it was started.
        elapsed_ms: Millis,
    },
    /// It is still to be started.
    Open,
}

/// Where nothing at all is known of a run's durations.
const FIRST_GUESS_MS: Millis = 10_000;
/// A running item that is overdue takes as long again as a part of this of its time.
const OVERDUE_PART: Millis = 10;

/// The items of a plan as they are expected to go, and what is known about its steps. Blocks.
///
/// `output_bytes` gives the size of an output of another item, if it was made.
///
/// # Errors
/// When the plan is damaged.
pub fn expected(
    archive: &Archive,
    plan: &KeptPlan,
    tools: &HashMap<String, String>,
    standing: impl Fn(u32) -> Standing,
    output_bytes: impl Fn(u32, &str) -> Option<u64>,
) -> Result<(Vec<SimulatedItem>, Vec<KnownStep>), PlanError> {
    let recipe = Recipe::of(plan)?;
    let mut learned: HashMap<(u32, Option<&str>), (Learned, Learned)> = HashMap::new();
    let mut steps: Vec<KnownStep> = plan
        .steps
        .iter()
        .map(|step| KnownStep {
            name: step.name.clone(),
            ratios: Vec::new(),
        })
        .collect();
    let mut items = Vec::with_capacity(recipe.specs.len());
    let mut known_ms: Vec<Millis> = Vec::new();
    for (index, mut spec) in recipe.specs.into_iter().enumerate() {
        let index = index as u32;
        let standing = standing(index);
        if standing == Standing::Finished {
            items.push(SimulatedItem {
                spec,
                reused: true,
                ..SimulatedItem::default()
            });
            continue;
        }
        let item = plan.item(index)?;
        let tool = tool_of(&item)
            .and_then(|name| tools.get(name))
            .map(String::as_str);
        let (own, family) = learned.entry((spec.step, tool)).or_insert_with(|| {
            let step = recipe.signatures.get(spec.step as usize).copied();
            let name = plan
                .step_of(&item)
                .map(|step| step.name.as_str())
                .unwrap_or_default();
            let own = step.map(|step| read(archive, &signature(step, tool)));
            (
                own.unwrap_or_default(),
                read(archive, &family(name, &plan.manifest)),
            )
        });
        let input_bytes = input_bytes(&item, &output_bytes).unwrap_or_else(|| usual_bytes(own));
        let declared = Estimate {
            need: spec.need,
            elapsed_ms: spec.expected_ms,
        };
        let expected = estimate(declared, own, Some(family), input_bytes);
        if let Some(step) = steps.get_mut(spec.step as usize)
            && step.ratios.is_empty()
        {
            step.ratios = ratios(if own.complete() > 0 { own } else { family });
        }
        known_ms.extend(expected.elapsed_ms);
        spec.need = Amount {
            memory_bytes: expected.need.memory_bytes,
            ..spec.need
        };
        spec.expected_ms = expected.elapsed_ms;
        let elapsed_ms = expected.elapsed_ms.unwrap_or(Millis::MAX);
        let memory_bytes = spec.need.memory_bytes;
        items.push(SimulatedItem {
            elapsed_ms: match standing {
                Standing::Running { elapsed_ms: ran_ms } if elapsed_ms != Millis::MAX => {
                    elapsed_ms.saturating_sub(ran_ms).max(elapsed_ms / OVERDUE_PART)
                }
                _ => elapsed_ms,
            },
            spec,
            memory_bytes,
            ..SimulatedItem::default()
        });
    }
    // Unknown time counts as the run's median, as in the scheduler.
    known_ms.sort_unstable();
    let median = known_ms
        .get(known_ms.len() / 2)
        .copied()
        .unwrap_or(FIRST_GUESS_MS);
    for item in items.iter_mut().filter(|item| item.elapsed_ms == Millis::MAX) {
        item.elapsed_ms = median;
    }
    Ok((items, steps))
}

/// What was learned about an item, whatever counts now. `None`: nothing was measured. Blocks.
///
/// # Errors
/// When the plan is damaged.
pub fn learned_of(
    archive: &Archive,
    plan: &KeptPlan,
    tools: &HashMap<String, String>,
    index: u32,
    output_bytes: impl Fn(u32, &str) -> Option<u64>,
) -> Result<Option<Estimate>, PlanError> {
    let item = plan.item(index)?;
    let recipe = Recipe::of(plan)?;
    let tool = tool_of(&item)
        .and_then(|name| tools.get(name))
        .map(String::as_str);
    let Some(step) = recipe.signatures.get(item.step as usize) else {
        return Ok(None);
    };
    let own = read(archive, &signature(*step, tool));
    let input_bytes = input_bytes(&item, &output_bytes).unwrap_or_else(|| usual_bytes(&own));
    let needs = item.needs.unwrap_or_default();
    Ok(own.expect(input_bytes).map(|expected| Estimate {
        need: Amount {
            millicores: needs.millicores,
            memory_bytes: expected.memory_bytes,
        },
        elapsed_ms: expected.elapsed_ms,
    }))
}

/// Under what a step with a tool of this version is learned.
pub fn signature(step: Digest, tool: Option<&str>) -> Digest {
    match tool {
        Some(exact) => Digest::of(format!("{step}\n{exact}").as_bytes()),
        None => step,
    }
}

/// Under what a step is learned whatever its parameters: no signature is the digest of such a text.
pub fn family(step: &str, manifest: &str) -> Digest {
    Digest::of(format!("step {step}\nof {manifest}").as_bytes())
}

fn read(archive: &Archive, signature: &Digest) -> Learned {
    let mut learned = Learned::default();
    // What cannot be read counts as not learned: a forecast is no reason to fail.
    let row = archive
        .row::<EstimateRecord>(&keys::estimate(signature))
        .ok()
        .flatten();
    for sample in row.map(|row| row.samples).unwrap_or_default() {
        learned.add(Sample {
            input_bytes: sample.input_bytes,
            peak_memory_bytes: sample.peak_memory_bytes,
            elapsed_ms: sample.elapsed_ms,
        });
    }
    learned
}

/// Measured over expected time of each attempt that ran to its end.
fn ratios(learned: &Learned) -> Vec<f32> {
    let ratio = |sample: &Sample| {
        let expected = learned.expect(sample.input_bytes)?.elapsed_ms?.max(1);
        Some(sample.elapsed_ms? as f32 / expected as f32)
    };
    learned.samples().iter().filter_map(ratio).collect()
}

/// Of all inputs together; `None`: not all of them are there yet.
fn input_bytes(item: &Item, output_bytes: &impl Fn(u32, &str) -> Option<u64>) -> Option<u64> {
    let mut sum = 0_u64;
    for source in item.inputs.iter().flat_map(|input| &input.sources) {
        sum += match source.from.as_ref()? {
            source::From::File(file) => {
                file.size
                    + file
                        .companions
                        .iter()
                        .map(|companion| companion.size)
                        .sum::<u64>()
            }
            source::From::Edge(edge) => output_bytes(edge.item, &edge.output)?,
        };
    }
    Some(sum)
}

fn usual_bytes(learned: &Learned) -> u64 {
    let mut sizes: Vec<u64> = learned
        .samples()
        .iter()
        .map(|sample| sample.input_bytes)
        .collect();
    sizes.sort_unstable();
    sizes.get(sizes.len() / 2).copied().unwrap_or(0)
}
