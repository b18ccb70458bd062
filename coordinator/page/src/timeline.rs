//! Who ran what, when: a lane for each thing that an agent did at the same time, and below it the memory of its items
//! against what it lends. Drawn as SVG, so that it prints and scales.

use std::collections::BTreeMap;

use maud::{Markup, html};
use tidemill_proto::v1::Attempt;

use crate::facts::RunFacts;
use crate::words;

const WIDTH: f64 = 1000.0;
const LANE: f64 = 16.0;
const MEMORY: f64 = 46.0;
/// Bars nearer than this to each other and alike become one, so that a long night stays a small picture.
const NEAR: f64 = 0.6;
const SAMPLES: usize = 250;

struct Bar {
    from_ms: i64,
    to_ms: i64,
    class: &'static str,
    title: String,
    memory_bytes: u64,
    lent_bytes: u64,
}

/// One figure for each agent that ran something.
pub fn timeline(facts: &RunFacts, now_ms: i64) -> Markup {
    let mut agents: BTreeMap<&str, Vec<Bar>> = BTreeMap::new();
    for (index, attempts) in &facts.attempts {
        for attempt in attempts.iter().filter(|attempt| attempt.started_ms > 0) {
            let address = facts.row(*index as usize).address;
            agents
                .entry(&attempt.agent)
                .or_default()
                .push(bar(attempt, &address, now_ms));
        }
    }
    let from = agents.values().flatten().map(|bar| bar.from_ms).min();
    let to = agents.values().flatten().map(|bar| bar.to_ms).max();
    let (Some(from), Some(to)) = (from, to) else {
        return html! { p { "Nothing ran: everything was there already, or nothing has begun." } };
    };
    html! {
        @for (agent, bars) in agents {
            // What was lent then; an agent that has only begun is asked what it lends now.
            @let lent_then = bars.iter().map(|bar| bar.lent_bytes).max().unwrap_or(0);
            @let lent_now = facts.agents.iter().find(|row| row.name == agent).map_or(0, |row| row.lent_memory_bytes);
            @let budget = if lent_then > 0 { lent_then } else { lent_now };
            (one_agent(agent, bars, from, to.max(from + 1), budget))
        }
        p.legend aria-hidden="true" {
            span.key { span.swatch.done {} "done" } span.key { span.swatch.failed {} "failed" }
            span.key { span.swatch.running {} "runs" } span.key { span.swatch.other {} "handed back, stopped or lost" }
        }
    }
}

fn bar(attempt: &Attempt, address: &str, now_ms: i64) -> Bar {
    let to_ms = if attempt.ended_ms > 0 {
        attempt.ended_ms
    } else {
        now_ms
    };
    let outcome = if attempt.outcome.is_empty() {
        "runs"
    } else {
        &attempt.outcome
    };
    let memory_bytes = attempt.measured.map_or(0, |measured| measured.peak_memory_bytes);
    Bar {
        from_ms: attempt.started_ms,
        to_ms: to_ms.max(attempt.started_ms),
        class: match outcome {
            "done" => "done",
            "failed" | "over-memory" | "over-time" => "failed",
            "runs" => "running",
            _ => "other",
        },
        title: format!(
            "{address}, attempt {}: {outcome}, {}, {}",
            attempt.number,
            words::duration((to_ms - attempt.started_ms).max(0) as u64),
            words::size(memory_bytes)
        ),
        memory_bytes,
        lent_bytes: attempt.lent_memory_bytes,
    }
}

fn one_agent(agent: &str, mut bars: Vec<Bar>, from: i64, to: i64, budget: u64) -> Markup {
    bars.sort_by_key(|bar| bar.from_ms);
    let x = |ms: i64| (ms - from) as f64 / (to - from) as f64 * WIDTH;
    let attempts = bars.len();
    let busy_ms: i64 = bars.iter().map(|bar| bar.to_ms - bar.from_ms).sum();
    let memory = memory_over_time(&bars, from, to);
    let highest = memory.iter().copied().max().unwrap_or(0);
    let lanes = in_lanes(bars);
    let top = lanes.len() as f64 * LANE;
    let scale = highest.max(budget).max(1) as f64;
    let y = |bytes: u64| top + 8.0 + MEMORY * (1.0 - bytes as f64 / scale);
    let mut line = String::new();
    for (sample, bytes) in memory.iter().enumerate() {
        let at = sample as f64 / SAMPLES as f64 * WIDTH;
        let end = (sample + 1) as f64 / SAMPLES as f64 * WIDTH;
        line.push_str(&format!(
            "{}{at:.1},{:.1} {end:.1},{:.1} ",
            if sample == 0 { "M" } else { "L" },
            y(*bytes),
            y(*bytes)
        ));
    }
    let area = format!("{line}L{WIDTH},{:.1} L0,{:.1} Z", y(0), y(0));
    let height = top + MEMORY + 26.0;
    let lent = if budget > 0 {
        format!(" of {} lent", words::size(budget))
    } else {
        String::new()
    };
    html! {
        figure.timeline {
            figcaption {
                strong { (agent) } ": " (attempts) " attempts, "
                (words::duration(busy_ms.max(0) as u64)) " of work, at most " (words::size(highest)) (lent)
            }
            div.wide tabindex="0" role="region" aria-label={ "Timeline of " (agent) } {
                svg viewBox={ "0 0 " (WIDTH) " " (format!("{height:.0}")) } role="img"
                    aria-label={ "What " (agent) " ran from " (words::clock(from)) " to " (words::clock(to)) } {
                    @for (lane, bars) in lanes.iter().enumerate() {
                        @for bar in merged(bars, &x) {
                            rect class={ "bar " (bar.2) } x=(format!("{:.1}", bar.0)) y=(format!("{:.1}", lane as f64 * LANE + 1.0))
                                width=(format!("{:.1}", (bar.1 - bar.0).max(0.8))) height=(format!("{:.1}", LANE - 3.0)) rx="2" {
                                title { (bar.3) }
                            }
                        }
                    }
                    path.memory d=(area) {}
                    @if budget > 0 { line.budget x1="0" x2=(WIDTH) y1=(format!("{:.1}", y(budget))) y2=(format!("{:.1}", y(budget))) {} }
                    text.axis x="0" y=(format!("{:.0}", height - 4.0)) { (words::clock(from)) }
                    text.axis x=(WIDTH) y=(format!("{:.0}", height - 4.0)) text-anchor="end" { (words::clock(to)) }
                    text.axis x=(WIDTH / 2.0) y=(format!("{:.0}", height - 4.0)) text-anchor="middle" { "memory of its items" }
                }
            }
        }
    }
}

/// Puts bars that overlap into lanes of their own, the first that is free.
fn in_lanes(bars: Vec<Bar>) -> Vec<Vec<Bar>> {
    let mut lanes: Vec<Vec<Bar>> = Vec::new();
    for bar in bars {
        let free = lanes
            .iter_mut()
            .find(|lane| lane.last().is_none_or(|last| last.to_ms <= bar.from_ms));
        match free {
            Some(lane) => lane.push(bar),
            None => lanes.push(vec![bar]),
        }
    }
    lanes
}

/// From, to, class and title of the bars of a lane; bars that would touch and are alike are one.
fn merged(bars: &[Bar], x: &dyn Fn(i64) -> f64) -> Vec<(f64, f64, &'static str, String)> {
    let mut out: Vec<(f64, f64, &'static str, String, usize)> = Vec::new();
    for bar in bars {
        let (from, to) = (x(bar.from_ms), x(bar.to_ms));
        match out.last_mut() {
            Some(last) if last.2 == bar.class && to - last.0 < 2.0 * NEAR + 2.0 && from - last.1 < NEAR => {
                last.1 = to;
                last.4 += 1;
                last.3 = format!("{} attempts", last.4);
            }
            _ => out.push((from, to, bar.class, bar.title.clone(), 1)),
        }
    }
    out.into_iter()
        .map(|(from, to, class, title, _)| (from, to, class, title))
        .collect()
}

/// The sum of the peaks of what ran, the highest within each sample.
fn memory_over_time(bars: &[Bar], from: i64, to: i64) -> Vec<u64> {
    let mut moves: Vec<(i64, i64)> = Vec::with_capacity(bars.len() * 2);
    for bar in bars {
        moves.push((bar.from_ms, bar.memory_bytes as i64));
        moves.push((bar.to_ms, -(bar.memory_bytes as i64)));
    }
    // What ends goes before what starts at the same moment.
    moves.sort_unstable();
    let mut samples = vec![0_u64; SAMPLES];
    let (mut now, mut next) = (0_i64, 0);
    for (sample, highest) in samples.iter_mut().enumerate() {
        let end = from + (to - from) * (sample as i64 + 1) / SAMPLES as i64;
        let mut most = now;
        while next < moves.len() && moves[next].0 < end {
            now += moves[next].1;
            most = most.max(now);
            next += 1;
        }
        *highest = most.max(0) as u64;
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::tests::facts;
    use tidemill_proto::v1::Measured;

    fn attempt(agent: &str, from: i64, to: i64, memory: u64) -> Attempt {
        Attempt {
            agent: agent.into(),
            started_ms: from,
            ended_ms: to,
            outcome: "done".into(),
            measured: Some(Measured {
                peak_memory_bytes: memory,
                ..Measured::default()
            }),
            ..Attempt::default()
        }
    }

    #[test]
    fn what_overlaps_gets_lanes_and_memory_adds_up() {
        let bars = |spans: &[(i64, i64)]| {
            spans
                .iter()
                .map(|(a, b)| bar(&attempt("x", *a, *b, 10), "a/game", 0))
                .collect::<Vec<_>>()
        };
        let lanes = in_lanes(bars(&[(0, 10), (5, 15), (10, 20)]));
        assert_eq!(lanes.iter().map(Vec::len).collect::<Vec<_>>(), [2, 1]);
        let memory = memory_over_time(&bars(&[(0, 500), (250, 1000)]), 0, 1000);
        assert_eq!(
            (memory[0], memory[SAMPLES / 3], memory[SAMPLES - 1]),
            (10, 20, 10)
        );
    }

    #[test]
    fn thousands_of_short_attempts_stay_a_small_picture() {
        let mut facts = facts();
        let attempts = (0..20_000)
            .map(|n| attempt("pier", n * 10, n * 10 + 9, 1))
            .collect();
        facts.attempts.insert(0, attempts);
        let text = timeline(&facts, 0).into_string();
        assert!(text.len() < 200_000, "{}", text.len());
        assert!(text.contains("pier"));
    }
}
