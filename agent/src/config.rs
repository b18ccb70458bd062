//! What an agent lends, where its data lies, and which programs it may run.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::error::AgentError;
use crate::lending::Lending;
use crate::machine::{self, Machine};
use crate::special::{LAUNCHER_WORD, WORKER_WORD};

/// Everything that an agent is told by its owner.
#[derive(Debug, Clone)]
pub struct Config {
    /// For people, as in `ash`; empty: the machine's host name.
    pub name: String,
    /// Folder of its own: `slots/`, `cache/`, `tools/`, `agent-id`. Made if absent.
    pub data: PathBuf,
    /// Cores to lend, in thousandths.
    pub millicores: u32,
    /// Memory to lend, in bytes.
    pub memory_bytes: u64,
    /// Bytes that the cache of fetched blobs may take (an agent that sees the store has none).
    pub cache_bytes: u64,
    /// Where that cache lies, if not in `data`; several agents of one machine may share it.
    pub cache_folder: Option<PathBuf>,
    /// Blobs go through the coordinator even where this machine sees its store's folder.
    pub through_coordinator: bool,
    /// Blobs are packed on their way to and from the coordinator where that pays.
    pub packs: bool,
    /// Program and first arguments of the worker that runs built-in operations.
    pub worker: Vec<OsString>,
    /// Program and first arguments of the launcher.
    pub launcher: Vec<OsString>,
    /// External programs that items may use.
    pub tools: Tools,
    /// What this machine has beside cores and memory, as in `gpu`.
    pub offers: Vec<String>,
    /// Never cut the cores by what other programs use (embedded); memory is always looked at.
    pub fixed_budget: bool,
    /// Each item gets a control group, where this process may make some: the kernel itself then limits its memory. Costs small items
    /// a little time, and moves this process (see [`crate::launcher::Groups`]); without, memory is limited by sampling.
    pub item_groups: bool,
    /// When the machine is lent, and when its owner's programs come first.
    pub lending: Lending,
    /// On shutdown, how long running items may go on before they are ended and handed back.
    pub drain_limit: Duration,
    /// A refusal ends [`crate::run`] with an error; else it is tried again after a long pause.
    pub give_up_when_refused: bool,
}

/// Disk that is kept back where the owner says nothing: 1 GiB, or a twentieth of the disk if that is less.
fn usual_kept_disk_bytes(data: &Path) -> u64 {
    // The folder itself may have to be made yet.
    let there = data.ancestors().find(|folder| folder.exists());
    let total = there.and_then(|folder| fs4::total_space(folder).ok());
    total.map_or(0, |total| (total / 20).min(1 << 30))
}

/// External programs that items may use.
#[derive(Debug, Clone)]
pub enum Tools {
    /// Whatever stands on the PATH (embedded); a program's version then includes the digest of its file.
    AnyOnPath,
    /// Only these.
    Named(Vec<NamedTool>),
}

/// One program that the owner of the machine allows.
#[derive(Debug, Clone)]
pub struct NamedTool {
    /// As manifests name it.
    pub name: String,
    /// Absolute.
    pub path: PathBuf,
    /// Exact version; absent: the program is asked.
    pub version: Option<String>,
}

impl Config {
    /// An agent within the client's own process: the whole machine but a reserve, any program on the PATH,
    /// `data` as its folder, this very program as launcher and worker.
    ///
    /// The program must call [`crate::special_main`] first thing.
    pub fn embedded(data: PathBuf) -> Result<Self, AgentError> {
        let program = std::env::current_exe().map_err(AgentError::OwnProgram)?;
        let machine = Machine::look()?;
        Ok(Self {
            name: machine::host_name(),
            data,
            millicores: machine.cores * 1000,
            memory_bytes: machine.lendable_memory_bytes(),
            cache_bytes: 10 << 30,
            cache_folder: None,
            through_coordinator: false,
            packs: false,
            worker: vec![program.clone().into(), WORKER_WORD.into()],
            launcher: vec![program.into(), LAUNCHER_WORD.into()],
            tools: Tools::AnyOnPath,
            offers: Vec::new(),
            fixed_budget: true,
            item_groups: false,
            lending: Lending::default(),
            drain_limit: Duration::ZERO,
            give_up_when_refused: true,
        })
    }

    /// An agent of a studio: as [`Config::embedded`], but with no tools until some are named, cores cut by
    /// what other programs use, some disk kept back, and items allowed to finish for `drain_limit` on shutdown.
    pub fn workstation(data: PathBuf) -> Result<Self, AgentError> {
        Ok(Self {
            tools: Tools::Named(Vec::new()),
            fixed_budget: false,
            item_groups: true,
            drain_limit: Duration::from_secs(60),
            give_up_when_refused: false,
            lending: Lending {
                keep_disk_bytes: usual_kept_disk_bytes(&data),
                ..Lending::default()
            },
            ..Self::embedded(data)?
        })
    }

    /// Refuses what cannot work, naming the setting.
    pub fn check(&self) -> Result<(), AgentError> {
        let bad = |setting, problem: String| Err(AgentError::Setting { setting, problem });
        if self.millicores == 0 {
            return bad("cores", "is 0: lend at least a part of one core".into());
        }
        if self.memory_bytes == 0 {
            return bad("memory", "is 0: lend at least a few MiB".into());
        }
        if self.worker.is_empty() || self.launcher.is_empty() {
            return bad("worker", "worker and launcher each need a program".into());
        }
        if let Tools::Named(tools) = &self.tools {
            for tool in tools {
                if !tool.path.is_absolute() {
                    let path = tool.path.display();
                    return bad("tool", format!("{}: {path} is not an absolute path", tool.name));
                }
            }
        }
        Ok(())
    }
}
