//! `history`: which runs, in what order, and what of them.

use bytesize::ByteSize;
use clap::{Args, ValueEnum};

use super::store::time;

/// `history [MANIFEST]`.
#[derive(Debug, Args)]
pub struct History {
    /// Name of a manifest (`*` stands for any text), or the file itself; left out: all
    #[arg(value_name = "MANIFEST")]
    pub manifest: Option<String>,
    /// At most so many runs
    #[arg(long, short = 'n', value_name = "COUNT", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..))]
    pub limit: u32,
    /// Leave out the first so many
    #[arg(long, value_name = "COUNT", default_value_t = 0)]
    pub skip: u32,
    /// Submitted then: today, yesterday, "last 7 days", 2031-05, 2031-05-02, 2031-05-02/P3D, 2031-05-02T18:00/2031-05-03T09:00
    #[arg(long, value_name = "TIME")]
    pub when: Option<String>,
    /// Runs that are open, paused or ended, or that have failed, cut-off, stopped, done, reused … items; may be given more than once
    #[arg(long, value_name = "STATE")]
    pub state: Vec<String>,
    /// Runs with a variant whose name matches
    #[arg(long, value_name = "PATTERN", default_value = "", hide_default_value = true)]
    pub variant: String,
    /// Runs with this step, and what it took in each; times and memory then mean those of the step
    #[arg(long, value_name = "STEP", default_value = "", hide_default_value = true)]
    pub step: String,
    /// Runs in which this agent ran something
    #[arg(long, value_name = "PATTERN", default_value = "", hide_default_value = true)]
    pub agent: String,
    /// Runs that this person submitted
    #[arg(long, value_name = "PATTERN", default_value = "", hide_default_value = true)]
    pub person: String,
    /// Runs with this tool, or with a version of it, as in "oxipng 9.*"
    #[arg(long, value_name = "TOOL", default_value = "", hide_default_value = true)]
    pub tool: String,
    /// Runs with a variant that stands so
    #[arg(long, value_enum, value_name = "WORD")]
    pub approval: Option<Approval>,
    /// Runs that took at least so long, as in "30 min"; with --step: of which an attempt at it did
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub longer_than: Option<std::time::Duration>,
    /// Runs that took less
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub shorter_than: Option<std::time::Duration>,
    /// Runs of which an attempt took at least so much memory, as in 4GiB
    #[arg(long, value_name = "SIZE")]
    pub memory_over: Option<ByteSize>,
    /// Runs of which every attempt took less
    #[arg(long, value_name = "SIZE")]
    pub memory_under: Option<ByteSize>,
    /// Order of the runs
    #[arg(long, value_enum, default_value_t)]
    pub sort: HistorySort,
    /// Columns, in this order, of run, state, submitted, took, items, by, processor, memory, made, attempts, agents, approval, step-median, step-longest, step-memory
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    pub columns: Vec<String>,
    /// As comma-separated values with a header
    #[arg(long, conflicts_with = "json")]
    pub csv: bool,
    /// Only the sums over all runs that fit
    #[arg(long, conflicts_with = "csv")]
    pub sums: bool,
    /// How time and memory of each step (or of the one that --step names) moved over the runs that fit
    #[arg(long, conflicts_with = "sums")]
    pub trends: bool,
}

/// Where a variant of a run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Approval {
    /// Somebody approved it, and it is as it was then.
    Approved,
    /// Somebody rejected it, and it is as it was then.
    Rejected,
    /// An output has changed since somebody decided.
    Void,
    /// Nobody has decided: it waits for a look.
    Unseen,
    /// An item of it has no outputs.
    Unfinished,
}

impl Approval {
    /// As the coordinator calls it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Approved => "approved",
            Self::Rejected => "rejected",
            Self::Void => "void",
            Self::Unseen => "unseen",
            Self::Unfinished => "unfinished",
        }
    }
}

/// How the history is sorted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum HistorySort {
    /// Newest first.
    #[default]
    Newest,
    /// Oldest first.
    Oldest,
    /// Longest first.
    Longest,
    /// Most processor time first.
    Processor,
    /// Most failed items first.
    Failed,
    /// Highest peak memory first.
    Memory,
}

impl HistorySort {
    /// As the coordinator calls it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Newest => "newest",
            Self::Oldest => "oldest",
            Self::Longest => "longest",
            Self::Processor => "processor",
            Self::Failed => "failed",
            Self::Memory => "memory",
        }
    }
}
