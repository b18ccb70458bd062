//! Where text goes: data to standard output, all else to standard error, decided once. Commands never ask
//! whether there is a terminal.
//!
//! A reader that goes away (`tidemill history | head`) is a normal end, not an error: further data is dropped.
//! The process does not let the system end it for that (SIGPIPE stays ignored, as Rust sets it), because it may own a
//! coordinator and an agent, whose pipes to their own child processes break in the course of normal work.

use std::fmt::Display;
use std::io::{IsTerminal as _, Write as _};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use anstyle::{AnsiColor, Style};
use indicatif::MultiProgress;
use serde::Serialize;

use crate::arguments::Color;
use crate::failure::Failure;
use crate::settings::{Level, Settings};

const ERROR: Style = AnsiColor::Red.on_default().bold();
const WARNING: Style = AnsiColor::Yellow.on_default().bold();
const HINT: Style = AnsiColor::Cyan.on_default();

/// Prints for one command.
#[derive(Debug)]
pub struct Printer {
    level: Level,
    json: bool,
    live: bool,
    data_closed: AtomicBool,
    bars: Mutex<Option<MultiProgress>>,
}

impl Printer {
    /// Decides colours for the whole process, and whether progress may be drawn.
    pub fn new(settings: &Settings) -> Self {
        match settings.color {
            Color::Auto => {}
            Color::Always => anstream::ColorChoice::Always.write_global(),
            Color::Never => anstream::ColorChoice::Never.write_global(),
        }
        Self {
            level: settings.level,
            json: settings.json,
            live: std::io::stderr().is_terminal() && !settings.json && settings.level > Level::Quiet,
            data_closed: AtomicBool::new(false),
            bars: Mutex::new(None),
        }
    }

    /// For what goes wrong before there are settings.
    pub fn plain(json: bool) -> Self {
        Self {
            level: Level::Normal,
            json,
            live: false,
            data_closed: AtomicBool::new(false),
            bars: Mutex::new(None),
        }
    }

    /// Whether data is printed as JSON, one object a line.
    pub fn is_json(&self) -> bool {
        self.json
    }

    /// Whether progress is drawn and redrawn in place.
    pub fn is_live(&self) -> bool {
        self.live
    }

    /// Whether anybody still reads the data.
    pub fn is_read(&self) -> bool {
        !self.data_closed.load(Ordering::Relaxed)
    }

    /// A line (or several) of data.
    pub fn data(&self, text: impl Display) {
        self.above_bars(|| self.keep_if_closed(writeln!(anstream::stdout().lock(), "{text}")));
    }

    /// Bytes of data as they are, e.g. of a log.
    pub fn raw(&self, bytes: &[u8]) {
        let mut stdout = std::io::stdout().lock();
        self.keep_if_closed(stdout.write_all(bytes).and_then(|()| stdout.flush()));
    }

    /// One object of data; nothing unless `--json` was given.
    pub fn object(&self, object: &impl Serialize) {
        if !self.json {
            return;
        }
        if let Ok(line) = serde_json::to_string(object) {
            self.keep_if_closed(writeln!(std::io::stdout().lock(), "{line}"));
        }
    }

    /// What happens, for people.
    pub fn note(&self, text: impl Display) {
        if self.level >= Level::Normal {
            self.aside(text);
        }
    }

    /// How it happens, for people who asked.
    pub fn detail(&self, text: impl Display) {
        if self.level >= Level::Verbose {
            self.aside(text);
        }
    }

    /// Something that is wrong but stops nothing.
    pub fn warning(&self, text: impl Display) {
        self.aside(format_args!("{WARNING}warning:{WARNING:#} {text}"));
    }

    /// Text for standard error as it is, shown in spite of `--quiet`.
    pub fn aside(&self, text: impl Display) {
        // Nobody is left to tell when standard error is closed.
        self.above_bars(|| drop(writeln!(anstream::stderr().lock(), "{text}")));
    }

    /// What to try next, where nothing went wrong.
    pub fn hint(&self, text: impl Display) {
        self.note(format_args!("{HINT}hint:{HINT:#} {text}"));
    }

    /// Why the command could not do its work.
    pub fn failure(&self, failure: &Failure) {
        if failure.shown {
            return;
        }
        self.object(&crate::output::json::Error::of(failure));
        self.aside(format_args!("{ERROR}error:{ERROR:#} {}", failure.message));
        if let Some(hint) = &failure.hint {
            self.aside(format_args!("{HINT}hint:{HINT:#} {hint}"));
        }
    }

    /// From now on text is printed above these bars; `None` ends that.
    pub fn draw_above(&self, bars: Option<MultiProgress>) {
        if let Ok(mut held) = self.bars.lock() {
            *held = bars;
        }
    }

    fn above_bars(&self, print: impl FnOnce()) {
        let bars = self.bars.lock().ok().and_then(|held| held.clone());
        match bars {
            Some(bars) => bars.suspend(print),
            None => print(),
        }
    }

    fn keep_if_closed(&self, written: std::io::Result<()>) {
        if written.is_err() {
            self.data_closed.store(true, Ordering::Relaxed);
        }
    }
}
