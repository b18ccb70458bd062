//! The command line of Tidemill, with a coordinator and an agent of its own.
//!
//! # Layout
//! - [`arguments`]: what was typed. [`settings`]: what it means, together with the environment.
//! - [`complete`]: names of runs and variants for shells that complete words.
//! - [`commands`]: one file for each command; it takes values and a printer and returns how the process ends.
//! - [`manifest`]: from a manifest file to a plan. [`survey`]: what lies in its folder. [`upload`]: inputs into the store.
//! - [`session`]: a conversation with a coordinator, the own one or a studio's. [`rpc`]: its calls.
//! - [`follow`]: a run until it ends, and how that is shown. [`deliver`]: outputs into the artist's folder.
//! - [`looks`]: a run with its pictures, for report and page.
//! - [`printer`], [`output`]: where text goes, and how it looks. [`failure`], [`exit`]: how it ends when it goes wrong.
//! - [`saved`]: notices that a file was saved, for `run --stay`.
//! - [`when`]: stretches of time as people write them.
//! - [`os`]: what differs between systems.
//!
//! Nothing here is a promise to other crates; the command line itself is, with its `--json` ([`output::json`]).

pub mod arguments;
pub mod commands;
pub mod complete;
pub mod deliver;
pub mod exit;
pub mod failure;
pub mod follow;
pub mod looks;
pub mod manifest;
pub mod os;
pub mod output;
pub mod printer;
pub mod rpc;
pub mod saved;
pub mod session;
pub mod settings;
pub mod survey;
pub mod upload;
pub mod when;

use std::ffi::OsString;
use std::io::IsTerminal as _;
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser as _;

use arguments::{Command, CommandLine};
use commands::pause::Wish;
use exit::ExitStatus;
use failure::Failure;
use printer::Printer;
use settings::Settings;

/// Runs one command line, the program's name first.
pub fn run(line: impl IntoIterator<Item = OsString>) -> ExitCode {
    let line: Vec<OsString> = line.into_iter().collect();
    match complete::answer(line.iter().cloned()) {
        Ok(false) => {}
        Ok(true) => return ExitStatus::AllDone.into(),
        Err(error) => {
            let _ = error.print();
            return ExitStatus::Wrong.into();
        }
    }
    let line = match CommandLine::try_parse_from(line) {
        Ok(line) => line,
        Err(error) => {
            // Help and version are answers; nobody is left to tell when the output is closed.
            let _ = error.print();
            let status = if error.use_stderr() {
                ExitStatus::Wrong
            } else {
                ExitStatus::AllDone
            };
            return status.into();
        }
    };
    let settings = match Settings::resolve(&line.global, &|name| std::env::var_os(name)) {
        Ok(settings) => settings,
        Err(failure) => {
            let json = line.global.json;
            Printer::plain(json).failure(&failure);
            return failure.status.into();
        }
    };
    let printer = Printer::new(&settings);
    start_tracing(&settings);
    match dispatch(&line.command, &settings, &printer) {
        Ok(status) => status.into(),
        Err(failure) => {
            printer.failure(&failure);
            failure.status.into()
        }
    }
}

fn dispatch(command: &Command, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    // Without a coordinator there is nothing to wait for, and no runtime to start.
    match command {
        Command::Inspect(arguments) => return commands::inspect::inspect(arguments, printer),
        Command::Check(arguments) => return commands::check::check(arguments, settings, printer),
        Command::Doc(arguments) => return commands::doc::doc(&arguments.page, printer),
        _ => {}
    }
    // The cores are for the items: this process only tells others what to do.
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads((cores / 2).clamp(1, 4))
        .enable_all()
        .build()
        .map_err(|error| Failure::unreachable(format!("cannot start threads: {error}")))?;
    let outcome = runtime.block_on(with_coordinator(command, settings, printer));
    // Whatever still runs in the background has nothing more to say.
    runtime.shutdown_timeout(Duration::from_millis(200));
    outcome
}

async fn with_coordinator(
    command: &Command,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    match command {
        Command::Plan(arguments) => commands::plan::plan(arguments, settings, printer).await,
        Command::Run(arguments) => commands::run::run(arguments, settings, printer).await,
        Command::Watch(arguments) => commands::watch::watch(arguments, settings, printer).await,
        Command::History(arguments) => commands::history::history(arguments, settings, printer).await,
        Command::Show(arguments) => commands::show::show(arguments, settings, printer).await,
        Command::Log(arguments) => commands::log::log(arguments, settings, printer).await,
        Command::Why(arguments) => commands::why::why(arguments, settings, printer).await,
        Command::Deliver(arguments) => commands::deliver::deliver(arguments, settings, printer).await,
        Command::Compare(arguments) => commands::compare::compare(arguments, settings, printer).await,
        Command::Report(arguments) => commands::report::report(arguments, settings, printer).await,
        Command::Page(arguments) => commands::page::page(arguments, settings, printer).await,
        Command::Approve(arguments) => commands::sign_off::sign_off(arguments, true, settings, printer).await,
        Command::Reject(arguments) => commands::sign_off::sign_off(arguments, false, settings, printer).await,
        Command::Forecast(arguments) => commands::forecast::forecast(arguments, settings, printer).await,
        Command::Again(arguments) => commands::again::again(arguments, settings, printer).await,
        Command::Pause(arguments) => commands::pause::pause(arguments, Wish::Pause, settings, printer).await,
        Command::Resume(arguments) => {
            commands::pause::pause(arguments, Wish::Resume, settings, printer).await
        }
        Command::Prefer(arguments) => commands::prefer::prefer(arguments, settings, printer).await,
        Command::Stop(arguments) => commands::stop::stop(arguments, settings, printer).await,
        Command::Join(arguments) => commands::join::join(arguments, settings, printer).await,
        Command::Store(arguments) => commands::store::store(arguments, settings, printer).await,
        Command::Agents => commands::agents::agents(settings, printer).await,
        Command::Inspect(_) | Command::Check(_) | Command::Doc(_) => {
            // Answered in `dispatch`, without a runtime.
            Ok(ExitStatus::AllDone)
        }
    }
}

/// Log lines of the coordinator and the agent in this process, on standard error, for who asks.
fn start_tracing(settings: &Settings) {
    let filter = match std::env::var("TIDEMILL_LOG") {
        Ok(filter) => filter,
        Err(_) if settings.level == settings::Level::Verbose => "warn".to_owned(),
        Err(_) => return,
    };
    let subscriber = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr);
    // Fails only if one is set already, as in a test.
    let _ = subscriber.try_init();
}
