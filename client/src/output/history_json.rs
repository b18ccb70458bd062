//! What `history --json` prints behind each run, and at the end; the same promises as in [`super::json`].

use schemars::JsonSchema;
use serde::Serialize;
use tidemill_proto::v1::{SearchRow, SearchSums, StepFigures, StepTrend, TrendPoint};

use super::json::Counts;

/// `kind = "history-sums"`: the last line of `history`, over all runs that fit.
#[derive(Debug, Serialize, JsonSchema)]
pub struct HistorySums {
    #[schemars(extend("const" = "history-sums"))]
    kind: &'static str,
    runs: u64,
    #[serde(flatten)]
    items: Counts,
    cpu_ms: u64,
    attempts: u64,
    made_bytes: u64,
    elapsed_ms: u64,
    reuse_share: f64,
    /// Ended runs of which items are not gathered yet: what asks for items does not find them.
    behind: u64,
}

impl HistorySums {
    /// Of the coordinator's answer.
    pub fn of(sums: &SearchSums) -> Self {
        Self {
            kind: "history-sums",
            runs: sums.runs,
            items: Counts::from(&sums.items.unwrap_or_default()),
            cpu_ms: sums.cpu_ms,
            attempts: sums.attempts,
            made_bytes: sums.made_bytes,
            elapsed_ms: sums.elapsed_ms,
            reuse_share: reuse_share(sums),
            behind: sums.behind,
        }
    }
}

/// `kind = "run-figures"`: what one run took, behind it in `history`.
#[derive(Debug, Serialize, JsonSchema)]
pub struct RunFigures<'a> {
    #[schemars(extend("const" = "run-figures"))]
    kind: &'static str,
    run: &'a str,
    peak_memory_bytes: u64,
    made_bytes: u64,
    agents: &'a [String],
    /// Variants by where they stand; `null`: the run is open.
    standing: Option<Standing>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Standing {
    approved: u32,
    rejected: u32,
    void: u32,
    unseen: u32,
    unfinished: u32,
}

impl<'a> RunFigures<'a> {
    /// Of the coordinator's answer.
    pub fn of(run: &'a str, row: &'a SearchRow) -> Self {
        Self {
            kind: "run-figures",
            run,
            peak_memory_bytes: row.peak_memory_bytes,
            made_bytes: row.made_bytes,
            agents: &row.agents,
            standing: row.standing.as_ref().map(|counts| Standing {
                approved: counts.approved,
                rejected: counts.rejected,
                void: counts.void,
                unseen: counts.unseen,
                unfinished: counts.unfinished,
            }),
        }
    }
}

/// `kind = "trend"`: how a step moved over the runs that fit, in `history --trends`.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Trend<'a> {
    #[schemars(extend("const" = "trend"))]
    kind: &'static str,
    step: &'a str,
    runs: u64,
    /// Oldest first; runs that follow each other may share one.
    points: Vec<Point>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Point {
    from_ms: i64,
    runs: u64,
    median_ms: u64,
    peak_memory_bytes: u64,
}

impl<'a> Trend<'a> {
    /// Of the coordinator's answer.
    pub fn of(trend: &'a StepTrend) -> Self {
        let point = |point: &TrendPoint| Point {
            from_ms: point.from_ms,
            runs: point.runs,
            median_ms: point.median_ms,
            peak_memory_bytes: point.peak_memory_bytes,
        };
        Self {
            kind: "trend",
            step: &trend.step,
            runs: trend.runs,
            points: trend.points.iter().map(point).collect(),
        }
    }
}

/// Reused items among those that have outputs, 0 to 1.
pub fn reuse_share(sums: &SearchSums) -> f64 {
    let counts = sums.items.unwrap_or_default();
    f64::from(counts.reused) / f64::from((counts.reused + counts.done).max(1))
}

/// `kind = "step-figures"`: what one step took in one run, behind its run in `history --step`.
#[derive(Debug, Serialize, JsonSchema)]
pub struct StepTook<'a> {
    #[schemars(extend("const" = "step-figures"))]
    kind: &'static str,
    run: &'a str,
    step: &'a str,
    attempts: u32,
    reused: u32,
    median_ms: u64,
    longest_ms: u64,
    cpu_ms: u64,
    peak_memory_bytes: u64,
}

impl<'a> StepTook<'a> {
    /// Of the coordinator's answer.
    pub fn of(run: &'a str, step: &'a str, figures: &StepFigures) -> Self {
        Self {
            kind: "step-figures",
            run,
            step,
            attempts: figures.attempts,
            reused: figures.reused,
            median_ms: figures.median_ms,
            longest_ms: figures.longest_ms,
            cpu_ms: figures.cpu_ms,
            peak_memory_bytes: figures.peak_memory_bytes,
        }
    }
}
