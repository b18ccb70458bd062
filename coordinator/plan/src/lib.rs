//! From manifest text, survey and operations to a plan, or to all that is wrong, each with its place.
//!
//! Pure: no I/O, no clock, no async. The same folder, manifest and operations give a byte-identical plan.
//!
//! # Layout, in the order in which a plan is made
//! - `read`: text to a manifest as it is written; everything keeps its place. `wanted` says what to survey.
//! - `survey`: what the client found.
//! - `variants`: files, rows and axes, multiplied and named; `variants::scope` says what placeholders mean.
//! - `graph`: edges between steps, their order, cycles.
//! - `steps` with `chain`, `binding`, `settings` and `program`: all of a step that is the same for its items.
//! - `adjust`: overrides by field, and those of a draft.
//! - `tags`: what models say about themselves. `subjects`: variants, groups, all.
//! - `items`, `collisions`, `deliver`: each step for each subject, its files, and what is copied out.
//! - `machines`: needs that no known machine has. `assemble`: the whole way in one function. `recheck`: the coordinator's own look at a plan.
//! - `diagnostics`, `render`, `nearest`: findings with places, pictures and hints.
//!
//! # Invariants
//! - An error never hides another: each stage goes on with what it could understand, and marks the rest as unknown
//!   so that nothing is complained about twice. Only text that is no TOML ends the way early.
//! - Lists of a plan have a defined order, and nothing is taken from the order of a hash map.
//! - No loop is over pairs of variants: a hundred thousand of them are planned in seconds.

mod adjust;
mod assemble;
mod binding;
mod chain;
mod collisions;
mod deliver;
mod diagnostics;
mod graph;
mod items;
mod machines;
mod names;
mod nearest;
mod paths;
mod program;
mod read;
mod recheck;
mod render;
mod schema;
mod second_look;
mod settings;
mod steps;
mod subjects;
mod survey;
mod tags;
mod units;
mod variants;
mod wanted;

pub use diagnostics::{Diagnostic, Diagnostics, Place, Related, Severity};
pub use schema::schema;
pub use survey::{Companion, ModelFacts, Survey, SurveyedFile};
pub use variants::files::ModelFilter;
pub use variants::rows::models_of_csv;
pub use wanted::Wanted;

use tidemill_ops::Declaration;
use tidemill_proto::v1::Plan;

/// What the command line adds to a manifest.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Options {
    /// Apply the `[draft]` overrides.
    pub draft: bool,
    /// Patterns over variant names (`*`, `?`, `[ab]`, `{a,b}`); empty: all. Groups then hold only those.
    pub only: Vec<String>,
    /// Only this step and what it needs.
    pub until: Option<String>,
    /// The only machines that will ever run items, each at its best; empty: not known.
    pub machines: Vec<Machine>,
}

/// What a machine can lend at most.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Machine {
    /// Cores, in thousandths.
    pub millicores: u32,
    /// Memory, in bytes.
    pub memory_bytes: u64,
    /// What it has beside them, as in `gpu`.
    pub offers: Vec<String>,
}

/// A plan and what someone should look at all the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// The plan.
    pub plan: Plan,
    /// None of them keeps the plan from being run. [`Diagnostics::new`] makes them showable.
    pub remarks: Vec<Diagnostic>,
}

/// What must be surveyed for the manifest `text`.
///
/// Fails only if the text is no TOML: everything else that is wrong with it is said by [`plan`], together with
/// what is wrong with the files.
pub fn wanted(text: &str, source_name: &str) -> Result<Wanted, Diagnostics> {
    let mut report = diagnostics::Report::new(text);
    match read::manifest(text, &mut report) {
        Some(manifest) => Ok(Wanted::of(&manifest)),
        None => Err(Diagnostics::new(source_name, text, report.finish())),
    }
}

/// The plan, or all that is wrong.
///
/// `operations` are the built-in ones, [`tidemill_ops::all`]. Errors come all at once, sorted by their places.
pub fn plan(
    text: &str,
    source_name: &str,
    survey: &Survey,
    operations: &[Declaration],
    options: &Options,
) -> Result<Planned, Diagnostics> {
    let mut report = diagnostics::Report::new(text);
    let plan = read::manifest(text, &mut report)
        .map(|manifest| assemble::assemble(&manifest, survey, operations, options, &mut report));
    let errors = report.errors();
    let found = Diagnostics::new(source_name, text, report.finish());
    match plan {
        Some(plan) if errors == 0 => Ok(Planned {
            plan,
            remarks: found.items,
        }),
        _ => Err(found),
    }
}

/// Checks a plan that came over the wire; nothing in it is believed.
///
/// Indexes, order, names, addresses, digests, edges, paths, chains and settings are looked at. `operations` are
/// those that this program has, [`tidemill_ops::all`].
pub fn recheck(plan: &Plan, operations: &[Declaration]) -> Result<(), Vec<String>> {
    let problems = recheck::recheck(plan, operations);
    if problems.is_empty() {
        Ok(())
    } else {
        Err(problems)
    }
}
