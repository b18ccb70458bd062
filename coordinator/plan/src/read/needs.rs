//! `needs`, and the amounts that adjustments may set as well.

use std::collections::BTreeSet;
use std::ops::Range;

use super::literal::{self, At, Node};
use super::section::{Section, as_table, within};
use crate::diagnostics::Report;
use crate::units;

/// What a step is declared to need.
#[derive(Debug, Clone, Default)]
pub(crate) struct NeedsDecl {
    /// `needs` stands in the manifest.
    pub(crate) declared: bool,
    /// Where.
    pub(crate) span: Range<usize>,
    pub(crate) memory_bytes: Option<u64>,
    pub(crate) millicores: Option<u32>,
    pub(crate) seconds: u64,
    /// Name and count.
    pub(crate) seats: Vec<(At<String>, u32)>,
    pub(crate) offers: BTreeSet<String>,
}

/// What counts where nothing is declared.
pub(crate) const DEFAULT_MEMORY_BYTES: u64 = 512 << 20;
/// What counts where nothing is declared.
pub(crate) const DEFAULT_MILLICORES: u32 = 1000;

pub(crate) const MOST_RETRIES: i64 = 20;
pub(crate) const MOST_SEATS: i64 = 1_000_000;
const MOST_CORES: f64 = 1024.0;

pub(crate) const KEYS: [&str; 5] = ["memory", "cores", "time", "seats", "offers"];

pub(super) fn read(step: &Section<'_>, report: &mut Report<'_>) -> NeedsDecl {
    let Some(node) = step.get("needs") else {
        return NeedsDecl::default();
    };
    let title = format!("`needs` of {}", step.title);
    let Some(table) = as_table(node, &title, report) else {
        return NeedsDecl::default();
    };
    let section = Section::closed(title, node.span(), table, &KEYS, report);
    let mut needs = NeedsDecl {
        declared: true,
        span: node.span(),
        ..NeedsDecl::default()
    };
    needs.memory_bytes = section
        .text("memory", report)
        .and_then(|text| memory(&text, report));
    needs.millicores = section
        .get("cores")
        .and_then(|node| cores(node, &section.name_of("cores"), report));
    let time_ms = section.text("time", report).and_then(|text| time(&text, report));
    needs.seconds = time_ms.unwrap_or(0).div_ceil(1000);
    if let Some(seats) = section.table("seats", section.name_of("seats"), report) {
        for (name, node) in seats.entries() {
            if let Some(count) = within(node, &seats.name_of(&name.value), 1..MOST_SEATS + 1, report) {
                needs.seats.push((name, count.value as u32));
            }
        }
    }
    for offer in section
        .texts("offers", report)
        .map_or(Vec::new(), |offers| offers.value)
    {
        if crate::names::is_word(&offer.value) {
            needs.offers.insert(offer.value);
        } else {
            report
                .error(
                    "bad-name",
                    &offer.span,
                    format!("`{}` cannot be what a workstation offers", offer.value),
                )
                .hint("use letters, digits, `-` and `_`, as in `offers = [\"gpu\"]`");
        }
    }
    needs
}

/// Reads an amount of memory, in bytes.
pub(crate) fn memory(text: &At<String>, report: &mut Report<'_>) -> Option<u64> {
    units::memory_bytes(&text.value)
        .map_err(|problem| {
            report
                .error("bad-memory", &text.span, problem)
                .hint("write it as in `1 GiB` or `512 MiB`");
        })
        .ok()
}

/// Reads a span of time, in milliseconds.
pub(crate) fn time(text: &At<String>, report: &mut Report<'_>) -> Option<u64> {
    units::time_ms(&text.value)
        .map_err(|problem| {
            report
                .error("bad-time", &text.span, problem)
                .hint("write it as in `10 min` or `1h 30m`");
        })
        .ok()
}

fn cores(node: &Node<'_>, what: &str, report: &mut Report<'_>) -> Option<u32> {
    let cores = At::new(literal::number(node, what, report)?, node.span());
    millicores(&cores, report)
}

/// Checks a number of cores; a thousandth is the least that counts.
pub(crate) fn millicores(cores: &At<f64>, report: &mut Report<'_>) -> Option<u32> {
    if (0.001..=MOST_CORES).contains(&cores.value) {
        return Some((cores.value * 1000.0).round() as u32);
    }
    let message = format!(
        "`cores` must be more than 0 and at most {MOST_CORES}, not {}",
        cores.value
    );
    report.error("out-of-range", &cores.span, message);
    None
}
