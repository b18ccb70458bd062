//! Shows what happens in a run: drawn in place on a terminal, as plain lines in a log file, or as JSON.

use std::time::{Duration, Instant};

use tidemill_proto::state;
use tidemill_proto::v1::{AgentRow, ItemRow, ItemState};

use super::live::Live;
use super::picture::{Change, Picture};
use super::print_run;
use crate::output::human;
use crate::output::json::Item;
use crate::output::table::state_color;
use crate::printer::Printer;

/// A run with more items than this gets a line now and then instead of one for each finished item.
const LINE_FOR_EACH_UP_TO: u32 = 200;

/// Seconds between two lines of counts.
const COUNTS_EVERY: Duration = Duration::from_secs(10);

/// So many failures are explained; the others get one line each, and none on a terminal, where the board counts them.
const EXPLAINED_FAILURES: u32 = 20;

/// Shows one run.
pub(super) struct View<'p> {
    printer: &'p Printer,
    live: Option<Live>,
    /// JSON tells of items that start, too.
    all_changes: bool,
    failures: u32,
    last_counts: Instant,
    last_run_object: Option<Instant>,
}

impl<'p> View<'p> {
    pub(super) fn new(printer: &'p Printer, all_changes: bool) -> Self {
        let live = printer.is_live().then(Live::new);
        printer.draw_above(live.as_ref().map(Live::bars));
        Self {
            printer,
            live,
            all_changes,
            failures: 0,
            last_counts: Instant::now(),
            last_run_object: None,
        }
    }

    /// Shows what an event changed.
    pub(super) fn show(&mut self, picture: &Picture, change: Change) {
        if self.printer.is_json() {
            self.show_json(picture, change);
        } else if let Some(row) = change.finished(picture) {
            self.show_finished(picture, row);
        } else if change == Change::Begun {
            let items = human::count(picture.total() as usize, "item", "items");
            self.printer.note(format_args!("{}: {items}", picture.run.run));
        }
    }

    fn show_json(&mut self, picture: &Picture, change: Change) {
        match change {
            Change::Begun => {
                print_run(&picture.run, self.printer);
                self.last_run_object = Some(Instant::now());
            }
            Change::Run
                if self
                    .last_run_object
                    .is_none_or(|last| last.elapsed() >= Duration::from_secs(1)) =>
            {
                print_run(&picture.run, self.printer);
                self.last_run_object = Some(Instant::now());
            }
            Change::Item { .. } => {
                let started = change
                    .newly(ItemState::Running, picture)
                    .filter(|_| self.all_changes);
                if let Some(row) = started.or_else(|| change.finished(picture)) {
                    self.printer.object(&Item::row(&picture.run.run, row));
                }
            }
            _ => {}
        }
    }

    fn show_finished(&mut self, picture: &Picture, row: &ItemRow) {
        if row.state() == ItemState::Failed {
            self.failures += 1;
        }
        let line_for_each = self.live.is_none() && picture.total() <= LINE_FOR_EACH_UP_TO;
        match row.state() {
            // The board counts them and pins the newest; what was explained must not scroll away.
            ItemState::Failed if self.live.is_some() && self.failures > EXPLAINED_FAILURES => {
                self.printer.detail(line(row));
            }
            ItemState::Failed => self.printer.aside(line(row)),
            // Nothing happened to a reused item, and a cut-off one is told of by what failed before it.
            ItemState::Reused | ItemState::CutOff => self.printer.detail(line(row)),
            _ if line_for_each => self.printer.note(line(row)),
            _ => self.printer.detail(line(row)),
        }
    }

    /// Whether the failure that was just shown should be explained.
    pub(super) fn wants_reason(&self) -> bool {
        !self.printer.is_json() && self.failures <= EXPLAINED_FAILURES
    }

    /// Prints lines that belong to what was just shown.
    pub(super) fn above(&self, text: String) {
        if !text.is_empty() {
            self.printer.aside(text);
        }
    }

    /// Time goes by.
    pub(super) fn tick(&mut self, picture: &Picture, agents: &[AgentRow]) {
        if picture.run.run.is_empty() || self.printer.is_json() {
            return;
        }
        if let Some(live) = &mut self.live {
            live.draw(picture, agents, human::now_ms());
            return;
        }
        if self.last_counts.elapsed() >= COUNTS_EVERY {
            self.last_counts = Instant::now();
            self.printer.note(counts_line(picture, human::now_ms()));
        }
    }

    /// Nothing more is drawn.
    pub(super) fn finish(&mut self) {
        self.printer.draw_above(None);
        if let Some(live) = self.live.take() {
            live.clear();
        }
    }
}

impl Drop for View<'_> {
    fn drop(&mut self) {
        self.finish();
    }
}

/// `done     bollard-large-s11/game  4.2 s, 310 MiB`.
fn line(row: &ItemRow) -> String {
    let word = state::word(row.state());
    let style = match state_color(row.state()) {
        Some(color) => anstyle::Style::new().fg_color(Some(anstyle::Ansi256Color(color).into())),
        None => anstyle::Style::new(),
    };
    let mut text = format!("{style}{word:<8}{style:#} {}", row.address);
    if matches!(row.state(), ItemState::Done | ItemState::Failed) && row.elapsed_ms > 0 {
        text.push_str(&format!("  {}", human::duration(row.elapsed_ms)));
        if row.peak_memory_bytes > 0 {
            text.push_str(&format!(", {}", human::size(row.peak_memory_bytes)));
        }
    }
    if !row.reason.is_empty() {
        text.push_str(&format!("  {}", row.reason));
    }
    text
}

/// `harbour-dock.12: 120 of 2000 finished, 2 running, 1 failed, about 3 min to go`.
pub(super) fn counts_line(picture: &Picture, now_ms: i64) -> String {
    let mut text = format!(
        "{}: {} of {} finished",
        picture.run.run,
        picture.finished(),
        picture.total()
    );
    let words = picture.counts_in_words();
    if !words.is_empty() {
        text.push_str(&format!(", {words}"));
    }
    if let Some(ms) = picture.remaining_ms(now_ms) {
        text.push_str(&format!(", about {} to go", human::duration(ms)));
    }
    for remark in [if picture.run.paused { "paused" } else { "" }, &picture.run.note] {
        if !remark.is_empty() {
            text.push_str(&format!(" ({remark})"));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{RunRow, StateCounts};

    use super::*;

    #[test]
    fn a_line_of_counts_reads_as_a_sentence() {
        let counts = StateCounts {
            ready: 7,
            running: 2,
            done: 4,
            failed: 1,
            ..StateCounts::default()
        };
        let run = RunRow {
            run: "dock.3".into(),
            counts: Some(counts),
            finish_estimate_ms: 185_000,
            note: "no agent has joined".into(),
            ..RunRow::default()
        };
        let mut picture = Picture::default();
        picture.run = run;
        assert_eq!(
            counts_line(&picture, 0),
            "dock.3: 5 of 14 finished, 2 running, 4 done, 1 failed, about 3 min 5 s to go (no agent has joined)"
        );
    }

    #[test]
    fn an_item_line_is_understood_without_colour() {
        let row = ItemRow {
            address: "a/game".into(),
            state: ItemState::Failed.into(),
            elapsed_ms: 4200,
            reason: "exit code 3".into(),
            ..ItemRow::default()
        };
        assert_eq!(
            anstream::adapter::strip_str(&line(&row)).to_string(),
            "failed   a/game  4.2 s  exit code 3"
        );
    }
}
