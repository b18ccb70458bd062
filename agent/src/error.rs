//! What can go wrong with the agent as a whole; what goes wrong with one item is that item's outcome.

use std::io;
use std::path::PathBuf;

/// Why an agent cannot start or go on.
#[derive(Debug, thiserror::Error)]
pub enum AgentError {
    /// A setting that cannot work.
    #[error("the agent's setting `{setting}`: {problem}")]
    Setting {
        /// Its name.
        setting: &'static str,
        /// What is wrong and what to write instead.
        problem: String,
    },
    /// The path of the running program is unknown.
    #[error("cannot tell the path of this program, which the launcher needs")]
    OwnProgram(#[source] io::Error),
    /// A folder or file of the agent's own data.
    #[error("the agent's data: cannot {action} {path}")]
    Data {
        /// As in "create".
        action: &'static str,
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// Another agent lives in the folder.
    #[error(
        "another agent uses the data folder {}: give each agent of a machine its own (--data DIR); they may share a cache \
         (cache_folder in the configuration)",
        path.display()
    )]
    Taken {
        /// The folder.
        path: PathBuf,
    },
    /// The system does not say what the machine has.
    #[error("cannot tell cores and memory of this machine: {0}")]
    Machine(String),
    /// The coordinator does not take this agent.
    #[error("the coordinator refuses this agent: {0}")]
    Refused(String),
    /// The configuration file of an agent.
    #[error("{path}: {problem}")]
    ConfigFile {
        /// Which.
        path: PathBuf,
        /// Line, what is wrong, what to write instead.
        problem: String,
    },
}

impl AgentError {
    pub(crate) fn machine(error: impl std::fmt::Display) -> Self {
        Self::Machine(error.to_string())
    }

    /// For `map_err`: what was tried with which path of the agent's own data.
    pub(crate) fn data(action: &'static str, path: &std::path::Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Data { action, path, source }
    }
}
