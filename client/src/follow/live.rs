//! Progress drawn in place: one bar for the run, one line for each running item.

use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::picture::Picture;
use crate::output::human;

/// At most so many running items are listed.
const LISTED_ITEMS: usize = 8;

/// The drawing of one run.
pub(super) struct Live {
    bars: MultiProgress,
    whole: ProgressBar,
    items: Vec<ProgressBar>,
}

impl Live {
    pub(super) fn new() -> Self {
        let bars = MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(8));
        let whole = bars.add(ProgressBar::new(0));
        whole.set_style(style("{bar:28} {pos}/{len}  {msg}"));
        whole.enable_steady_tick(Duration::from_millis(250));
        Self {
            bars,
            whole,
            items: Vec::new(),
        }
    }

    /// The bars, for printing above them.
    pub(super) fn bars(&self) -> MultiProgress {
        self.bars.clone()
    }

    /// Draws the picture as it is now.
    pub(super) fn draw(&mut self, picture: &Picture, now_ms: i64) {
        self.whole.set_length(u64::from(picture.total()));
        self.whole.set_position(u64::from(picture.finished()));
        self.whole.set_message(message(picture, now_ms));
        let all: Vec<String> = picture
            .running()
            .map(|row| {
                let for_ms = u64::try_from(now_ms - row.changed_ms).unwrap_or(0);
                let agent = if row.agent.is_empty() {
                    String::new()
                } else {
                    format!("  on {}", row.agent)
                };
                format!("{}  {}{agent}", row.address, human::duration(for_ms))
            })
            .collect();
        let listed = &all[..all.len().min(LISTED_ITEMS)];
        while self.items.len() > listed.len() {
            if let Some(bar) = self.items.pop() {
                bar.finish_and_clear();
                self.bars.remove(&bar);
            }
        }
        while self.items.len() < listed.len() {
            let bar = self.bars.add(ProgressBar::new_spinner());
            bar.set_style(style("  {msg}"));
            self.items.push(bar);
        }
        for (bar, text) in self.items.iter().zip(listed) {
            bar.set_message(text.clone());
        }
    }

    /// Takes the drawing away; what was printed above stays.
    pub(super) fn clear(self) {
        for bar in self.items {
            bar.finish_and_clear();
        }
        self.whole.finish_and_clear();
    }
}

fn message(picture: &Picture, now_ms: i64) -> String {
    let mut text = picture.counts_in_words();
    if let Some(ms) = picture.remaining_ms(now_ms) {
        text.push_str(&format!(", about {} to go", human::duration(ms)));
    }
    if picture.run.paused {
        text.push_str(", paused");
    }
    if !picture.run.note.is_empty() {
        text.push_str(&format!(" ({})", picture.run.note));
    }
    text
}

fn style(template: &str) -> ProgressStyle {
    // The templates stand in this file; a wrong one falls back to the plain look.
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .progress_chars("=> ")
}
