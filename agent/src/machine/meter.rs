//! Looks at the machine again and again.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use sysinfo::System;

use super::Machine;
use super::aside::{Aside, Stance};
use super::budget::{Budget, Lent, Reading};
use crate::config::Config;
use crate::error::AgentError;
use crate::launcher::Groups;
use crate::os;

/// A look at memory is good for so long; items that start in quick succession share one.
const FRESH: Duration = Duration::from_millis(200);

/// Reads load and memory, and keeps the budget.
pub(crate) struct Meter {
    system: System,
    machine: Machine,
    budget: Budget,
    read_at: Instant,
    own_cpu_ms: u64,
    memory_at: Instant,
    available_bytes: u64,
    lent: Lent,
    aside: Aside,
    /// Of this agent's items, and its own.
    groups: Option<Arc<Groups>>,
    /// Free disk, and when it was looked at.
    disk: Option<(Instant, Option<u64>)>,
}

impl Meter {
    pub(crate) fn new(config: &Config, groups: Option<Arc<Groups>>) -> Result<Self, AgentError> {
        let mut system = System::new().map_err(AgentError::machine)?;
        system.refresh_cpu_usage();
        let machine = Machine::look()?;
        let budget = Budget::new(
            machine,
            config.millicores,
            config.memory_bytes,
            config.fixed_budget,
        );
        let now = Instant::now();
        let mut meter = Self {
            system,
            machine,
            budget,
            read_at: now,
            own_cpu_ms: os::own_cpu_ms(),
            memory_at: now,
            available_bytes: 0,
            lent: Lent::default(),
            aside: Aside::new(config.lending.step_aside),
            groups,
            disk: None,
        };
        meter.read_memory();
        let reading = Reading {
            available_bytes: meter.available_bytes,
            ..Reading::default()
        };
        meter.lent = meter.budget.update(reading);
        Ok(meter)
    }

    pub(crate) fn machine(&self) -> Machine {
        self.machine
    }

    /// What is lent by the last reading.
    pub(crate) fn lent(&self) -> Lent {
        self.lent
    }

    /// Looks again. `items_cpu_ms` counts up over all items that ever ran; `items_bytes` is what they take now.
    pub(crate) fn read(&mut self, items_cpu_ms: u64, items_bytes: u64) -> Lent {
        let elapsed = self.read_at.elapsed();
        // The system counts in ticks: a short time says nothing.
        if elapsed >= sysinfo::MINIMUM_CPU_UPDATE_INTERVAL {
            self.system.refresh_cpu_usage();
            self.read_memory();
            let own_cpu_ms = items_cpu_ms + os::own_cpu_ms();
            let own_ms = own_cpu_ms.saturating_sub(std::mem::replace(&mut self.own_cpu_ms, own_cpu_ms));
            self.read_at = Instant::now();
            let reading = Reading {
                busy_cores: self.system.global_cpu_usage() / 100.0 * self.system.cpus().len() as f32,
                own_cores: own_ms as f32 / elapsed.as_millis().max(1) as f32,
                available_bytes: self.available_bytes,
                items_bytes,
                elapsed,
            };
            self.lent = self.budget.update(reading);
            let others_bytes = self
                .machine
                .memory_bytes
                .saturating_sub(self.available_bytes + items_bytes);
            let others_cores = (reading.busy_cores - reading.own_cores).max(0.0);
            self.aside.update(others_cores, others_bytes, elapsed);
        }
        self.lent
    }

    /// Free where `folder` lies, by a look that is hardly old. `None`: the system does not say.
    pub(crate) fn free_disk_bytes(&mut self, folder: &Path) -> Option<u64> {
        if self.disk.is_none_or(|(at, _)| at.elapsed() > FRESH) {
            self.disk = Some((Instant::now(), fs4::available_space(folder).ok()));
        }
        self.disk.and_then(|(_, free)| free)
    }

    /// How far to step aside for other programs, by the last reading.
    pub(crate) fn stance(&self) -> Stance {
        self.aside.stance()
    }

    /// Memory to lend in all, by a look that is hardly old.
    pub(crate) fn lendable_bytes_now(&mut self, items_bytes: u64) -> u64 {
        if self.memory_at.elapsed() > FRESH {
            self.read_memory();
        }
        self.budget.lendable_bytes(self.available_bytes, items_bytes)
    }

    /// Whether an item should go for lack of memory, by the last look.
    pub(crate) fn is_pressed(&self) -> bool {
        self.budget.is_pressed(self.available_bytes)
    }

    fn read_memory(&mut self) {
        self.system.refresh_memory();
        // A group's use counts cached files, which give way when memory is wanted; what programs hold does not.
        // An agent with groups for its items may stand beside them, not above: then its own group does not count them.
        let all = self.groups.as_ref().and_then(|groups| groups.held_bytes());
        let within = super::container_limits(&mut self.system).map_or(u64::MAX, |limits| {
            limits.total_memory.saturating_sub(all.unwrap_or(limits.rss))
        });
        self.available_bytes = self.system.available_memory().min(within);
        self.memory_at = Instant::now();
    }
}
