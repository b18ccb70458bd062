//! How steps moved over runs, as text. Pure.

use tidemill_proto::v1::{StepTrend, TrendPoint};

use crate::failure::Failure;
use crate::output::{human, table};

/// From the lowest to the highest value of a line.
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// A line for each step: from the oldest runs to the newest.
pub fn text(trends: &[StepTrend]) -> String {
    let mut list = table::with_heads(&["step", ">runs", "median time", "", "peak memory", ""]);
    for trend in trends {
        let time: Vec<u64> = trend.points.iter().map(|point| point.median_ms).collect();
        let memory: Vec<u64> = trend.points.iter().map(|point| point.peak_memory_bytes).collect();
        list.add_row([
            trend.step.clone(),
            trend.runs.to_string(),
            moved(&time, human::duration),
            bars(&time),
            moved(&memory, human::size),
            bars(&memory),
        ]);
    }
    table::text(&list)
}

/// `2.1 s -> 3.4 s (+62 %)`.
fn moved(values: &[u64], show: impl Fn(u64) -> String) -> String {
    match values {
        [] => String::new(),
        [only] => show(*only),
        [first, .., last] => {
            let change = match *first {
                0 => String::new(),
                // Adding zero takes the sign from a zero.
                first => format!(
                    " ({:+.0} %)",
                    ((*last as f64 / first as f64 - 1.0) * 100.0).round() + 0.0
                ),
            };
            format!("{} -> {}{change}", show(*first), show(*last))
        }
    }
}

/// A bar for each value, on a scale from zero.
fn bars(values: &[u64]) -> String {
    let most = values.iter().copied().max().unwrap_or(0).max(1);
    let bar = |value: &u64| {
        let at = (*value as f64 / most as f64 * (BARS.len() - 1) as f64).round();
        BARS.get(at as usize).copied().unwrap_or('█')
    };
    values.iter().map(bar).collect()
}

/// A line for each point.
pub fn csv_text(trends: &[StepTrend]) -> Result<String, Failure> {
    let mut out = csv::Writer::from_writer(Vec::new());
    let failed = |error: csv::Error| Failure::work(format!("the list cannot be written: {error}"));
    out.write_record(["step", "from", "runs", "median_ms", "peak_memory_bytes"])
        .map_err(failed)?;
    for (trend, point) in trends
        .iter()
        .flat_map(|trend| trend.points.iter().map(move |point| (trend, point)))
    {
        out.write_record(row(&trend.step, point)).map_err(failed)?;
    }
    super::history::csv_written(out)
}

fn row(step: &str, point: &TrendPoint) -> [String; 5] {
    let from = jiff::Timestamp::from_millisecond(point.from_ms).map(|at| at.to_string());
    [
        step.to_owned(),
        from.unwrap_or_default(),
        point.runs.to_string(),
        point.median_ms.to_string(),
        point.peak_memory_bytes.to_string(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_that_became_slower_says_so() {
        let point = |median_ms: u64| TrendPoint {
            from_ms: 1,
            runs: 1,
            median_ms,
            peak_memory_bytes: 1024 * 1024,
        };
        let trends = [StepTrend {
            step: "game".into(),
            runs: 3,
            points: vec![point(2000), point(4000), point(3000)],
        }];
        let shown = text(&trends);
        for part in [
            "2.0 s -> 3.0 s (+50 %)",
            "▅█▆",
            "1.0 MiB -> 1.0 MiB (+0 %)",
            "███",
        ] {
            assert!(shown.contains(part), "{part}: {shown}");
        }
        assert_eq!(
            csv_text(&trends).unwrap().lines().nth(2).unwrap(),
            "game,1970-01-01T00:00:00.001Z,1,4000,1048576"
        );
        assert_eq!(moved(&[], human::size), "");
        assert_eq!(moved(&[0, 5], human::duration), "0 ms -> 5 ms");
    }
}
