//! The state of one run as people see it. The engine writes it, queries and watchers read it; a slow watcher
//! gets the newest state of what changed instead of a backlog.

use std::sync::{Arc, Mutex, MutexGuard};

use tidemill_proto::state;
use tidemill_proto::v1::{Item, ItemRow, ItemState, MadeOutput, RunRow, RunState, StateCounts};
use tidemill_proto::{Digest, RunName};
use tokio::sync::watch;

use super::plan::{KeptPlan, PlanError};

/// What never changes about a run.
#[derive(Debug, Clone)]
pub struct RunFacts {
    /// Its name.
    pub run: RunName,
    /// Its place among all runs of the record.
    pub serial: u64,
    /// Unix time.
    pub submitted_ms: i64,
    /// Who submitted it.
    pub person: String,
    /// Where the manifest stood.
    pub folder: String,
    /// Digest of the encoded plan.
    pub plan: Digest,
}

/// What an item made, in the order of its declared outputs.
pub type Outputs = Arc<[(Digest, u64)]>;

/// What people see of one item.
#[derive(Debug, Clone, Default)]
pub struct Cell {
    /// Where it stands; `Unspecified` never outlives the constructor.
    pub state: ItemState,
    /// How many attempts began.
    pub attempts: u32,
    /// Where it runs or ran last.
    pub agent: Option<Arc<str>>,
    /// Of the last attempt.
    pub elapsed_ms: u64,
    /// Of the last attempt, whole process tree.
    pub peak_memory_bytes: u64,
    /// One line for people.
    pub reason: Option<Box<str>>,
    /// When it has outputs.
    pub outputs: Option<Outputs>,
    /// JSON that the last attempt wrote although it failed; shown while the item counts as failed.
    pub findings: Arc<[MadeOutput]>,
    /// Unix time of the last change.
    pub changed_ms: i64,
    version: u64,
}

/// What moves in a run beside its items.
#[derive(Debug, Clone, Default)]
pub struct RunMoves {
    /// Processor time of all attempts.
    pub cpu_ms: u64,
    /// Attempts that ended.
    pub attempts: u64,
    /// Unix time; 0: unknown.
    pub finish_estimate_ms: i64,
    /// Unix time; 0: still open.
    pub ended_ms: i64,
    /// A person stopped it.
    pub stopped_by_person: bool,
    /// Ready items are held back.
    pub paused: bool,
    /// Runs of a higher one are served first.
    pub priority: i32,
    /// Of the cores, beside runs of its priority; 0 counts as 1.
    pub share: u32,
    /// Why nothing moves.
    pub note: String,
}

/// The visible state of one run.
#[derive(Debug)]
pub struct RunBoard {
    facts: RunFacts,
    plan: Arc<KeptPlan>,
    inner: Mutex<Inner>,
    moved: watch::Sender<()>,
}

#[derive(Debug)]
struct Inner {
    cells: Vec<Cell>,
    counts: StateCounts,
    moves: RunMoves,
    version: u64,
}

/// What changed since a version.
#[derive(Debug)]
pub struct Changes {
    /// The run now.
    pub run: RunRow,
    /// Items that changed, in plan order.
    pub items: Vec<ItemRow>,
    /// Where to go on.
    pub version: u64,
}

impl RunBoard {
    /// A run whose items all wait.
    pub fn new(facts: RunFacts, plan: Arc<KeptPlan>) -> Self {
        let waiting = Cell {
            state: ItemState::Waiting,
            changed_ms: facts.submitted_ms,
            ..Cell::default()
        };
        let inner = Inner {
            counts: StateCounts {
                waiting: plan.len(),
                ..StateCounts::default()
            },
            cells: vec![waiting; plan.len() as usize],
            moves: RunMoves::default(),
            version: 1,
        };
        Self {
            facts,
            plan,
            inner: Mutex::new(inner),
            moved: watch::Sender::new(()),
        }
    }

    /// What never changes about the run.
    pub fn facts(&self) -> &RunFacts {
        &self.facts
    }

    /// The run's plan.
    pub fn plan(&self) -> &Arc<KeptPlan> {
        &self.plan
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Every change below leaves the data consistent before anything can panic.
        self.inner
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Changes one item; counts follow.
    pub fn change(&self, index: u32, now_ms: i64, change: impl FnOnce(&mut Cell)) {
        let mut inner = self.lock();
        let inner = &mut *inner;
        let Some(cell) = inner.cells.get_mut(index as usize) else {
            return;
        };
        let before = cell.state;
        change(cell);
        inner.version += 1;
        cell.version = inner.version;
        cell.changed_ms = now_ms;
        let after = cell.state;
        if let Some(count) = state::count_mut(&mut inner.counts, before) {
            *count = count.saturating_sub(1);
        }
        if let Some(count) = state::count_mut(&mut inner.counts, after) {
            *count += 1;
        }
        self.moved.send_replace(());
    }

    /// Changes what moves beside the items.
    pub fn move_run(&self, change: impl FnOnce(&mut RunMoves)) {
        let mut inner = self.lock();
        change(&mut inner.moves);
        inner.version += 1;
        self.moved.send_replace(());
    }

    /// One item as it is now.
    pub fn cell(&self, index: u32) -> Option<Cell> {
        self.lock().cells.get(index as usize).cloned()
    }

    /// State of one item.
    pub fn state(&self, index: u32) -> ItemState {
        self.lock()
            .cells
            .get(index as usize)
            .map_or(ItemState::Unspecified, |cell| cell.state)
    }

    /// What one item made.
    pub fn outputs(&self, index: u32) -> Option<Outputs> {
        self.lock()
            .cells
            .get(index as usize)
            .and_then(|cell| cell.outputs.clone())
    }

    /// What moves beside the items.
    pub fn moves(&self) -> RunMoves {
        self.lock().moves.clone()
    }

    /// Numbers of items, by state.
    pub fn counts(&self) -> StateCounts {
        self.lock().counts
    }

    /// Whether every item has an outcome and the record says so.
    pub fn has_ended(&self) -> bool {
        self.lock().moves.ended_ms != 0
    }

    /// Wakes whoever waits for a change.
    pub fn subscribe(&self) -> watch::Receiver<()> {
        self.moved.subscribe()
    }

    /// The run's row.
    pub fn run_row(&self) -> RunRow {
        self.row_of(&self.lock())
    }

    fn row_of(&self, inner: &Inner) -> RunRow {
        let moves = &inner.moves;
        RunRow {
            run: self.facts.run.to_string(),
            state: if moves.ended_ms == 0 {
                RunState::Open
            } else {
                RunState::Ended
            } as i32,
            counts: Some(inner.counts),
            submitted_ms: self.facts.submitted_ms,
            ended_ms: moves.ended_ms,
            person: self.facts.person.clone(),
            folder: self.facts.folder.clone(),
            cpu_ms: moves.cpu_ms,
            attempts: moves.attempts,
            finish_estimate_ms: moves.finish_estimate_ms,
            stopped_by_person: moves.stopped_by_person,
            note: moves.note.clone(),
            draft: self.plan.draft,
            until: self.plan.until.clone(),
            paused: moves.paused,
            tools: Vec::new(),
            priority: moves.priority,
            share: moves.share.max(1),
        }
    }

    /// One item's row.
    ///
    /// # Errors
    /// When the plan has no such item.
    pub fn item_row(&self, index: u32) -> Result<ItemRow, PlanError> {
        let cell = self.cell(index).ok_or(PlanError::NoItem(index))?;
        row(&self.plan, index, &cell)
    }

    /// Rows of the items that changed after `version` (0: all), and the run's row. With `quiet` no items.
    ///
    /// # Errors
    /// When the plan is damaged.
    pub fn changes_since(&self, version: u64, quiet: bool) -> Result<Changes, PlanError> {
        let (run, changed, now) = {
            let inner = self.lock();
            let changed: Vec<(u32, Cell)> = if quiet {
                Vec::new()
            } else {
                let new = |cell: &Cell| version == 0 || cell.version > version;
                let cells = inner.cells.iter().enumerate();
                cells
                    .filter(|(_, cell)| new(cell))
                    .map(|(i, cell)| (i as u32, cell.clone()))
                    .collect()
            };
            (self.row_of(&inner), changed, inner.version)
        };
        let rows = changed.iter().map(|(index, cell)| row(&self.plan, *index, cell));
        Ok(Changes {
            run,
            items: rows.collect::<Result<_, _>>()?,
            version: now,
        })
    }
}

/// An item's row from its cell and the plan.
fn row(plan: &KeptPlan, index: u32, cell: &Cell) -> Result<ItemRow, PlanError> {
    let outputs = match &cell.outputs {
        Some(made) => made_outputs(&plan.item(index)?, made),
        None => Vec::new(),
    };
    Ok(ItemRow {
        address: plan.address(index).to_owned(),
        state: cell.state as i32,
        attempts: cell.attempts,
        agent: cell.agent.as_deref().unwrap_or_default().to_owned(),
        elapsed_ms: cell.elapsed_ms,
        peak_memory_bytes: cell.peak_memory_bytes,
        reason: cell.reason.as_deref().unwrap_or_default().to_owned(),
        outputs,
        changed_ms: cell.changed_ms,
        index,
        findings: match cell.state {
            ItemState::Failed => cell.findings.to_vec(),
            _ => Vec::new(),
        },
    })
}

/// What an item made, with the names and paths that it declared.
pub fn made_outputs(item: &Item, made: &[(Digest, u64)]) -> Vec<MadeOutput> {
    item.outputs
        .iter()
        .zip(made)
        .map(|(declared, (digest, size))| MadeOutput {
            name: declared.name.clone(),
            digest: digest.to_vec(),
            size: *size,
            path: declared.path.clone(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::Plan;

    fn board() -> RunBoard {
        let items = ["a/x", "b/x"].map(|address| Item {
            address: address.into(),
            ..Item::default()
        });
        let plan = KeptPlan::new(Plan {
            items: items.into(),
            ..Plan::default()
        })
        .unwrap();
        let facts = RunFacts {
            run: "dock.1".parse().unwrap(),
            serial: 1,
            submitted_ms: 5,
            person: String::new(),
            folder: String::new(),
            plan: Digest::of(b""),
        };
        RunBoard::new(facts, Arc::new(plan))
    }

    #[test]
    fn counts_follow_states_and_changes_are_told_once() {
        let board = board();
        let all = board.changes_since(0, false).unwrap();
        assert_eq!((all.items.len(), all.run.counts.unwrap().waiting), (2, 2));
        board.change(1, 9, |cell| cell.state = ItemState::Running);
        board.change(1, 9, |cell| cell.state = ItemState::Done);
        let news = board.changes_since(all.version, false).unwrap();
        assert_eq!(news.items.len(), 1, "only the newest state of the changed item");
        assert_eq!(
            (news.items[0].address.as_str(), news.items[0].state()),
            ("b/x", ItemState::Done)
        );
        let counts = news.run.counts.unwrap();
        assert_eq!((counts.waiting, counts.running, counts.done), (1, 0, 1));
        assert!(board.changes_since(news.version, false).unwrap().items.is_empty());
    }
}
