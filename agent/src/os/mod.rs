//! Everything that differs between systems: starting, watching and ending trees of processes, and a few
//! questions about files.
//!
//! - `linux`: polls file descriptors, is the subreaper, reads `/proc`. The only side that is compiled and
//!   tested so far. `groups`, `item_group`: memory limits by the kernel, where control groups may be made.
//! - `macos`, `windows`: threads wait, sysinfo knows the tree (`portable` holds what the two share, and is
//!   compiled for tests on Linux too).

use std::time::Duration;

#[cfg(unix)]
mod unix;
#[cfg(unix)]
pub(crate) use unix::{
    base_environment, end_signal, has_other_names, is_program, make_plain, make_readable, own_cpu_ms,
    own_group, program_file_names, spawn_lowest, text_bytes, text_from_bytes,
};
#[cfg(all(unix, any(not(target_os = "linux"), test)))]
use unix::{group_lives, wait_for_exit};

#[cfg(target_os = "linux")]
mod groups;
#[cfg(target_os = "linux")]
mod item_group;
#[cfg(target_os = "linux")]
mod linux;
#[cfg(target_os = "linux")]
pub use groups::Groups;
#[cfg(target_os = "linux")]
pub(crate) use linux::{Host, end_group, guard_launcher};

#[cfg(any(not(target_os = "linux"), test))]
mod portable;
#[cfg(not(target_os = "linux"))]
pub use portable::Groups;

#[cfg(target_os = "macos")]
mod macos;
#[cfg(target_os = "macos")]
pub(crate) use {
    macos::{end_group, guard_launcher},
    portable::Host,
};

#[cfg(windows)]
mod windows;
#[cfg(windows)]
use windows::{group_lives, wait_for_exit};
#[cfg(windows)]
pub(crate) use {
    portable::Host,
    windows::{
        base_environment, end_group, end_signal, guard_launcher, has_other_names, is_program, make_plain,
        make_readable, own_cpu_ms, own_group, program_file_names, spawn_lowest, text_bytes, text_from_bytes,
    },
};

/// What can happen to a launcher.
#[derive(Debug)]
pub(crate) enum Event {
    /// Bytes from the agent.
    Input(Vec<u8>),
    /// The agent is gone, or somebody asks the launcher to end.
    InputClosed,
    /// Bytes that the item wrote.
    Log(Vec<u8>),
    /// The item's first process has ended; its resources were read.
    Exited(Exit),
}

/// How a process ended, and what it took.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Exit {
    /// Exit code; absent if a signal ended it.
    pub code: Option<i32>,
    /// Number of the signal that ended it.
    pub signal: i32,
    pub usage: Usage,
}

/// What processes took.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Usage {
    pub user: Duration,
    pub system: Duration,
    /// Of the largest single process.
    pub peak_memory_bytes: u64,
}

impl Usage {
    fn add(&mut self, other: Self) {
        self.user += other.user;
        self.system += other.system;
        self.peak_memory_bytes = self.peak_memory_bytes.max(other.peak_memory_bytes);
    }
}

/// What the living processes of an item take now.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sample {
    pub memory_bytes: u64,
    pub cpu: Duration,
    /// The system has ended one of them.
    pub shortage: Option<Shortage>,
}

/// Who ended a process of an item for lack of memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shortage {
    /// The system, because the item wanted more than its limit.
    OverLimit,
    /// The system, because the machine (or the container around the agent) had no more.
    Machine,
}

/// What only a system knows that counts an item's processes together.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Counted {
    /// The most that they held together at any moment: at least and at most so much, since what is kept of files is counted too.
    pub peak_bytes: Option<(u64, u64)>,
    pub shortage: Option<Shortage>,
}
