//! External programs: where they stand and which exact version they are.
//!
//! On a studio's agent only the programs of its configuration exist, and their version is what makes results
//! of different machines equal. The embedded agent takes any program of the PATH, of which nobody said that
//! equal versions are equal programs, so the digest of the file is part of the version.

use std::collections::HashMap;
use std::ffi::OsString;
use std::fs::{self, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};
use tidemill_proto::Digest;
use tidemill_proto::v1::ToolVersion;

use crate::config::Tools;
use crate::item::folder::SlotFolder;
use crate::launcher::{Control, How, Launch, Launcher, Said};
use crate::os;

/// How long a program may think about its version.
const ASK_LIMIT_MS: u64 = 2000;
/// Most of the answer that is looked at.
const ANSWER_BYTES: usize = 16 << 10;

/// A program that can be run here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Tool {
    pub path: PathBuf,
    pub exact: String,
}

/// Why a program cannot be run here.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ToolError {
    #[error("the program {0:?} is not on the PATH of this machine")]
    NotOnPath(String),
    #[error("the program {0:?} is not among the tools of this agent's configuration")]
    NotAllowed(String),
    #[error("the program {name} cannot be read at {path}: {source}")]
    Unreadable {
        name: String,
        path: PathBuf,
        source: io::Error,
    },
}

/// The programs of this machine.
#[derive(Debug)]
pub(crate) struct ToolBox {
    tools: Tools,
    launcher: Vec<OsString>,
    /// `tools/` in the agent's data: what was found out earlier, and a folder for asking.
    data: PathBuf,
    known: Mutex<HashMap<PathBuf, Known>>,
    /// Where a program of the PATH was found last.
    found: Mutex<HashMap<String, PathBuf>>,
}

/// What was found out about a file, as long as it looks the same.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Known {
    size: u64,
    changed_ns: u128,
    version: Option<String>,
    digest: Digest,
}

impl Known {
    /// Version and digest: of two programs that call themselves by one version, each is its own.
    fn exact(&self) -> String {
        let digest = format!("blake3:{}", self.digest);
        match &self.version {
            Some(version) => format!("{version} {digest}"),
            None => digest,
        }
    }
}

impl ToolBox {
    pub(crate) fn open(tools: Tools, launcher: Vec<OsString>, data: PathBuf) -> io::Result<Self> {
        fs::create_dir_all(&data)?;
        // A damaged or missing list only means that programs are asked again.
        let known = fs::read(data.join("known.json"))
            .ok()
            .and_then(|text| serde_json::from_slice(&text).ok())
            .unwrap_or_default();
        Ok(Self {
            tools,
            launcher,
            data,
            known: Mutex::new(known),
            found: Mutex::default(),
        })
    }

    /// Whether any program of the PATH may be run.
    pub(crate) fn any_program(&self) -> bool {
        matches!(self.tools, Tools::AnyOnPath)
    }

    /// The named tools that are there, sorted by name.
    pub(crate) fn versions(&self) -> Vec<ToolVersion> {
        let Tools::Named(named) = &self.tools else {
            return Vec::new();
        };
        let mut versions = Vec::new();
        for tool in named {
            match self.find(&tool.name) {
                Ok(found) => versions.push(ToolVersion {
                    name: tool.name.clone(),
                    exact: found.exact,
                }),
                Err(error) => tracing::warn!(%error, "a tool of the configuration cannot be used"),
            }
        }
        versions.sort_unstable_by(|a, b| a.name.cmp(&b.name));
        versions
    }

    /// Finds a program and its exact version. Asks it at most once for as long as its file does not change.
    pub(crate) fn find(&self, name: &str) -> Result<Tool, ToolError> {
        let Tools::Named(named) = &self.tools else {
            let path = on_path(name).ok_or_else(|| ToolError::NotOnPath(name.to_owned()))?;
            let exact = self.look(name, &path)?.exact();
            lock(&self.found).insert(name.to_owned(), path.clone());
            return Ok(Tool { path, exact });
        };
        let tool = named.iter().find(|tool| tool.name == name);
        let tool = tool.ok_or_else(|| ToolError::NotAllowed(name.to_owned()))?;
        let exact = match &tool.version {
            Some(version) => {
                metadata(name, &tool.path)?;
                version.clone()
            }
            None => {
                let known = self.look(name, &tool.path)?;
                known
                    .version
                    .unwrap_or_else(|| format!("blake3:{}", known.digest))
            }
        };
        Ok(Tool {
            path: tool.path.clone(),
            exact,
        })
    }

    /// The tool as an item of a run uses it, whose version was fixed when the run began: where it was found then,
    /// as long as its file looks the same. Going through the whole PATH again for every item would cost a small
    /// item more than its copy does.
    pub(crate) fn find_again(&self, name: &str) -> Result<Tool, ToolError> {
        let path = lock(&self.found).get(name).cloned();
        let Some(path) = path else {
            return self.find(name);
        };
        match self.look(name, &path) {
            Ok(known) => Ok(Tool {
                path,
                exact: known.exact(),
            }),
            Err(_) => self.find(name),
        }
    }

    fn look(&self, name: &str, path: &Path) -> Result<Known, ToolError> {
        let metadata = metadata(name, path)?;
        let (size, changed_ns) = (metadata.len(), changed_ns(&metadata));
        // Held while the program is asked, so that it is asked once.
        let mut known = lock(&self.known);
        if let Some(known) = known.get(path)
            && (known.size, known.changed_ns) == (size, changed_ns)
        {
            return Ok(known.clone());
        }
        let digest = digest(path).map_err(unreadable(name, path))?;
        let found = Known {
            size,
            changed_ns,
            version: self.ask(path),
            digest,
        };
        known.insert(path.to_owned(), found.clone());
        if let Err(error) = save(&known, &self.data.join("known.json")) {
            tracing::warn!(%error, "cannot note the versions of tools; they will be asked for again");
        }
        Ok(found)
    }

    /// What the program answers to `--version`; a program may also hang, crash or answer something else.
    fn ask(&self, path: &Path) -> Option<String> {
        let mut answer = Vec::new();
        let mut asked = || -> io::Result<()> {
            let mut folder = SlotFolder::open(&self.data.join("ask"))?;
            let mut launcher = Launcher::start(&self.launcher)?;
            let launch = Launch {
                program: path.to_owned(),
                arguments: vec!["--version".into()],
                environment: os::base_environment(folder.root()),
                folder: folder.root().to_owned(),
                time_limit_ms: ASK_LIMIT_MS,
                ..Launch::default()
            };
            let ended = launcher.run(launch, &Control::default(), &mut |said| {
                if let Said::Log(piece) = said {
                    answer.extend(piece);
                    answer.truncate(ANSWER_BYTES);
                }
            })?;
            if let How::NotStarted(why) = ended.how {
                tracing::info!(path = %path.display(), why, "a program cannot be asked for its version");
            }
            folder.clean()
        };
        if let Err(error) = asked() {
            tracing::warn!(path = %path.display(), %error, "could not ask a program for its version");
        }
        version_in(&String::from_utf8_lossy(&answer))
    }
}

/// The first thing in a text that looks like a version: numbers with points between them, and what is
/// joined to them, as in `9.1.2` or `4.0.0-rc.1`.
fn version_in(text: &str) -> Option<String> {
    let is_joined = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '+' | '_');
    text.split(|c: char| !is_joined(c)).find_map(|word| {
        let from = word.find(|c: char| c.is_ascii_digit())?;
        // `v9.1` is a version, `sha256.1` is a name.
        if !matches!(&word[..from], "" | "v" | "V") {
            return None;
        }
        let word = word[from..].trim_end_matches(['.', '-', '+', '_']);
        let (major, rest) = word.split_once('.')?;
        let is_version =
            major.bytes().all(|c| c.is_ascii_digit()) && rest.starts_with(|c: char| c.is_ascii_digit());
        is_version.then(|| word.to_owned())
    })
}

/// Finds a plain program name in the folders of the PATH.
fn on_path(name: &str) -> Option<PathBuf> {
    if name.is_empty() || name.contains(['/', '\\']) || name == "." || name == ".." {
        return None;
    }
    let names = os::program_file_names(name);
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .filter(|folder| folder.is_absolute())
        .find_map(|folder| {
            names
                .iter()
                .map(|name| folder.join(name))
                .find(|file| fs::metadata(file).is_ok_and(|metadata| os::is_program(file, &metadata)))
        })
}

/// What is guarded stays whole between any two statements, so a panic elsewhere is no reason to stop.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn metadata(name: &str, path: &Path) -> Result<Metadata, ToolError> {
    fs::metadata(path).map_err(unreadable(name, path))
}

fn unreadable(name: &str, path: &Path) -> impl FnOnce(io::Error) -> ToolError {
    let (name, path) = (name.to_owned(), path.to_owned());
    move |source| ToolError::Unreadable { name, path, source }
}

fn changed_ns(metadata: &Metadata) -> u128 {
    let changed = metadata
        .modified()
        .ok()
        .and_then(|time| time.duration_since(UNIX_EPOCH).ok());
    changed.map_or(0, |since| since.as_nanos())
}

fn digest(path: &Path) -> io::Result<Digest> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(fs::File::open(path)?)?;
    Ok(hasher.finalize().into())
}

fn save(known: &HashMap<PathBuf, Known>, path: &Path) -> io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    serde_json::to_writer(&mut file, known)?;
    file.persist(path)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_found_in_what_programs_say() {
        let found = |text| version_in(text);
        assert_eq!(
            found("cp (GNU coreutils) 9.1\nCopyright (C) 2022").as_deref(),
            Some("9.1")
        );
        assert_eq!(found("oxipng v9.1.2-rc.1").as_deref(), Some("9.1.2-rc.1"));
        assert_eq!(found("Version: 2024.10.").as_deref(), Some("2024.10"));
        assert_eq!(found("tool 7, built 2024"), None);
        assert_eq!(found("usage: thing [-x] lib.so.1 sha256.1"), None);
        assert_eq!(found(""), None);
    }

    #[test]
    fn only_plain_names_are_looked_up() {
        assert!(on_path("sh").is_some());
        for bad in [
            "",
            ".",
            "..",
            "/bin/sh",
            "../bin/sh",
            "bin\\sh",
            "no-such-program-here",
        ] {
            assert_eq!(on_path(bad), None, "{bad:?}");
        }
    }
}
