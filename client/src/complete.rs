//! What a shell may complete beyond the command line's own words: names of runs, items and variants, asked for when
//! the key is pressed. A completion is a courtesy: whatever goes wrong, nothing is offered and nothing is said.

use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use clap::CommandFactory as _;
use clap_complete::CompleteEnv;
use clap_complete::engine::{ArgValueCompleter, CompletionCandidate};

use crate::arguments::{CommandLine, Global};
use crate::failure::Failure;
use crate::manifest;
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::session::{Purpose, Session};
use crate::settings::{Place, Settings};

/// Set by a shell's script to the shell's name when it wants candidates.
pub const VARIABLE: &str = "TIDEMILL_COMPLETE";

/// Nobody waits longer for a key.
const PATIENCE: Duration = Duration::from_secs(2);
/// So many runs are offered, newest first.
const MOST_RUNS: u32 = 200;

/// Answers a shell that asks for candidates. `false`: nobody asked.
///
/// # Errors
/// The shell is none that is known, or its question makes no sense.
pub fn answer(line: impl IntoIterator<Item = OsString>) -> Result<bool, clap::Error> {
    let folder = std::env::current_dir().ok();
    CompleteEnv::with_factory(CommandLine::command)
        .var(VARIABLE)
        .try_complete(line, folder.as_deref())
}

/// Names of runs, and of manifests for their newest.
pub fn runs() -> ArgValueCompleter {
    completer(|_| {
        ask(|rpc| async move {
            let rows = rpc.history("", MOST_RUNS).await?;
            let mut names: Vec<String> = rows.iter().map(|row| row.run.clone()).collect();
            let manifests = rows.iter().filter_map(|row| row.run.rsplit_once('.'));
            names.extend(manifests.map(|(manifest, _)| manifest.to_owned()));
            Ok(names)
        })
    })
}

/// A run first, then addresses of its items.
pub fn run_then_items() -> ArgValueCompleter {
    completer(|words| match words.arguments.first().cloned() {
        None => runs_of(&runs()),
        Some(run) => items_of(run),
    })
}

/// Variants of the run that was named before them.
pub fn variants_of_run() -> ArgValueCompleter {
    completer(|words| {
        let items = words.arguments.first().cloned().map(items_of);
        let addresses = items.unwrap_or_default();
        let subjects = addresses.iter().filter_map(|address| address.split_once('/'));
        // Groups are signed off with their variants.
        let variants = subjects.filter(|(subject, _)| !subject.contains('=') && *subject != "all");
        variants.map(|(variant, _)| variant.to_owned()).collect()
    })
}

/// Variants of the manifest that is named on the line.
pub fn variants_of_manifest() -> ArgValueCompleter {
    completer(|words| {
        let manifest = words.arguments.first().map(PathBuf::from);
        let names = manifest.zip(settings(&words));
        names
            .and_then(|(manifest, settings)| {
                in_time(move || manifest::variants_of(&manifest, &settings.data))
            })
            .unwrap_or_default()
    })
}

fn runs_of(runs: &ArgValueCompleter) -> Vec<String> {
    let found = runs.complete(OsStr::new(""));
    let names = found
        .iter()
        .map(|found| found.get_value().to_string_lossy().into_owned());
    names.collect()
}

fn items_of(run: String) -> Vec<String> {
    ask(|rpc| async move {
        // Also `harbour-dock` for its newest.
        let run = rpc.show_run(&run).await?.run;
        let rows = rpc.items(&run, "").await?;
        Ok(rows.into_iter().map(|row| row.address).collect())
    })
}

fn completer(names: impl Fn(Words) -> Vec<String> + Send + Sync + 'static) -> ArgValueCompleter {
    ArgValueCompleter::new(move |current: &OsStr| {
        let begun = current.to_string_lossy();
        let mut found = names(Words::of_this_process());
        let mut seen = std::collections::HashSet::new();
        found.retain(|name| name.starts_with(&*begun) && seen.insert(name.clone()));
        found
            .into_iter()
            .map(CompletionCandidate::new)
            .collect::<Vec<_>>()
    })
}

/// Asks the coordinator that the line means.
fn ask<F>(question: impl FnOnce(Rpc) -> F + Send + 'static) -> Vec<String>
where
    F: Future<Output = Result<Vec<String>, Failure>>,
{
    let Some(settings) = settings(&Words::of_this_process()) else {
        return Vec::new();
    };
    // Asking must not make a data folder.
    if settings.place == Place::Own && !settings.data.is_dir() {
        return Vec::new();
    }
    let answer = in_time(move || {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .ok()?;
        runtime.block_on(async {
            let printer = Printer::new(&settings);
            let session = Session::open(&settings, Purpose::Ask, &printer).await.ok()?;
            let found = question(session.rpc.clone()).await.ok();
            session.close().await;
            found
        })
    });
    answer.unwrap_or_default()
}

/// On a thread of its own, which the end of the process ends.
fn in_time<T: Send + 'static>(work: impl FnOnce() -> Option<T> + Send + 'static) -> Option<T> {
    let (found, answer) = mpsc::channel();
    let _thread = std::thread::spawn(move || found.send(work()));
    answer.recv_timeout(PATIENCE).ok().flatten()
}

/// Where the line looks for runs. Quiet, whatever it says.
fn settings(words: &Words) -> Option<Settings> {
    let global = Global {
        data: words.data.clone(),
        at: words.at.clone(),
        quiet: true,
        ..Global::default()
    };
    Settings::resolve(&global, &|name| std::env::var_os(name)).ok()
}

/// What stands on the line before the word that is being typed.
#[derive(Debug, Default, PartialEq, Eq)]
struct Words {
    data: Option<PathBuf>,
    at: Option<String>,
    /// Behind the command's name, flags and their values apart.
    arguments: Vec<String>,
}

/// Flags of the commands that take such names, with a value behind them: the value is no argument.
const WITH_VALUE: [&str; 12] = [
    "--data",
    "--at",
    "--color",
    "--to",
    "--before",
    "--note",
    "--attempt",
    "--only",
    "--until",
    "--anew",
    "--at-most",
    "--page",
];

impl Words {
    /// The script puts the line behind `--`, and says where in it the cursor is.
    fn of_this_process() -> Self {
        let line: Vec<OsString> = std::env::args_os()
            .skip_while(|word| word != "--")
            .skip(1)
            .collect();
        let index = std::env::var("_CLAP_COMPLETE_INDEX")
            .ok()
            .and_then(|text| text.parse().ok());
        Self::read(&line, index.unwrap_or(line.len().saturating_sub(1)))
    }

    fn read(line: &[OsString], current: usize) -> Self {
        let mut words = Self::default();
        let mut before = line
            .iter()
            .take(current)
            .skip(1)
            .map(|word| word.to_string_lossy());
        let mut plain = Vec::new();
        while let Some(word) = before.next() {
            if !word.starts_with('-') {
                plain.push(word.into_owned());
                continue;
            }
            let (flag, value) = match word.split_once('=') {
                Some((flag, value)) => (flag.to_owned(), Some(value.to_owned())),
                None if WITH_VALUE.contains(&&*word) => {
                    (word.clone().into_owned(), before.next().map(Into::into))
                }
                None => (word.into_owned(), None),
            };
            match flag.as_str() {
                "--data" => words.data = value.map(PathBuf::from),
                "--at" => words.at = value,
                _ => {}
            }
        }
        // `store pin RUN` has two words of its own.
        let own = if plain.first().is_some_and(|word| word == "store") {
            2
        } else {
            1
        };
        words.arguments = plain.into_iter().skip(own).collect();
        words
    }
}

/// Writes the script that makes `shell` ask this program.
///
/// # Errors
/// There is no such shell.
pub fn script(shell: &str, program: &Path) -> std::io::Result<Vec<u8>> {
    let shells = clap_complete::env::Shells::builtins();
    let known = shells
        .completer(shell)
        .ok_or_else(|| std::io::Error::other(format!("no completions for {shell}")))?;
    let mut bytes = Vec::new();
    known.write_registration(
        VARIABLE,
        "tidemill",
        "tidemill",
        &program.to_string_lossy(),
        &mut bytes,
    )?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(line: &[&str]) -> Words {
        let line: Vec<OsString> = line.iter().map(OsString::from).collect();
        Words::read(&line, line.len() - 1)
    }

    #[test]
    fn flags_and_their_values_are_no_arguments() {
        let words = read(&[
            "tidemill",
            "--json",
            "show",
            "--data",
            "d",
            "dock.3",
            "--at=host:1",
            "",
        ]);
        assert_eq!(words.data, Some("d".into()));
        assert_eq!(words.at.as_deref(), Some("host:1"));
        assert_eq!(words.arguments, ["dock.3"]);
        assert_eq!(
            read(&["tidemill", "run", "harbour.toml", "--only", "bol"]).arguments,
            ["harbour.toml"]
        );
        assert_eq!(read(&["tidemill", "store", "pin", "do"]).arguments, [""; 0]);
        assert_eq!(
            read(&["tidemill", "show", "do"]),
            Words::default(),
            "the word being typed is none yet"
        );
    }

    #[test]
    fn every_shell_of_the_command_has_a_script() {
        use clap::ValueEnum as _;
        for shell in clap_complete::Shell::value_variants() {
            let script = script(&shell.to_string(), Path::new("tidemill")).unwrap();
            assert!(String::from_utf8(script).unwrap().contains(VARIABLE), "{shell}");
        }
    }
}
