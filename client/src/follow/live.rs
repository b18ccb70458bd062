//! The board of a run, drawn in place on a terminal.

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use tidemill_proto::v1::AgentRow;

use super::board::{self, Room};
use super::picture::Picture;

/// The drawing of one run.
pub(super) struct Live {
    bars: MultiProgress,
    lines: Vec<ProgressBar>,
    terminal: console::Term,
}

impl Live {
    pub(super) fn new() -> Self {
        Self {
            bars: MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(8)),
            lines: Vec::new(),
            terminal: console::Term::stderr(),
        }
    }

    /// For printing above the drawing.
    pub(super) fn bars(&self) -> MultiProgress {
        self.bars.clone()
    }

    /// Draws the picture as it is now.
    pub(super) fn draw(&mut self, picture: &Picture, agents: &[AgentRow], now_ms: i64) {
        // Asked each time: a window changes its size.
        let (rows, columns) = self.terminal.size();
        let room = Room {
            rows: rows.into(),
            columns: columns.into(),
        };
        let texts = board::lines(picture, agents, room, now_ms);
        while self.lines.len() > texts.len() {
            if let Some(line) = self.lines.pop() {
                line.finish_and_clear();
                self.bars.remove(&line);
            }
        }
        while self.lines.len() < texts.len() {
            let line = self.bars.add(ProgressBar::new_spinner());
            line.set_style(style());
            self.lines.push(line);
        }
        for (line, text) in self.lines.iter().zip(texts) {
            line.set_message(text);
        }
    }

    /// Takes the drawing away; what was printed above stays.
    pub(super) fn clear(self) {
        for line in self.lines {
            line.finish_and_clear();
        }
    }
}

fn style() -> ProgressStyle {
    // The template stands here; a wrong one falls back to the plain look.
    ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner())
}
