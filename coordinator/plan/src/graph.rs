//! Which step feeds which: unknown steps and outputs, cycles, and the order in which items come.

use std::collections::{BTreeSet, HashMap};
use std::ops::Range;

use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{OutputRef, SourceDecl, StepDecl};

/// Steps by index of the manifest, and how they hang together.
#[derive(Debug)]
pub(crate) struct Graph {
    by_name: HashMap<String, usize>,
    /// For each step the steps that it reads, with the place that says so.
    upstream: Vec<Vec<(usize, Range<usize>)>>,
    /// Upstream steps always stand before; among those that could come next, the first of the manifest does.
    pub(crate) order: Vec<usize>,
}

impl Graph {
    /// Looks up all edges; unknown ends and cycles are errors.
    pub(crate) fn new(steps: &[StepDecl], report: &mut Report<'_>) -> Self {
        let by_name: HashMap<String, usize> = steps
            .iter()
            .enumerate()
            .map(|(index, step)| (step.name.value.clone(), index))
            .collect();
        let mut graph = Self {
            by_name,
            upstream: Vec::new(),
            order: Vec::new(),
        };
        for step in steps {
            let mut upstream = Vec::new();
            for input in &step.from {
                if let SourceDecl::Output(reference) = &input.source
                    && let Some(index) = graph.find(reference, steps, report)
                {
                    upstream.push((index, reference.span.clone()));
                }
            }
            graph.upstream.push(upstream);
        }
        graph.sort(steps, report);
        graph
    }

    /// The step of that name.
    pub(crate) fn step(&self, name: &str) -> Option<usize> {
        self.by_name.get(name).copied()
    }

    /// The step of a reference; an unknown step is an error, and so is an unknown output of a known one.
    pub(crate) fn find(
        &self,
        reference: &OutputRef,
        steps: &[StepDecl],
        report: &mut Report<'_>,
    ) -> Option<usize> {
        let Some(index) = self.step(&reference.step) else {
            report
                .error(
                    "unknown-step",
                    &reference.span,
                    format!("there is no step `{}`", reference.step),
                )
                .label("unknown step")
                .maybe_hint(nearest::hint(
                    &reference.step,
                    self.by_name.keys().map(String::as_str),
                ));
            return None;
        };
        let outputs = || steps[index].makes.iter().map(|make| make.name.as_str());
        if !outputs().any(|name| name == reference.output) {
            let message = format!(
                "the step `{}` has no output `{}`",
                reference.step, reference.output
            );
            report
                .error("unknown-output", &reference.span, message)
                .label("unknown output")
                .related(&steps[index].name.span, "the step")
                .maybe_hint(nearest::hint(&reference.output, outputs()));
        }
        Some(index)
    }

    /// Indexes of the steps that feed a step, sorted, each once.
    pub(crate) fn upstream_of(&self, step: usize) -> BTreeSet<usize> {
        self.upstream[step].iter().map(|(index, _)| *index).collect()
    }

    /// A step and everything that it needs.
    pub(crate) fn closure(&self, step: usize) -> BTreeSet<usize> {
        let mut reached = BTreeSet::from([step]);
        let mut open = vec![step];
        while let Some(step) = open.pop() {
            for (upstream, _) in &self.upstream[step] {
                if reached.insert(*upstream) {
                    open.push(*upstream);
                }
            }
        }
        reached
    }

    fn sort(&mut self, steps: &[StepDecl], report: &mut Report<'_>) {
        let mut waiting: Vec<usize> = (0..steps.len())
            .map(|step| self.upstream_of(step).len())
            .collect();
        let mut downstream: Vec<Vec<usize>> = vec![Vec::new(); steps.len()];
        for step in 0..steps.len() {
            for upstream in self.upstream_of(step) {
                downstream[upstream].push(step);
            }
        }
        let mut ready: BTreeSet<usize> = (0..steps.len()).filter(|step| waiting[*step] == 0).collect();
        while let Some(step) = ready.pop_first() {
            self.order.push(step);
            for next in &downstream[step] {
                waiting[*next] -= 1;
                if waiting[*next] == 0 {
                    ready.insert(*next);
                }
            }
        }
        let mut left: BTreeSet<usize> = (0..steps.len()).filter(|step| waiting[*step] > 0).collect();
        while let Some(cycle) = self.cycle_within(&left) {
            let names = cycle
                .iter()
                .chain(cycle.first())
                .map(|step| format!("`{}`", steps[*step].name.value));
            let names: Vec<String> = names.collect();
            // A step reads the one that stands behind it in the list.
            let edges = cycle
                .iter()
                .zip(cycle.iter().cycle().skip(1))
                .filter_map(|(step, upstream)| {
                    let (_, span) = self.upstream[*step].iter().find(|(index, _)| index == upstream)?;
                    Some((
                        span,
                        format!(
                            "`{}` reads `{}`",
                            steps[*step].name.value, steps[*upstream].name.value
                        ),
                    ))
                });
            let edges: Vec<_> = edges.collect();
            if let Some(((span, label), others)) = edges.split_first() {
                let mut entry = report
                    .error(
                        "cycle",
                        span,
                        format!("these steps wait for each other: {}", names.join(" reads ")),
                    )
                    .label(label.clone())
                    .hint("one of these edges must go");
                for (span, label) in others {
                    entry = entry.related(span, label.clone());
                }
            }
            left.retain(|step| !cycle.contains(step));
        }
    }

    /// A cycle among some steps, beginning with the first of the manifest that is on it; each step reads the next.
    fn cycle_within(&self, left: &BTreeSet<usize>) -> Option<Vec<usize>> {
        let mut left = left.clone();
        loop {
            let start = *left.first()?;
            let mut path = vec![start];
            loop {
                let last = *path.last()?;
                let Some((next, _)) = self.upstream[last].iter().find(|(next, _)| left.contains(next)) else {
                    // A dead end: it only hangs on a cycle that was found before.
                    left.remove(&last);
                    break;
                };
                if let Some(first) = path.iter().position(|step| step == next) {
                    let mut cycle = path.split_off(first);
                    let least = cycle
                        .iter()
                        .enumerate()
                        .min_by_key(|(_, step)| **step)
                        .map_or(0, |(at, _)| at);
                    cycle.rotate_left(least);
                    return Some(cycle);
                }
                path.push(*next);
            }
        }
    }
}
