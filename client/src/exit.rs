//! What the process tells its caller when it ends.

use std::process::ExitCode;

/// The end of a command, by meaning. The numbers are a promise to scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExitStatus {
    /// Everything that was asked is done.
    AllDone,
    /// The run ended, but items failed or were cut off, or a file could not be read or delivered.
    ItemsFailed,
    /// The manifest or the command line is wrong; nothing was run.
    Wrong,
    /// The coordinator cannot be reached, or the own data folder cannot be opened.
    Unreachable,
    /// A person stopped it.
    Stopped,
}

impl ExitStatus {
    /// The number that the process returns.
    pub const fn code(self) -> u8 {
        match self {
            Self::AllDone => 0,
            Self::ItemsFailed => 1,
            Self::Wrong => 2,
            Self::Unreachable => 3,
            Self::Stopped => 4,
        }
    }
}

impl From<ExitStatus> for ExitCode {
    fn from(status: ExitStatus) -> Self {
        Self::from(status.code())
    }
}
