//! What the history asks of ended runs, gathered once from their items and kept as one row for each run. Never on the
//! hot path: a run is gathered when it has left it, or when somebody asks first. Blocks.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::ControlFlow;
use std::sync::Arc;

use tidemill_proto::Digest;
use tidemill_proto::v1::{ItemState, Plan, RunState};

use super::archive::{Archive, ArchiveError};
use crate::record::rows::{ItemRecord, RunIndexRecord, RunRecord, StepIndexRecord};
use crate::record::{Op, Scan, keys, pack};

/// Level of zstd for lists of names: they are alike, so the quickest is good enough.
const ZSTD_LEVEL: i32 = 1;
/// No list of names is longer.
const MOST_NAME_BYTES: usize = 64 * 1024 * 1024;
/// Rows that are written together.
const TOGETHER: usize = 200;

/// Plans that several runs share, by their digest.
type Plans = HashMap<Vec<u8>, Arc<Plan>>;

/// Whether a run has an index that is not old.
pub fn is_fresh(run: &RunRecord, index: Option<&RunIndexRecord>) -> bool {
    index.is_some_and(|index| index.ended_ms == run.ended_ms)
}

/// Gathers and writes the indexes of ended runs that lack one; gives them by the run's serial. A run whose plan can no
/// longer be read gets an empty one.
///
/// # Errors
/// When the record cannot be read or written.
pub fn gather(archive: &Archive, runs: &[RunRecord]) -> Result<BTreeMap<u64, RunIndexRecord>, ArchiveError> {
    let mut plans = Plans::new();
    let mut gathered = BTreeMap::new();
    let (mut ops, mut blobs): (Vec<Op>, Vec<Digest>) = (Vec::new(), Vec::new());
    for run in runs.iter().filter(|run| run.state == RunState::Ended as i32) {
        let index = gather_one(archive, run, &mut plans)?;
        let packed = pack::put(keys::run_index(run.serial), &index, &archive.store)?;
        ops.push(packed.op);
        blobs.extend(packed.blob);
        gathered.insert(run.serial, index);
        if ops.len() >= TOGETHER {
            write(archive, &mut ops, &mut blobs)?;
        }
    }
    write(archive, &mut ops, &mut blobs)?;
    Ok(gathered)
}

fn write(archive: &Archive, ops: &mut Vec<Op>, blobs: &mut Vec<Digest>) -> Result<(), ArchiveError> {
    if !blobs.is_empty() {
        archive.store.commit(blobs)?;
    }
    archive.record.commit(ops)?;
    ops.clear();
    blobs.clear();
    Ok(())
}

fn gather_one(archive: &Archive, run: &RunRecord, plans: &mut Plans) -> Result<RunIndexRecord, ArchiveError> {
    let index = RunIndexRecord {
        ended_ms: run.ended_ms,
        ..RunIndexRecord::default()
    };
    let plan = match plans.get(&run.plan) {
        Some(plan) => Arc::clone(plan),
        None => {
            let Ok(plan) = archive.plan(run) else {
                return Ok(index);
            };
            let plan = Arc::new(plan);
            if plans.len() >= 8 {
                plans.clear(); // plans may be large
            }
            plans.insert(run.plan.clone(), Arc::clone(&plan));
            plan
        }
    };
    let mut steps: Vec<StepIndexRecord> = plan
        .steps
        .iter()
        .map(|step| StepIndexRecord {
            name: step.name.clone(),
            ..StepIndexRecord::default()
        })
        .collect();
    let mut elapsed: Vec<Vec<u64>> = vec![Vec::new(); steps.len()];
    let mut agents = BTreeSet::new();
    let mut made_bytes = 0;
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::items(run.serial)), &mut |key, value| {
            let item = keys::read_item(key).and_then(|(_, index)| plan.items.get(index as usize));
            let step = item.map_or(usize::MAX, |item| item.step as usize);
            let (Some(figures), Some(elapsed)) = (steps.get_mut(step), elapsed.get_mut(step)) else {
                return ControlFlow::Continue(());
            };
            let row: ItemRecord = match pack::read(key, value, &archive.store) {
                Ok(row) => row,
                Err(error) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            };
            match ItemState::try_from(row.state) {
                Ok(ItemState::Reused) => figures.reused += 1,
                Ok(ItemState::Done) => {
                    made_bytes += row.outputs.iter().map(|output| output.size).sum::<u64>()
                }
                _ => {}
            }
            for attempt in &row.attempts {
                let measured = attempt.measured.unwrap_or_default();
                figures.attempts += 1;
                figures.cpu_ms += measured.user_ms + measured.system_ms;
                figures.peak_memory_bytes = figures.peak_memory_bytes.max(measured.peak_memory_bytes);
                elapsed.push(measured.elapsed_ms);
                if !agents.contains(&attempt.agent) {
                    agents.insert(attempt.agent.clone());
                }
            }
            ControlFlow::Continue(())
        })?;
    if let Some(error) = failed {
        return Err(error.into());
    }
    for (figures, mut elapsed) in steps.iter_mut().zip(elapsed) {
        elapsed.sort_unstable();
        figures.median_ms = elapsed.get(elapsed.len() / 2).copied().unwrap_or(0);
        figures.longest_ms = elapsed.last().copied().unwrap_or(0);
    }
    let names: Vec<&str> = plan
        .variants
        .iter()
        .map(|variant| variant.name.as_str())
        .collect();
    Ok(RunIndexRecord {
        // Compressing in memory cannot fail but for a lack of it; a run without names is found by all else.
        variants: zstd::bulk::compress(names.join("\n").as_bytes(), ZSTD_LEVEL).unwrap_or_default(),
        steps,
        agents: agents.into_iter().collect(),
        made_bytes,
        ..index
    })
}

/// Names of a run's variants, one a line.
pub fn variant_names(index: &RunIndexRecord) -> String {
    let bytes = zstd::bulk::decompress(
        &index.variants,
        MOST_NAME_BYTES.min(index.variants.len() * 400 + 4096),
    );
    String::from_utf8(bytes.unwrap_or_default()).unwrap_or_default()
}
