//! The configuration file of a studio's agent.
//!
//! ```toml
//! name = "ash"
//! cores = 6                 # or 1.5
//! memory = "24 GiB"
//! offers = ["gpu"]
//! cache = "50 GiB"
//! cache_folder = "/var/cache/tidemill"   # else in the data folder; agents of one machine may share it
//! through_coordinator = true   # even where this machine sees the store's folder
//! pack = true               # data is packed on its way where that pays; else only where the network is one
//!
//! hours = "Mon-Fri 19:00-07:30, Sat-Sun all day"
//! time_zone = "Europe/Berlin"   # else the machine's
//! share_of_cores = 0.5      # at most
//! keep_memory = "4 GiB"     # for its owner's programs
//! keep_disk = "20 GiB"      # with less free than this, nothing new is taken
//!
//! drain = "5 min"           # when asked to end, items may finish for so long
//!
//! [step_aside]              # when other programs use more than this for a while
//! cores = 1.5
//! memory = "8 GiB"
//! hold_after = "15 s"       # nothing new is taken
//! hand_back_after = "1 min" # items are handed back
//! return_after = "2 min"    # of quiet: items are taken again
//!
//! [tool.oxipng]             # only what stands here is ever run
//! path = "/usr/bin/oxipng"
//! version = "9.1.2"         # optional: else the program is asked
//! ```

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bytesize::ByteSize;
use serde::Deserialize;

use crate::config::{Config, NamedTool, Tools};
use crate::error::AgentError;
use crate::lending_settings::{LendingSettings, StepAside};

/// What a configuration file may hold; everything is optional.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConfigFile {
    /// For people.
    pub name: Option<String>,
    /// Cores to lend; parts of one are allowed.
    pub cores: Option<f64>,
    /// Memory to lend, as in `24 GiB`.
    pub memory: Option<String>,
    /// What the machine has beside cores and memory.
    #[serde(default)]
    pub offers: Vec<String>,
    /// Largest size of the cache of fetched blobs, as in `50 GiB`.
    pub cache: Option<String>,
    /// Where the cache lies; several agents of one machine may share it.
    pub cache_folder: Option<PathBuf>,
    /// Blobs go through the coordinator even where this machine sees its store's folder.
    #[serde(default)]
    pub through_coordinator: bool,
    /// Whether data is packed on its way to and from the coordinator where that pays.
    pub pack: Option<bool>,
    /// When the machine is lent, as in `Mon-Fri 19:00-07:30, Sat-Sun all day`.
    pub hours: Option<String>,
    /// By whose clocks; absent: the machine's.
    pub time_zone: Option<String>,
    /// At most this share of the cores.
    pub share_of_cores: Option<f64>,
    /// Memory kept back for the owner's programs.
    pub keep_memory: Option<String>,
    /// With less free disk than this, nothing new is taken.
    pub keep_disk: Option<String>,
    /// When asked to end, items may finish for this long before they are handed back.
    pub drain: Option<String>,
    /// When other programs come first.
    #[serde(default)]
    pub step_aside: StepAside,
    /// Programs that items may use.
    #[serde(default)]
    pub tool: BTreeMap<String, ToolEntry>,
}

/// One program.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToolEntry {
    /// Absolute path.
    pub path: PathBuf,
    /// Exact version; absent: the program is asked.
    pub version: Option<String>,
}

impl ConfigFile {
    /// Reads a file; an error names it, the line and what is wrong.
    pub fn read(path: &Path) -> Result<Self, AgentError> {
        let text = std::fs::read_to_string(path).map_err(|error| bad(path, error))?;
        toml::from_str(&text).map_err(|error| bad(path, error))
    }

    /// Changes what the file names in `config`; `path` is for errors.
    pub fn apply(self, config: &mut Config, path: &Path) -> Result<(), AgentError> {
        if let Some(name) = self.name {
            config.name = name;
        }
        if let Some(cores) = self.cores {
            config.millicores =
                millicores(cores).map_err(|problem| bad(path, format!("cores: {problem}")))?;
        }
        if let Some(memory) = &self.memory {
            config.memory_bytes = bytes(memory).map_err(|problem| bad(path, format!("memory: {problem}")))?;
        }
        if let Some(cache) = &self.cache {
            config.cache_bytes = bytes(cache).map_err(|problem| bad(path, format!("cache: {problem}")))?;
        }
        if let Some(folder) = self.cache_folder {
            if !folder.is_absolute() {
                let folder = folder.display();
                return Err(bad(
                    path,
                    format!("cache_folder: {folder} is not an absolute path"),
                ));
            }
            config.cache_folder = Some(folder);
        }
        config.through_coordinator |= self.through_coordinator;
        config.packs = self.pack.unwrap_or(config.packs);
        let lending = LendingSettings {
            hours: self.hours,
            time_zone: self.time_zone,
            share_of_cores: self.share_of_cores,
            keep_memory: self.keep_memory,
            keep_disk: self.keep_disk,
            drain: self.drain,
            step_aside: self.step_aside,
        };
        lending.apply(config).map_err(|problem| bad(path, problem))?;
        config.offers = self.offers;
        config.offers.sort_unstable();
        let named = |(name, tool): (String, ToolEntry)| NamedTool {
            name,
            path: tool.path,
            version: tool.version,
        };
        config.tools = Tools::Named(self.tool.into_iter().map(named).collect());
        Ok(())
    }
}

/// Thousandths of a core from a number of cores.
pub fn millicores(cores: f64) -> Result<u32, String> {
    if cores.is_finite() && (0.001..=100_000.0).contains(&cores) {
        return Ok((cores * 1000.0).round() as u32);
    }
    Err(format!(
        "{cores} is not a number of cores: write a positive number, as in 6 or 1.5"
    ))
}

/// Bytes from a size with its unit.
pub fn bytes(text: &str) -> Result<u64, String> {
    let parsed = text.parse::<ByteSize>().map(|size| size.as_u64());
    parsed
        .ok()
        .filter(|bytes| *bytes > 0)
        .ok_or_else(|| format!("{text:?} is not a size: write it as in \"24 GiB\""))
}

fn bad(path: &Path, problem: impl ToString) -> AgentError {
    AgentError::ConfigFile {
        path: path.to_owned(),
        problem: problem.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn applied(text: &str) -> Result<Config, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("agent.toml");
        std::fs::write(&path, text).unwrap();
        let mut config = Config::workstation(folder.path().into()).unwrap();
        let file = ConfigFile::read(&path).map_err(|error| error.to_string())?;
        file.apply(&mut config, &path)
            .map_err(|error| error.to_string())?;
        config.check().map_err(|error| error.to_string())?;
        Ok(config)
    }

    #[test]
    fn a_file_sets_what_it_names() {
        let config = applied(
            "name = 'ash'\ncores = 1.5\nmemory = '24 GiB'\noffers = ['gpu']\n[tool.cp]\npath = '/bin/cp'\nversion = '9.1'\n",
        )
        .unwrap();
        assert_eq!(
            (config.name.as_str(), config.millicores, config.memory_bytes),
            ("ash", 1500, 24 << 30)
        );
        let Tools::Named(tools) = config.tools else {
            panic!()
        };
        assert_eq!(
            (tools[0].name.as_str(), tools[0].version.as_deref()),
            ("cp", Some("9.1"))
        );
    }

    #[test]
    fn errors_name_file_place_and_remedy() {
        for (text, wanted) in [
            ("memmory = '1 GiB'", "memmory"),
            ("name = 'ash'\ncores = 'six'", "line 2"),
            ("memory = 'lots'", "as in \"24 GiB\""),
            ("cores = -1", "positive number"),
            ("hours = 'Mon-Fry 19:00-20:00'", "Fry is no day"),
            ("[step_aside]\nhold_after = 'soon'", "as in \"90 s\""),
            ("cache_folder = 'cache'", "not an absolute path"),
            ("[tool.cp]\npath = 'bin/cp'", "not an absolute path"),
        ] {
            let error = applied(text).unwrap_err();
            assert!(error.contains(wanted), "{text}: {error}");
        }
    }
}
