//! The history's questions: runs that fit, in an order, one page of them, and sums over all. Blocks.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::PoisonError;

use tidemill_proto::state;
use tidemill_proto::v1::{RunRow, RunState, SearchRequest, SearchRow, SearchSums, StateCounts, StepFigures};

use super::archive::{Archive, ArchiveError, name_of, run_row};
use super::index::{gather, is_fresh, variant_names};
use super::names::fits;
use crate::engine::event::LiveRuns;
use crate::record::rows::{RunIndexRecord, RunRecord};
use crate::record::{Scan, keys, pack};

/// What was found.
#[derive(Debug, Default)]
pub struct Found {
    /// Over all runs that fit.
    pub sums: SearchSums,
    /// One page of them.
    pub rows: Vec<SearchRow>,
}

/// Finds runs. Open ones are seen as they are now; what is asked of their items counts once they have ended.
///
/// # Errors
/// When the record cannot be read.
pub fn search(archive: &Archive, live: &LiveRuns, request: &SearchRequest) -> Result<Found, ArchiveError> {
    let runs = runs_that_may_fit(archive, request)?;
    let indexes = if runs.is_empty() {
        BTreeMap::new()
    } else {
        indexes(archive, &runs)?
    };
    let none = RunIndexRecord::default();
    let mut fitting: Vec<(SearchRow, u64)> = Vec::new();
    let mut sums = SearchSums::default();
    let mut items = StateCounts::default();
    for run in &runs {
        let index = indexes.get(&run.serial).unwrap_or(&none);
        let row = row_now(run, live);
        if !row_fits(&row, request) || !index_fits(index, request) {
            continue;
        }
        sums.runs += 1;
        sums.cpu_ms += row.cpu_ms;
        sums.attempts += row.attempts;
        sums.made_bytes += index.made_bytes;
        sums.elapsed_ms += elapsed_ms(&row);
        for of in state::ALL {
            if let Some(sum) = state::count_mut(&mut items, of) {
                *sum += state::count(&row.counts.unwrap_or_default(), of);
            }
        }
        let row = found(row, index, request);
        let rank = rank(&row, run, &request.sort);
        fitting.push((row, rank));
    }
    sums.items = Some(items);
    // Runs came newest first; equal ranks stay so.
    fitting.sort_by_key(|(_, rank)| std::cmp::Reverse(*rank));
    let limit = if request.limit == 0 {
        usize::MAX
    } else {
        request.limit as usize
    };
    let rows = fitting.into_iter().skip(request.offset as usize).take(limit);
    Ok(Found {
        sums,
        rows: rows.map(|(row, _)| row).collect(),
    })
}

/// Rows of runs that fit as far as their rows tell, newest first.
fn runs_that_may_fit(archive: &Archive, request: &SearchRequest) -> Result<Vec<RunRecord>, ArchiveError> {
    let mut found = Vec::new();
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::runs()).reverse(), &mut |key, value| {
            let run: RunRecord = match pack::read(key, value, &archive.store) {
                Ok(run) => run,
                Err(error) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            };
            let in_time = run.submitted_ms >= request.from_ms
                && (request.to_ms == 0 || run.submitted_ms < request.to_ms);
            let of_manifest = request.manifest.is_empty() || fits(&request.manifest, &run.manifest);
            let by_person = request.person.is_empty() || run.person == request.person;
            let with_tool = request.tool.is_empty()
                || run.tools.iter().any(|tool| {
                    fits(&request.tool, &tool.name)
                        || fits(&request.tool, &format!("{} {}", tool.name, tool.exact))
                });
            if in_time && of_manifest && by_person && with_tool {
                found.push(run);
            }
            ControlFlow::Continue(())
        })?;
    failed.map_or(Ok(found), |error| Err(error.into()))
}

/// Indexes by serial; what lacks is gathered now.
fn indexes(archive: &Archive, runs: &[RunRecord]) -> Result<BTreeMap<u64, RunIndexRecord>, ArchiveError> {
    let mut known: BTreeMap<u64, RunIndexRecord> = BTreeMap::new();
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::run_indexes()), &mut |key, value| {
            let serial = key
                .get(1..)
                .and_then(|bytes| bytes.try_into().ok())
                .map(u64::from_be_bytes);
            match (serial, pack::read(key, value, &archive.store)) {
                (Some(serial), Ok(index)) => {
                    known.insert(serial, index);
                }
                (None, _) => {}
                // A long one whose blob is gone is gathered anew, like one that never was.
                (_, Err(pack::UnpackError::Blob { .. })) => {}
                (_, Err(error)) => {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
            }
            ControlFlow::Continue(())
        })?;
    if let Some(error) = failed {
        return Err(error.into());
    }
    let lacking: Vec<RunRecord> = runs
        .iter()
        .filter(|run| run.state == RunState::Ended as i32 && !is_fresh(run, known.get(&run.serial)))
        .cloned()
        .collect();
    if !lacking.is_empty() {
        known.extend(gather(archive, &lacking)?);
    }
    Ok(known)
}

fn row_now(run: &RunRecord, live: &LiveRuns) -> RunRow {
    if run.state == RunState::Ended as i32 {
        return run_row(run);
    }
    let live = live.read().unwrap_or_else(PoisonError::into_inner);
    live.get(&name_of(run))
        .map_or_else(|| run_row(run), |entry| entry.board.run_row())
}

fn row_fits(row: &RunRow, request: &SearchRequest) -> bool {
    let counts = row.counts.unwrap_or_default();
    request.states.is_empty()
        || request.states.iter().any(|wanted| match wanted.as_str() {
            "open" => row.state() == RunState::Open && !row.paused,
            "paused" => row.state() == RunState::Open && row.paused,
            "ended" => row.state() == RunState::Ended,
            word => state::ALL
                .iter()
                .any(|of| state::word(*of) == word && state::count(&counts, *of) > 0),
        })
}

fn index_fits(index: &RunIndexRecord, request: &SearchRequest) -> bool {
    let step = request.step.is_empty() || index.steps.iter().any(|step| step.name == request.step);
    let agent = request.agent.is_empty() || index.agents.iter().any(|agent| fits(&request.agent, agent));
    step && agent
        && (request.variant.is_empty()
            || variant_names(index)
                .lines()
                .any(|name| fits(&request.variant, name)))
}

fn found(run: RunRow, index: &RunIndexRecord, request: &SearchRequest) -> SearchRow {
    let asked = index
        .steps
        .iter()
        .find(|step| !request.step.is_empty() && step.name == request.step);
    let highest = index
        .steps
        .iter()
        .map(|step| step.peak_memory_bytes)
        .max()
        .unwrap_or(0);
    SearchRow {
        run: Some(run),
        peak_memory_bytes: asked.map_or(highest, |step| step.peak_memory_bytes),
        made_bytes: index.made_bytes,
        step: asked.map(|step| StepFigures {
            attempts: step.attempts,
            median_ms: step.median_ms,
            longest_ms: step.longest_ms,
            cpu_ms: step.cpu_ms,
            peak_memory_bytes: step.peak_memory_bytes,
            reused: step.reused,
        }),
        agents: index.agents.clone(),
    }
}

fn elapsed_ms(row: &RunRow) -> u64 {
    match row.ended_ms {
        0 => 0,
        ended => u64::try_from(ended - row.submitted_ms).unwrap_or(0),
    }
}

/// Higher comes first.
fn rank(row: &SearchRow, run: &RunRecord, sort: &str) -> u64 {
    let now = row.run.clone().unwrap_or_default();
    match sort {
        "oldest" => u64::MAX - run.serial,
        "longest" => elapsed_ms(&now),
        "processor" => now.cpu_ms,
        "failed" => u64::from(now.counts.unwrap_or_default().failed),
        "memory" => row.peak_memory_bytes,
        _ => run.serial,
    }
}
