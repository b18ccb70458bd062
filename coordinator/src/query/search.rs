//! The history's questions: runs that fit, in an order, one page of them, and sums over all. Blocks.

use std::cmp::Reverse;
use std::collections::HashMap;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use tidemill_proto::state;
use tidemill_proto::v1::{
    RunRow, RunState, SearchRequest, SearchRow, SearchSums, StandingCounts, StateCounts, StepFigures,
};

use super::archive::{Archive, ArchiveError, name_of, run_row};
use super::catalog::{Catalog, Entry};
use super::index::{gather, variant_names};
use super::lacking::which_name_is_lacking;
use super::names::fits;
use super::standings::{Standings, has};
use super::trends::Trends;
use crate::engine::event::LiveRuns;
use crate::record::rows::{RunIndexRecord, RunRecord, StepIndexRecord};

/// How long a question may wait for indexes that are not gathered yet; the rest is gathered behind it.
const GATHERING: Duration = Duration::from_secs(2);

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
pub fn search(
    archive: &Archive,
    catalog: &Catalog,
    live: &LiveRuns,
    request: &SearchRequest,
) -> Result<Found, ArchiveError> {
    let mut all = catalog.runs(archive)?;
    let behind = catch_up(archive, &mut all)?;
    let mut standings = match request.approval.as_str() {
        "" => None,
        _ => Some(Standings::read(archive)?),
    };
    let mut variants = VariantPattern::new(&request.variant);
    let mut fitting: Vec<(Seen<'_>, u64)> = Vec::new();
    let mut sums = SearchSums {
        behind,
        ..SearchSums::default()
    };
    let (mut items, mut trends) = (StateCounts::default(), Trends::default());
    for entry in all.iter().filter(|entry| run_fits(&entry.run, request)) {
        let seen = Seen::of(entry, live, request);
        if !seen.fits(request) || !variants.fits(seen.index) {
            continue;
        }
        if let Some(standings) = &mut standings {
            let counts = standings.of(&entry.run.manifest, seen.index);
            if !has(&counts, &request.approval).unwrap_or(false) {
                continue;
            }
        }
        seen.add_to(&mut sums, &mut items);
        if request.trends {
            trends.take(entry.run.submitted_ms, seen.index, &request.step);
        }
        let rank = seen.rank(&request.sort);
        fitting.push((seen, rank));
    }
    sums.items = Some(items);
    sums.trends = trends.done();
    if sums.runs == 0 {
        sums.hint = which_name_is_lacking(&all, request);
    }
    // Equal ranks: newest first.
    fitting.sort_by_key(|(seen, rank)| (Reverse(*rank), Reverse(seen.run.serial)));
    let limit = match request.limit {
        0 => usize::MAX,
        limit => limit as usize,
    };
    let page = fitting.into_iter().skip(request.offset as usize).take(limit);
    let page: Vec<Seen<'_>> = page.map(|(seen, _)| seen).collect();
    let mut standings = match standings {
        Some(standings) => standings,
        None if page.is_empty() => Standings::default(),
        None => Standings::read(archive)?,
    };
    let rows = page.iter().map(|seen| {
        let standing = seen
            .is_gathered
            .then(|| standings.of(&seen.run.manifest, seen.index));
        seen.row(standing)
    });
    Ok(Found {
        sums,
        rows: rows.collect(),
    })
}

/// Gathers what lacks, newest first, for a while; gives how many still lack.
fn catch_up(archive: &Archive, all: &mut [Entry]) -> Result<u64, ArchiveError> {
    let begun = Instant::now();
    let lacking = all.iter().rev().filter(|entry| !entry.is_fresh());
    let gathered = gather(archive, lacking.map(|entry| &*entry.run), &|| {
        begun.elapsed() > GATHERING
    })?;
    let mut gathered: HashMap<u64, RunIndexRecord> = gathered.into_iter().collect();
    let mut behind = 0;
    for entry in all.iter_mut().filter(|entry| !entry.is_fresh()) {
        entry.index = gathered.remove(&entry.run.serial).map(Arc::new);
        behind += u64::from(entry.index.is_none());
    }
    Ok(behind)
}

/// What the run's own row tells.
fn run_fits(run: &RunRecord, request: &SearchRequest) -> bool {
    let in_time =
        run.submitted_ms >= request.from_ms && (request.to_ms == 0 || run.submitted_ms < request.to_ms);
    in_time
        && (request.manifest.is_empty() || fits(&request.manifest, &run.manifest))
        && (request.person.is_empty() || fits(&request.person, &run.person))
        && (request.tool.is_empty() || tool_fits(run, &request.tool))
}

/// A tool's name, or name and version.
pub fn tool_fits(run: &RunRecord, pattern: &str) -> bool {
    run.tools.iter().any(|tool| {
        fits(pattern, &tool.name)
            || pattern
                .split_once(' ')
                .is_some_and(|(name, version)| fits(name, &tool.name) && fits(version.trim(), &tool.exact))
    })
}

/// Remembers which lists of names fit: runs of one plan have the same.
struct VariantPattern<'a> {
    pattern: &'a str,
    known: HashMap<&'a [u8], bool>,
}

impl<'a> VariantPattern<'a> {
    fn new(pattern: &'a str) -> Self {
        Self {
            pattern,
            known: HashMap::new(),
        }
    }

    fn fits(&mut self, index: &'a RunIndexRecord) -> bool {
        if self.pattern.is_empty() {
            return true;
        }
        let pattern = self.pattern;
        *self
            .known
            .entry(index.variants.as_slice())
            .or_insert_with(|| variant_names(index).lines().any(|name| fits(pattern, name)))
    }
}

/// A run as one question sees it.
struct Seen<'a> {
    run: &'a RunRecord,
    index: &'a RunIndexRecord,
    is_gathered: bool,
    /// As it is now, if it is open.
    now: Option<RunRow>,
    counts: StateCounts,
    step: Option<&'a StepIndexRecord>,
}

/// Of a run of which nothing was gathered.
static NOTHING: RunIndexRecord = RunIndexRecord {
    ended_ms: 0,
    variants: Vec::new(),
    steps: Vec::new(),
    agents: Vec::new(),
    made_bytes: 0,
    format: 0,
    seen: Vec::new(),
};

impl<'a> Seen<'a> {
    fn of(entry: &'a Entry, live: &LiveRuns, request: &SearchRequest) -> Self {
        let run: &RunRecord = &entry.run;
        let has_ended = run.state == RunState::Ended as i32;
        let now = (!has_ended).then(|| {
            let live = live.read().unwrap_or_else(PoisonError::into_inner);
            let entry = live.get(&name_of(run));
            entry.map_or_else(|| run_row(run), |entry| entry.board.run_row())
        });
        let counts = match &now {
            Some(now) => now.counts.unwrap_or_default(),
            None => crate::engine::rows::counts_of(run.counts.unwrap_or_default()),
        };
        // What was gathered when an open run had ended before no longer holds.
        let gathered = entry.index.as_deref().filter(|_| has_ended);
        let index = gathered.unwrap_or(&NOTHING);
        let is_asked = |step: &&StepIndexRecord| !request.step.is_empty() && step.name == request.step;
        Self {
            run,
            index,
            is_gathered: gathered.is_some(),
            now,
            counts,
            step: index.steps.iter().find(is_asked),
        }
    }

    fn fits(&self, request: &SearchRequest) -> bool {
        let took_ms = match self.step {
            Some(step) => step.longest_ms,
            None => self.elapsed_ms(),
        };
        let memory = self.peak_memory_bytes();
        let below = |value: u64, limit: u64| limit == 0 || (value > 0 && value < limit);
        (request.states.is_empty() || request.states.iter().any(|word| self.is_in(word)))
            && (request.step.is_empty() || self.step.is_some())
            && (request.agent.is_empty() || self.index.agents.iter().any(|agent| fits(&request.agent, agent)))
            && took_ms >= request.longer_ms
            && below(took_ms, request.shorter_ms)
            && memory >= request.memory_over_bytes
            && below(memory, request.memory_under_bytes)
    }

    fn is_in(&self, word: &str) -> bool {
        let open = self.now.as_ref();
        match word {
            "open" => open.is_some_and(|now| !now.paused),
            "paused" => open.is_some_and(|now| now.paused),
            "ended" => open.is_none(),
            word => state::ALL
                .iter()
                .any(|of| state::word(*of) == word && state::count(&self.counts, *of) > 0),
        }
    }

    fn cpu_ms(&self) -> u64 {
        self.now.as_ref().map_or(self.run.cpu_ms, |now| now.cpu_ms)
    }

    /// 0 as long as it is open.
    fn elapsed_ms(&self) -> u64 {
        match &self.now {
            Some(_) => 0,
            None => u64::try_from(self.run.ended_ms - self.run.submitted_ms).unwrap_or(0),
        }
    }

    fn peak_memory_bytes(&self) -> u64 {
        match self.step {
            Some(step) => step.peak_memory_bytes,
            None => {
                let peaks = self.index.steps.iter().map(|step| step.peak_memory_bytes);
                peaks.max().unwrap_or(0)
            }
        }
    }

    fn add_to(&self, sums: &mut SearchSums, items: &mut StateCounts) {
        sums.runs += 1;
        sums.cpu_ms += self.cpu_ms();
        sums.attempts += self.now.as_ref().map_or(self.run.attempts, |now| now.attempts);
        sums.made_bytes += self.index.made_bytes;
        sums.elapsed_ms += self.elapsed_ms();
        for of in state::ALL {
            if let Some(sum) = state::count_mut(items, of) {
                *sum += state::count(&self.counts, of);
            }
        }
    }

    /// Higher comes first.
    fn rank(&self, sort: &str) -> u64 {
        match sort {
            "oldest" => u64::MAX - self.run.serial,
            "longest" => match self.step {
                Some(step) => step.longest_ms,
                None => self.elapsed_ms(),
            },
            "processor" => self.step.map_or(self.cpu_ms(), |step| step.cpu_ms),
            "failed" => self.counts.failed.into(),
            "memory" => self.peak_memory_bytes(),
            _ => self.run.serial,
        }
    }

    fn row(&self, standing: Option<StandingCounts>) -> SearchRow {
        SearchRow {
            run: Some(self.now.clone().unwrap_or_else(|| run_row(self.run))),
            peak_memory_bytes: self.peak_memory_bytes(),
            made_bytes: self.index.made_bytes,
            step: self.step.map(|step| StepFigures {
                attempts: step.attempts,
                median_ms: step.median_ms,
                longest_ms: step.longest_ms,
                cpu_ms: step.cpu_ms,
                peak_memory_bytes: step.peak_memory_bytes,
                reused: step.reused,
            }),
            agents: self.index.agents.clone(),
            standing,
        }
    }
}

#[cfg(test)]
mod tests;
