//! What was typed: the command line as clap reads it. What it means is decided in `settings` and in each command.

mod history;
mod store;
mod target;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::complete;

pub use history::{Approval, History, HistorySort};
pub use store::{Store, StoreSweep, StoreTask, StoreThin, StoreUsage, StoreVerify, UsageBy};
pub use target::{ItemTarget, RunPick, one_item, run_and_items, run_and_rest};

/// Turns base models into game-ready assets, many at once, and runs only what changed.
#[derive(Debug, Parser)]
#[command(
    name = "tidemill",
    version,
    subcommand_required = true,
    arg_required_else_help = true
)]
#[command(
    after_help = "Exit codes: 0 all done, 1 some items failed, 2 the manifest or the command line is wrong, \
                        3 the coordinator cannot be reached, 4 stopped by a person."
)]
pub struct CommandLine {
    /// For every command.
    #[command(flatten)]
    pub global: Global,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// Arguments that every command takes.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Everywhere")]
pub struct Global {
    /// Keep runs and results in this folder [environment: TIDEMILL_DATA; default: your data folder]
    #[arg(long, global = true, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Talk to the coordinator of a studio instead of running here [environment: TIDEMILL_AT]
    #[arg(long, global = true, value_name = "HOST:PORT")]
    pub at: Option<String>,
    /// Print one JSON object a line, each with a `kind`
    #[arg(long, global = true)]
    pub json: bool,
    /// Print results and errors only
    #[arg(long, short, global = true, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Print more about what is done
    #[arg(long, short, global = true)]
    pub verbose: bool,
    /// Use colours; NO_COLOR is honoured
    #[arg(long, global = true, value_enum, default_value_t, value_name = "WHEN")]
    pub color: Color,
}

/// When colours are used.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Color {
    /// On a terminal.
    #[default]
    Auto,
    /// Also into a file or pipe.
    Always,
    /// Not at all.
    Never,
}

/// The commands, in the order of the help page.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show the figures of model and map files
    Inspect(Inspect),
    /// Check a manifest and its folder, and list what it declares
    Check(Check),
    /// Show which items would run, and which are there already
    Plan(Plan),
    /// Run a manifest and deliver what comes out
    Run(Run),
    /// Follow a run until it ends
    Watch(OneRun),
    /// List runs, newest first
    History(History),
    /// Show a run, or some of its items
    Show(Targets),
    /// Print what an item wrote
    Log(Log),
    /// Say why an item ran, or why it did not have to
    Why(Targets),
    /// Copy a run's outputs into the folder of its manifest
    Deliver(Deliver),
    /// Say what differs between two runs, and measure it
    Compare(Compare),
    /// Write what came of a run into one HTML file with everything inside
    Report(Report),
    /// Serve the live page for a browser on this machine, until Ctrl-C
    Page(PageArguments),
    /// Approve variants of a run, for exactly the outputs that they have
    Approve(SignOff),
    /// Reject variants of a run
    Reject(SignOff),
    /// Run failed, cut-off and stopped items of a run again
    Again(Again),
    /// Say when a run will be done, or a manifest if it were run now
    Forecast(Forecast),
    /// Hold a run's ready items back; running ones go on
    Pause(OneRun),
    /// Let a paused run go on
    Resume(OneRun),
    /// Serve a run before others, or give it a larger share of the cores
    Prefer(Prefer),
    /// Stop a run; finished items are kept
    Stop(OneRun),
    /// Join a studio's coordinator with an invitation
    Join(Join),
    /// List the agents and what they lend
    Agents,
    /// Look after the store: what it holds, whether it is sound, what can go
    Store(Store),
    /// Print shell completions, the manual page, or the schemas of manifests and of --json
    Doc(Doc),
}

/// A manifest and what is chosen of it.
#[derive(Debug, Args)]
pub struct Manifest {
    /// The manifest, a TOML file
    #[arg(value_name = "MANIFEST")]
    pub manifest: PathBuf,
    /// Choices that change the plan.
    #[command(flatten)]
    pub choice: Choice,
}

/// `check MANIFEST`.
#[derive(Debug, Args)]
pub struct Check {
    /// The manifest and what is chosen of it.
    #[command(flatten)]
    pub manifest: Manifest,
    /// Draw all base models in the colours of their tags into this PNG file, also where there are errors
    #[arg(long, value_name = "FILE")]
    pub sheet: Option<PathBuf>,
}

/// Which part of a manifest is meant.
#[derive(Debug, Clone, Default, Args)]
pub struct Choice {
    /// Only variants whose name matches; `*` stands for any text; may be given more than once
    #[arg(long, value_name = "PATTERN", add = complete::variants_of_manifest())]
    pub only: Vec<String>,
    /// Only this step and what it needs
    #[arg(long, value_name = "STEP")]
    pub until: Option<String>,
    /// With the manifest's draft settings
    #[arg(long)]
    pub draft: bool,
}

/// `inspect FILE…`.
#[derive(Debug, Args)]
pub struct Inspect {
    /// Models (.obj, .ply, .glb, .gltf) and maps (.png)
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Unit of models that carry none
    #[arg(long, value_name = "UNIT", default_value = "m")]
    pub units: String,
    /// Axis that points up in models that do not say
    #[arg(long, value_name = "AXIS", default_value = "y")]
    pub up: String,
}

/// `plan MANIFEST`.
#[derive(Debug, Args)]
pub struct Plan {
    /// The manifest and what is chosen of it.
    #[command(flatten)]
    pub manifest: Manifest,
    /// Show items that match as running, in spite of a recorded result
    #[arg(long, value_name = "PATTERN")]
    pub anew: Vec<String>,
}

/// Where outputs go when a run has ended.
#[derive(Debug, Clone, Default, Args)]
pub struct Ending {
    /// Deliver below DIR instead of the manifest's folder
    #[arg(long, value_name = "DIR")]
    pub to: Option<PathBuf>,
    /// Leave the outputs in the store
    #[arg(long, conflicts_with = "to")]
    pub no_deliver: bool,
    /// Do not wait for the end (only with --at)
    #[arg(long, conflicts_with_all = ["to", "no_deliver"])]
    pub leave: bool,
    /// What may be replaced and removed.
    #[command(flatten)]
    pub how: Delivering,
}

/// How a delivery treats what it finds.
#[derive(Debug, Clone, Default, Args)]
pub struct Delivering {
    /// Also replace files that Tidemill did not write, or that were changed since
    #[arg(long)]
    pub replace: bool,
    /// Remove what an earlier delivery of this manifest put there and this one no longer has
    #[arg(long)]
    pub prune: bool,
    /// Before files are written, run PROGRAM over their paths (no shell), for version control that wants to be asked;
    /// give it again for each argument that stands before the paths
    #[arg(long, value_name = "PROGRAM", allow_hyphen_values = true)]
    pub before: Vec<String>,
}

/// How a run stands beside the others of a studio.
#[derive(Debug, Clone, Copy, Default, Args)]
pub struct Preference {
    /// Runs of a higher priority are served first; 0 unless told otherwise
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(-1000..=1000))]
    pub priority: Option<i32>,
    /// Share of the cores beside other runs of the same priority: 2 gets twice as much as 1, which is what runs have
    /// unless told otherwise
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub share: Option<u32>,
}

/// `run MANIFEST`.
#[derive(Debug, Args)]
pub struct Run {
    /// The manifest and what is chosen of it.
    #[command(flatten)]
    pub manifest: Manifest,
    /// Run items that match in spite of a recorded result; `*` stands for any text
    #[arg(long, value_name = "PATTERN")]
    pub anew: Vec<String>,
    /// Stay, and bring the results up to date whenever the manifest or a base model is saved
    #[arg(long, conflicts_with = "leave")]
    pub stay: bool,
    /// Serve the live page meanwhile, as in 127.0.0.1:7421; only on a loopback address
    #[arg(long, value_name = "HOST:PORT")]
    pub page: Option<std::net::SocketAddr>,
    /// How it stands beside other runs.
    #[command(flatten)]
    pub preference: Preference,
    /// What happens at the end.
    #[command(flatten)]
    pub ending: Ending,
}

/// A command on one run.
#[derive(Debug, Args)]
pub struct OneRun {
    /// The run, as in harbour-dock.12; harbour-dock is its newest; left out: the newest of all
    #[arg(value_name = "RUN", add = complete::runs())]
    pub run: Option<String>,
}

/// `prefer RUN`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("wish").args(["priority", "share"]).required(true).multiple(true)))]
pub struct Prefer {
    /// The run, as in harbour-dock.12; harbour-dock is its newest; left out: the newest of all
    #[arg(value_name = "RUN", add = complete::runs())]
    pub run: Option<String>,
    /// What changes.
    #[command(flatten)]
    pub preference: Preference,
}

/// A run and some of its items.
#[derive(Debug, Args)]
pub struct Targets {
    /// harbour-dock.12, then items as in bollard-large-s11/game; or both as harbour-dock.12/bollard-large-s11/game
    #[arg(value_name = "RUN | ITEM", add = complete::run_then_items())]
    pub targets: Vec<String>,
}

/// `log RUN ITEM`.
#[derive(Debug, Args)]
pub struct Log {
    /// The run and the item, as in harbour-dock.12 bollard-large-s11/game
    #[command(flatten)]
    pub targets: Targets,
    /// Of this attempt, counted from 1; left out: the newest
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub attempt: Option<u32>,
    /// Go on printing while the item runs
    #[arg(long, short)]
    pub follow: bool,
}

/// `deliver RUN`.
#[derive(Debug, Args)]
pub struct Deliver {
    /// The run; left out: the newest of all
    #[arg(value_name = "RUN", add = complete::runs())]
    pub run: Option<String>,
    /// Deliver below DIR instead of the manifest's folder
    #[arg(long, value_name = "DIR")]
    pub to: Option<PathBuf>,
    /// Only variants that somebody approved, and groups of which all are
    #[arg(long, conflicts_with = "prune")]
    pub approved: bool,
    /// What may be replaced and removed.
    #[command(flatten)]
    pub how: Delivering,
}

/// `compare RUN RUN`.
#[derive(Debug, Args)]
pub struct Compare {
    /// The earlier run
    #[arg(value_name = "RUN", add = complete::runs())]
    pub before: String,
    /// The later run
    #[arg(value_name = "RUN", add = complete::runs())]
    pub after: String,
    /// Measure at most so many outputs that differ
    #[arg(long, value_name = "COUNT", default_value_t = 200)]
    pub at_most: usize,
    /// Also write a picture of each pair of maps or meshes that differ into DIR: before, after, and where they differ
    #[arg(long, value_name = "DIR", value_hint = clap::ValueHint::DirPath)]
    pub pictures: Option<PathBuf>,
}

/// `report RUN`.
#[derive(Debug, Args)]
pub struct Report {
    /// The run, as in harbour-dock.12; harbour-dock is its newest; left out: the newest of all
    #[arg(value_name = "RUN", add = complete::runs())]
    pub run: Option<String>,
    /// Into this file [default: RUN.html in the current folder]
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
}

/// `page`.
#[derive(Debug, Args)]
pub struct PageArguments {
    /// Listen here; only on a loopback address [default: 127.0.0.1 and any free port]
    #[arg(
        long,
        value_name = "HOST:PORT",
        default_value = "127.0.0.1:0",
        hide_default_value = true
    )]
    pub listen: std::net::SocketAddr,
}

/// `approve RUN VARIANT…`, `reject RUN VARIANT…`.
#[derive(Debug, Args)]
pub struct SignOff {
    /// The run that was looked at
    #[arg(value_name = "RUN", add = complete::runs())]
    pub run: String,
    /// Names of variants; `*` stands for any text; left out: list where each variant stands
    #[arg(value_name = "VARIANT", add = complete::variants_of_run())]
    pub variants: Vec<String>,
    /// What you think of it
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
}

/// `forecast [RUN | MANIFEST]`.
#[derive(Debug, Args)]
pub struct Forecast {
    /// A run, as in harbour-dock.12, or a manifest, as in harbour.toml; left out: the newest run
    #[arg(value_name = "RUN | MANIFEST")]
    pub target: Option<String>,
    /// Of a manifest: which part of it.
    #[command(flatten)]
    pub choice: Choice,
    /// Of a manifest: as if items that match were run in spite of a recorded result
    #[arg(long, value_name = "PATTERN")]
    pub anew: Vec<String>,
    /// Of a manifest: how it would stand beside other runs.
    #[command(flatten)]
    pub preference: Preference,
}

/// `again RUN [PATTERN…]`.
#[derive(Debug, Args)]
pub struct Again {
    /// The run, then patterns of item addresses, as in harbour-dock.12 'crate-*/game'
    #[arg(value_name = "RUN | PATTERN", add = complete::run_then_items())]
    pub targets: Vec<String>,
    /// Also finished items that match, in spite of their recorded results
    #[arg(long)]
    pub anew: bool,
    /// What happens at the end.
    #[command(flatten)]
    pub ending: Ending,
}

/// `join INVITATION`.
#[derive(Debug, Args)]
pub struct Join {
    /// As `tidemill-coordinator invite` prints it; `-` reads it from standard input
    #[arg(value_name = "INVITATION")]
    pub invitation: String,
}

/// `doc …`.
#[derive(Debug, Args)]
pub struct Doc {
    /// What to print.
    #[command(subcommand)]
    pub page: Page,
}

/// The pages of `doc`.
#[derive(Debug, Subcommand)]
pub enum Page {
    /// A completion script
    Completions {
        /// For this shell
        #[arg(value_enum)]
        shell: clap_complete::Shell,
    },
    /// The manual page, in roff
    Man,
    /// A JSON Schema: of manifests, for editors, or of the lines of --json, for scripts
    Schema {
        /// Of what
        #[arg(value_enum)]
        of: SchemaOf,
    },
}

/// What `doc schema` describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SchemaOf {
    /// Manifests, as TOML tables.
    Manifest,
    /// Each line that --json prints.
    Json,
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::*;

    #[test]
    fn the_command_line_is_sound() {
        CommandLine::command().debug_assert();
    }

    #[test]
    fn every_command_has_a_sentence_of_help() {
        for command in CommandLine::command().get_subcommands() {
            let about = command.get_about().map(ToString::to_string).unwrap_or_default();
            assert!(about.len() > 10, "{}: {about:?}", command.get_name());
        }
    }

    #[test]
    fn global_flags_stand_before_or_behind_the_command() {
        for line in [
            ["tidemill", "--json", "history"],
            ["tidemill", "history", "--json"],
        ] {
            assert!(CommandLine::try_parse_from(line).unwrap().global.json);
        }
    }
}
