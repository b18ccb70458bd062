//! What the history asks of ended runs, gathered once from their items and kept as one row for each run. Never on the
//! hot path: a run is gathered when it has left it, or when somebody asks first. Blocks.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::Read as _;
use std::ops::ControlFlow;
use std::sync::Arc;

use tidemill_proto::Digest;
use tidemill_proto::v1::{ItemRow, ItemState, MadeOutput, Plan, RunState, Step};

use super::archive::{Archive, ArchiveError, name_of};
use super::catalog::Catalog;
use crate::looks::sign_off::outputs_by_variant;
use crate::record::rows::{
    ItemRecord, RUN_INDEX_FORMAT, RunIndexRecord, RunRecord, SeenOutput, StepIndexRecord,
};
use crate::record::{Op, Scan, keys, pack};

/// Level of zstd for lists of names: they are alike, so the quickest is good enough.
const ZSTD_LEVEL: i32 = 1;
/// No list of names is longer.
const MOST_NAME_BYTES: u64 = 64 * 1024 * 1024;
/// Rows that are written together.
const TOGETHER: usize = 200;

/// Plans that several runs share, by their digest.
type Plans = HashMap<Vec<u8>, Arc<Plan>>;

/// Whether there is nothing to gather of a run: it is open, or has an index that is not old.
pub fn is_fresh(run: &RunRecord, index: Option<&RunIndexRecord>) -> bool {
    run.state != RunState::Ended as i32
        || index.is_some_and(|index| index.ended_ms == run.ended_ms && index.format == RUN_INDEX_FORMAT)
}

/// Gathers the indexes of all ended runs that lack one, oldest first, until `enough` says so; gives how many.
///
/// # Errors
/// When the record cannot be read or written.
pub fn gather_lacking(
    archive: &Archive,
    catalog: &Catalog,
    enough: &dyn Fn() -> bool,
) -> Result<usize, ArchiveError> {
    let runs = catalog.runs(archive)?;
    // Oldest first: rows that come in the order of their keys lie better on disk.
    let lacking = runs
        .iter()
        .filter(|entry| !entry.is_fresh())
        .map(|entry| &*entry.run);
    let gathered = gather(archive, lacking, enough)?.len();
    if gathered > 0 {
        catalog.runs(archive)?; // so that whoever asks next need not wait for it
    }
    Ok(gathered)
}

/// Gathers and writes the indexes of runs that have ended, until `enough` says so; gives them by the run's serial. A run
/// whose plan is no longer there gets an empty one; one whose plan cannot be read just now gets none.
///
/// # Errors
/// When the record cannot be read or written.
pub fn gather<'a>(
    archive: &Archive,
    runs: impl IntoIterator<Item = &'a RunRecord>,
    enough: &dyn Fn() -> bool,
) -> Result<BTreeMap<u64, RunIndexRecord>, ArchiveError> {
    let mut plans = Plans::new();
    let mut gathered = BTreeMap::new();
    let (mut ops, mut blobs): (Vec<Op>, Vec<Digest>) = (Vec::new(), Vec::new());
    for run in runs.into_iter().filter(|run| run.state == RunState::Ended as i32) {
        if enough() {
            break;
        }
        let Some(index) = gather_one(archive, run, &mut plans)? else {
            continue;
        };
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

fn gather_one(
    archive: &Archive,
    run: &RunRecord,
    plans: &mut Plans,
) -> Result<Option<RunIndexRecord>, ArchiveError> {
    let empty = RunIndexRecord {
        ended_ms: run.ended_ms,
        format: RUN_INDEX_FORMAT,
        ..RunIndexRecord::default()
    };
    let plan = match plans.get(&run.plan) {
        Some(plan) => Arc::clone(plan),
        None => {
            let plan = match archive.plan(run) {
                Ok(plan) => Arc::new(plan),
                Err(error) if error.is_lost() => return Ok(Some(empty)),
                Err(error) => {
                    tracing::warn!(%error, run = %name_of(run), "the history cannot read this run now");
                    return Ok(None);
                }
            };
            if plans.len() >= 8 {
                plans.clear(); // plans may be large
            }
            plans.insert(run.plan.clone(), Arc::clone(&plan));
            plan
        }
    };
    let mut gathering = Gathering::new(&plan);
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::items(run.serial)), &mut |key, value| {
            let Some((_, index)) = keys::read_item(key) else {
                return ControlFlow::Continue(());
            };
            match pack::read::<ItemRecord>(key, value, &archive.store) {
                Ok(row) => gathering.take(index as usize, row),
                // One long row whose blob is gone takes nothing from the others.
                Err(pack::UnpackError::Blob { .. }) => {}
                Err(error) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            }
            ControlFlow::Continue(())
        })?;
    match failed {
        Some(error) => Err(error.into()),
        None => Ok(Some(gathering.done(empty))),
    }
}

/// What is gathered of one run, item by item.
struct Gathering<'a> {
    plan: &'a Plan,
    steps: Vec<StepIndexRecord>,
    /// Of attempts of each step that ran to their end.
    elapsed_ms: Vec<Vec<u64>>,
    agents: BTreeSet<String>,
    made_bytes: u64,
    /// As far as standings are concerned.
    items: Vec<ItemRow>,
}

impl<'a> Gathering<'a> {
    fn new(plan: &'a Plan) -> Self {
        let step = |step: &Step| StepIndexRecord {
            name: step.name.clone(),
            ..StepIndexRecord::default()
        };
        Self {
            plan,
            steps: plan.steps.iter().map(step).collect(),
            elapsed_ms: vec![Vec::new(); plan.steps.len()],
            agents: BTreeSet::new(),
            made_bytes: 0,
            items: vec![ItemRow::default(); plan.items.len()],
        }
    }

    fn take(&mut self, index: usize, row: ItemRecord) {
        let Some(item) = self.plan.items.get(index) else {
            return;
        };
        let step = item.step as usize;
        let (Some(figures), Some(elapsed_ms)) = (self.steps.get_mut(step), self.elapsed_ms.get_mut(step))
        else {
            return;
        };
        match ItemState::try_from(row.state) {
            Ok(ItemState::Reused) => figures.reused += 1,
            Ok(ItemState::Done) => {
                self.made_bytes += row.outputs.iter().map(|output| output.size).sum::<u64>();
            }
            _ => {}
        }
        for attempt in row.attempts {
            let measured = attempt.measured.unwrap_or_default();
            figures.attempts += 1;
            figures.cpu_ms += measured.user_ms + measured.system_ms;
            figures.peak_memory_bytes = figures.peak_memory_bytes.max(measured.peak_memory_bytes);
            if attempt.measured.is_some() && matches!(attempt.outcome.as_str(), "done" | "failed") {
                elapsed_ms.push(measured.elapsed_ms);
            }
            if !self.agents.contains(&attempt.agent) {
                self.agents.insert(attempt.agent);
            }
        }
        if let Some(shown) = self.items.get_mut(index) {
            shown.state = row.state;
            let outputs = row.outputs.into_iter();
            shown.outputs = outputs
                .map(|output| MadeOutput {
                    name: output.name,
                    digest: output.digest,
                    ..MadeOutput::default()
                })
                .collect();
        }
    }

    fn done(mut self, empty: RunIndexRecord) -> RunIndexRecord {
        for (figures, mut elapsed_ms) in self.steps.iter_mut().zip(self.elapsed_ms) {
            elapsed_ms.sort_unstable();
            figures.median_ms = elapsed_ms.get(elapsed_ms.len() / 2).copied().unwrap_or(0);
            figures.longest_ms = elapsed_ms.last().copied().unwrap_or(0);
        }
        let names: Vec<&str> = self
            .plan
            .variants
            .iter()
            .map(|variant| variant.name.as_str())
            .collect();
        let outputs = outputs_by_variant(self.plan, &self.items);
        RunIndexRecord {
            // Compressing in memory cannot fail but for a lack of it; a run without names is found by all else.
            variants: zstd::bulk::compress(names.join("\n").as_bytes(), ZSTD_LEVEL).unwrap_or_default(),
            steps: self.steps,
            agents: self.agents.into_iter().collect(),
            made_bytes: self.made_bytes,
            seen: outputs
                .iter()
                .flat_map(|(_, outputs)| outputs.as_deref().map_or([0; 8], mark_of))
                .collect(),
            ..empty
        }
    }
}

/// What stands for a variant's outputs in the index: equal outputs, equal marks. Never zero.
pub fn mark_of(outputs: &[SeenOutput]) -> [u8; 8] {
    let mut text = Vec::new();
    for output in outputs {
        text.extend_from_slice(output.name.as_bytes());
        text.push(0);
        text.extend_from_slice(&output.digest);
    }
    let mut mark = [0; 8];
    mark.copy_from_slice(&Digest::of(&text).as_bytes()[..8]);
    mark[7] |= 1;
    mark
}

/// Names of a run's variants, one a line; empty if they cannot be read.
pub fn variant_names(index: &RunIndexRecord) -> String {
    let mut names = String::new();
    let read = zstd::Decoder::new(index.variants.as_slice())
        .and_then(|decoder| decoder.take(MOST_NAME_BYTES).read_to_string(&mut names));
    if read.is_err() {
        names.clear();
    }
    names
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::Item;

    use super::*;
    use crate::record::rows::{AttemptRecord, MeasuredRecord};

    #[test]
    fn names_that_are_nearly_all_alike_are_read_back_whole() {
        let names: Vec<String> = (0..20_000).map(|_| "bollard-large-s11".repeat(4)).collect();
        let text = names.join("\n");
        let variants = zstd::bulk::compress(text.as_bytes(), ZSTD_LEVEL).unwrap();
        assert!(
            variants.len() * 400 < text.len(),
            "far smaller than any guess from its size"
        );
        let index = RunIndexRecord {
            variants,
            ..RunIndexRecord::default()
        };
        assert_eq!(variant_names(&index), text);
    }

    #[test]
    fn attempts_that_were_lost_do_not_count_as_quick_ones() {
        let plan = Plan {
            steps: vec![Step::default()],
            items: vec![Item::default()],
            ..Plan::default()
        };
        let attempt = |outcome: &str, elapsed_ms: Option<u64>| AttemptRecord {
            outcome: outcome.into(),
            measured: elapsed_ms.map(|elapsed_ms| MeasuredRecord {
                elapsed_ms,
                ..MeasuredRecord::default()
            }),
            ..AttemptRecord::default()
        };
        let mut gathering = Gathering::new(&plan);
        gathering.take(
            0,
            ItemRecord {
                attempts: vec![
                    attempt("lost", None),
                    attempt("handed-back", Some(3)),
                    attempt("done", Some(900)),
                ],
                ..ItemRecord::default()
            },
        );
        let step = &gathering.done(RunIndexRecord::default()).steps[0];
        assert_eq!((step.attempts, step.median_ms, step.longest_ms), (3, 900, 900));
    }
}
