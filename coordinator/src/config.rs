//! Every setting of a coordinator in one struct. Values are plain; where they come from (flags, environment,
//! a file) is the concern of the program that opens the coordinator.

use std::path::PathBuf;
use std::time::Duration;

use tidemill_store::backend::Address;

/// Settings of a [`crate::Coordinator`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Config {
    /// The data folder: holds `owner.lock` and the record (`record/`).
    pub data: PathBuf,
    /// Where the store is, usually the folder `<data>/store`.
    pub store: Address,
    /// Part of one person's program. Opening then sets a dead owner's unfinished items to `stopped` (otherwise
    /// such runs go on), and a lost agent's items are placed again at once.
    pub embedded: bool,
    /// How long the items of a lost agent stay reserved for it before they are placed elsewhere.
    pub lost_grace: Duration,
    /// A peer that has said nothing for so long, and does not answer when asked, is lost.
    pub silence_limit: Duration,
    /// How often agents report their budget.
    pub report_every: Duration,
    /// How long a submission waits for agents to say which version of a program they have.
    pub tool_answer_wait: Duration,
    /// With less free than this where record or store lie, nothing is placed; `None`: 1 GiB, or a twentieth of the disk if
    /// that is less.
    pub keep_disk_bytes: Option<u64>,
    /// Is told what came of each run that ends: one JSON object on its standard input.
    pub summary_program: Option<PathBuf>,
    /// The store is read through over and over, so many bytes a second; `None`: only when a person asks.
    pub verify_rate: Option<u64>,
}

impl Config {
    /// For one person's program, with everything below `data`.
    pub fn embedded(data: impl Into<PathBuf>) -> Self {
        let data = data.into();
        Self {
            store: Address::Folder(data.join("store")),
            data,
            embedded: true,
            lost_grace: Duration::ZERO,
            silence_limit: Duration::from_secs(30),
            report_every: Duration::from_secs(1),
            tool_answer_wait: Duration::from_secs(20),
            keep_disk_bytes: None,
            summary_program: None,
            verify_rate: None,
        }
    }

    /// Where what is bound for a store elsewhere is staged.
    pub fn staging(&self) -> PathBuf {
        self.data.join("staging")
    }

    /// Where what came of each ended run is kept, as `RUN.json`; one person's program shows it instead.
    pub fn summaries(&self) -> Option<PathBuf> {
        (!self.embedded).then(|| self.data.join("summaries"))
    }

    /// For a studio's coordinator, with everything below `data`.
    pub fn studio(data: impl Into<PathBuf>) -> Self {
        Self {
            embedded: false,
            lost_grace: Duration::from_secs(60),
            report_every: Duration::from_secs(2),
            ..Self::embedded(data)
        }
    }
}
