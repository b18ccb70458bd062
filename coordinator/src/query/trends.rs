//! How time and memory of steps moved over runs. Pure.

use std::collections::BTreeMap;

use tidemill_proto::v1::{StepTrend, TrendPoint};

use crate::record::rows::{RunIndexRecord, StepIndexRecord};

/// So many points tell how a step moved; runs that follow each other share one.
pub const MOST_POINTS: usize = 24;

/// One run of a step in which something of it ran.
#[derive(Debug, Clone, Copy)]
struct Sample {
    submitted_ms: i64,
    median_ms: u64,
    peak_memory_bytes: u64,
}

/// Takes runs in order of submission.
#[derive(Debug, Default)]
pub struct Trends {
    steps: BTreeMap<String, Vec<Sample>>,
}

impl Trends {
    /// One run; `step`: only this one, empty: all.
    pub fn take(&mut self, submitted_ms: i64, index: &RunIndexRecord, step: &str) {
        let ran = |figures: &&StepIndexRecord| figures.median_ms > 0 || figures.peak_memory_bytes > 0;
        for figures in index.steps.iter().filter(ran) {
            if !step.is_empty() && figures.name != step {
                continue;
            }
            let sample = Sample {
                submitted_ms,
                median_ms: figures.median_ms,
                peak_memory_bytes: figures.peak_memory_bytes,
            };
            match self.steps.get_mut(&figures.name) {
                Some(samples) => samples.push(sample),
                None => {
                    self.steps.insert(figures.name.clone(), vec![sample]);
                }
            }
        }
    }

    /// By the step's name.
    pub fn done(self) -> Vec<StepTrend> {
        self.steps
            .into_iter()
            .map(|(step, samples)| StepTrend {
                step,
                runs: samples.len() as u64,
                points: points(&samples),
            })
            .collect()
    }
}

/// Runs in groups whose sizes differ by at most one.
fn points(samples: &[Sample]) -> Vec<TrendPoint> {
    let count = samples.len().min(MOST_POINTS);
    (0..count)
        .filter_map(|at| {
            let group = samples.get(at * samples.len() / count..(at + 1) * samples.len() / count)?;
            Some(TrendPoint {
                from_ms: group.first()?.submitted_ms,
                runs: group.len() as u64,
                median_ms: median(group, |sample| sample.median_ms),
                peak_memory_bytes: median(group, |sample| sample.peak_memory_bytes),
            })
        })
        .collect()
}

fn median(group: &[Sample], of: impl Fn(&Sample) -> u64) -> u64 {
    let mut values: Vec<u64> = group.iter().map(of).collect();
    values.sort_unstable();
    values.get(values.len() / 2).copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(median_ms: u64) -> RunIndexRecord {
        let step = |name: &str, median_ms: u64| StepIndexRecord {
            name: name.into(),
            median_ms,
            peak_memory_bytes: median_ms * 1000,
            ..StepIndexRecord::default()
        };
        RunIndexRecord {
            steps: vec![step("game", median_ms), step("maps", 0)],
            ..RunIndexRecord::default()
        }
    }

    #[test]
    fn few_runs_have_a_point_each_and_many_share_them() {
        let mut trends = Trends::default();
        for at in 1..=3 {
            trends.take(at, &run(100 * at.unsigned_abs()), "");
        }
        let found = trends.done();
        assert_eq!(found.len(), 1, "a step of which nothing ran has no trend");
        let medians: Vec<u64> = found[0].points.iter().map(|point| point.median_ms).collect();
        assert_eq!((found[0].runs, medians), (3, vec![100, 200, 300]));

        let mut trends = Trends::default();
        for at in 0..1000 {
            trends.take(at, &run(1 + at.unsigned_abs()), "game");
        }
        let points = trends.done().remove(0).points;
        assert_eq!(points.len(), MOST_POINTS);
        assert_eq!(points.iter().map(|point| point.runs).sum::<u64>(), 1000);
        assert!(points.is_sorted_by_key(|point| (point.from_ms, point.median_ms)));
    }
}
