//! `store …`: looking after the store.

use clap::{Args, Subcommand, ValueEnum};

/// `store …`.
#[derive(Debug, Args)]
pub struct Store {
    /// What to do.
    #[command(subcommand)]
    pub task: StoreTask,
}

/// The commands of `store`.
#[derive(Debug, Subcommand)]
pub enum StoreTask {
    /// Show what the store holds, by run, step or variant
    Usage(StoreUsage),
    /// Read blobs and compare them with their names; damaged ones are set aside
    Verify(StoreVerify),
    /// Show what no kept run needs; with --remove, remove it
    Sweep(StoreSweep),
    /// Show what forgetting attempts and logs of old runs would free in the record; with --remove, forget them
    Thin(StoreThin),
    /// Keep a run in every sweep
    Pin(super::OneRun),
    /// No longer keep a run in every sweep
    Unpin(super::OneRun),
}

/// `store usage`.
#[derive(Debug, Args)]
pub struct StoreUsage {
    /// One row for each of these
    #[arg(long, value_enum, default_value_t, value_name = "WHAT")]
    pub by: UsageBy,
    /// At most so many rows
    #[arg(long, short = 'n', value_name = "COUNT", default_value_t = 40)]
    pub limit: usize,
}

/// What usage is shown by.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum UsageBy {
    /// Runs, newest first.
    #[default]
    Run,
    /// Steps of each manifest, over all runs.
    Step,
    /// Variants and groups of each manifest, over all runs.
    Variant,
}

/// `store verify`.
#[derive(Debug, Args)]
pub struct StoreVerify {
    /// Only so many of a hundred blobs, others each time
    #[arg(long, value_name = "PERCENT", default_value_t = 100.0)]
    pub sample: f64,
    /// Read no faster than this in a second, as in 50MiB
    #[arg(long, value_name = "SIZE")]
    pub rate: Option<bytesize::ByteSize>,
}

/// `store sweep`.
#[derive(Debug, Args)]
pub struct StoreSweep {
    /// Remove it; without this, only figures are shown
    #[arg(long)]
    pub remove: bool,
    /// Keep runs that were submitted within so many days
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    pub keep_days: Option<u32>,
    /// Keep the newest so many runs of each manifest; without both rules all runs are kept
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..))]
    pub keep_runs: Option<u32>,
    /// How long to wait between saying what goes and removing it: longer than anybody takes from asking for a blob
    /// to using it
    #[arg(long, value_name = "TIME", default_value = "10 min", value_parser = time)]
    pub grace: std::time::Duration,
}

/// `store thin`.
#[derive(Debug, Args)]
pub struct StoreThin {
    /// Forget them; without this, only figures are shown
    #[arg(long)]
    pub remove: bool,
    /// Keep everything of runs that were submitted within so many days
    #[arg(long, value_name = "DAYS", required_unless_present = "keep_runs", value_parser = clap::value_parser!(u32).range(1..))]
    pub keep_days: Option<u32>,
    /// Keep everything of the newest so many runs of each manifest
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..))]
    pub keep_runs: Option<u32>,
}

/// A length of time as people write it.
pub(super) fn time(text: &str) -> Result<std::time::Duration, String> {
    let signed: jiff::SignedDuration = text
        .parse()
        .map_err(|_| "write a time as in `30 s`, `10 min` or `1 h`".to_owned())?;
    signed
        .try_into()
        .map_err(|_| "a time cannot be negative".to_owned())
}
