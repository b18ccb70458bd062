//! What the machine has and how busy it is.

pub(crate) mod aside;
pub(crate) mod budget;
pub(crate) mod meter;

use sysinfo::{CGroupLimits, ProcessRefreshKind, ProcessesToUpdate, System};

use crate::error::AgentError;

/// Cores and memory of the machine, or of the container that the agent runs in if that has less.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Machine {
    /// Usable cores, at least 1.
    pub cores: u32,
    /// Bytes.
    pub memory_bytes: u64,
}

impl Machine {
    /// Looks at the machine. `available_parallelism` minds processor limits of containers, sysinfo's total
    /// does not mind their memory limits, so those are asked for separately.
    pub fn look() -> Result<Self, AgentError> {
        let mut system = System::new().map_err(AgentError::machine)?;
        system.refresh_memory();
        let cores = std::thread::available_parallelism().map_or(1, |cores| cores.get());
        let limit = container_limits(&mut system).map_or(u64::MAX, |limits| limits.total_memory);
        Ok(Self {
            cores: u32::try_from(cores).unwrap_or(u32::MAX),
            memory_bytes: system.total_memory().min(limit),
        })
    }

    /// All but a reserve for the system and the agent itself: an eighth, within 256 MiB to 4 GiB, and never
    /// more than half.
    pub fn lendable_memory_bytes(self) -> u64 {
        let reserve = (self.memory_bytes / 8)
            .clamp(256 << 20, 4 << 30)
            .min(self.memory_bytes / 2);
        self.memory_bytes - reserve
    }
}

/// The memory limits of the control group that this process is in, of a container or a service unit.
pub(crate) fn container_limits(system: &mut System) -> Option<CGroupLimits> {
    let own = sysinfo::get_current_pid().ok()?;
    if system.process(own).is_none() {
        let only = ProcessesToUpdate::Some(&[own]);
        system.refresh_processes_specifics(only, false, ProcessRefreshKind::nothing());
    }
    let limits = system.process(own).and_then(|process| process.cgroup_limits());
    limits.or_else(|| system.cgroup_limits())
}

/// The machine's name for people.
pub fn host_name() -> String {
    System::host_name().unwrap_or_else(|_| "workstation".to_owned())
}
