//! What happens as time passes: graces end, finish estimates move, notes say why nothing moves.

use super::Engine;
use super::clock::now_ms;
use crate::scheduler::{Event, RunId};

/// Ticks between two writes of what was learned.
const TICKS_BETWEEN_WRITES: u32 = 4;

impl Engine {
    pub(super) fn tick(&mut self) {
        self.ticks = self.ticks.wrapping_add(1);
        self.look_at_room();
        self.step(Event::Tick);
        self.end_graces(now_ms());
        self.after_tools_changed();
        if self.ticks.is_multiple_of(TICKS_BETWEEN_WRITES) {
            self.write_learned();
        }
        self.refresh_notes();
        self.refresh_estimates();
    }

    fn refresh_estimates(&mut self) {
        let now = self.scheduler_now();
        let moved: Vec<(RunId, i64)> = self
            .runs
            .keys()
            .map(|id| {
                let end = self.scheduler.finish_estimate_ms(*id, now);
                (*id, end.and_then(|end| i64::try_from(end).ok()).unwrap_or(0))
            })
            .collect();
        for (id, end) in moved {
            let Some(run) = self.runs.get(&id) else { continue };
            // Watchers need not wake up for less than a second.
            if (run.board.moves().finish_estimate_ms - end).abs() >= 1000 {
                run.board.move_run(|moves| moves.finish_estimate_ms = end);
            }
        }
    }

    /// Says for each run why nothing moves, if so.
    pub(super) fn refresh_notes(&mut self) {
        let any_here = self.agents.any_here();
        let ids: Vec<RunId> = self.runs.keys().copied().collect();
        for id in ids {
            let note = self.note(id, any_here);
            if let Some(run) = self.runs.get(&id)
                && run.board.moves().note != note
            {
                run.board.move_run(|moves| moves.note = note);
            }
        }
    }

    fn note(&self, id: RunId, any_here: bool) -> String {
        let Some(run) = self.runs.get(&id) else {
            return String::new();
        };
        if let Some(trouble) = &run.trouble {
            return trouble.clone();
        }
        let counts = run.board.counts();
        if counts.waiting + counts.ready == 0 {
            return String::new();
        }
        if !any_here {
            return "no agent is here".to_owned();
        }
        if let Some(note) = &run.tool_note {
            return note.clone();
        }
        if run.board.moves().paused {
            return "paused".to_owned();
        }
        if let Some(note) = self.room_note() {
            return note;
        }
        if counts.running > 0 || counts.ready == 0 {
            return String::new();
        }
        // Nothing runs although something could: one ready item says why, for all.
        let first = (0..run.board.plan().len())
            .find(|index| run.board.state(*index) == tidemill_proto::v1::ItemState::Ready);
        first
            .and_then(|index| self.why_it_waits(crate::scheduler::ItemId { run: id, index }))
            .unwrap_or_default()
    }
}
