//! What the engine has made durable, and what it does once that is so.

use tidemill_proto::v1::{ItemState, RunRow};
use tidemill_proto::{Digest, LeaseId, RunName};
use tidemill_store::StoreError;

use super::event::{NewRun, Reply};
use super::live::Done;
use crate::record::pack::Packed;
use crate::record::{CommitError, Committer, Op, Submission};
use crate::scheduler::{AgentId, ItemId, LeaseNumber, RunId};

/// What happens when a submission to the committer is on disk.
#[derive(Debug)]
pub enum Ticket {
    /// A run's row and its inputs: add it and answer.
    Submitted(Box<NewRun>, RunName, Reply<RunName>),
    /// A result: the item is done.
    Result(Box<Done>),
    /// An item that ended without a result: show it.
    Show(Box<Shown>),
    /// Tell an agent that its result is on disk.
    Settle(AgentId, LeaseId, LeaseNumber),
    /// Everything of a run is on disk.
    RunEnded(RunId),
    /// What a person asked for is on disk: answer with the run's row.
    Asked(RunName, Reply<RunRow>),
    /// An ended run is open again.
    Reopened(Box<super::event::Again>, Vec<u32>, Reply<RunRow>),
}

/// An item's outcome, to be shown.
#[derive(Debug)]
pub struct Shown {
    /// Which item.
    pub item: ItemId,
    /// Its state.
    pub state: ItemState,
    /// One line for people.
    pub reason: String,
}

/// A submission came back from the committer.
#[derive(Debug)]
pub struct Committed {
    /// What it was.
    pub ticket: Ticket,
    /// How it went.
    pub outcome: Result<(), CommitError>,
}

/// Rows on their way to the committer, with the blobs that they need.
#[derive(Debug, Default)]
pub struct Rows {
    blobs: Vec<Digest>,
    ops: Vec<Op>,
    failed: Option<StoreError>,
}

impl Rows {
    /// With these blobs.
    pub fn with_blobs(blobs: Vec<Digest>) -> Self {
        Self {
            blobs,
            ..Self::default()
        }
    }

    /// Adds a row.
    pub fn add(&mut self, packed: Result<Packed, StoreError>) {
        match packed {
            Ok(packed) => {
                self.ops.push(packed.op);
                self.blobs.extend(packed.blob);
            }
            Err(error) => self.failed = Some(error),
        }
    }

    /// Adds a change as it is.
    pub fn push(&mut self, op: Op) {
        self.ops.push(op);
    }

    /// Hands everything to the committer; `back` gets the ticket when it is on disk.
    pub fn submit(
        self,
        committer: Option<&Committer>,
        ticket: Ticket,
        back: impl FnOnce(Committed) + Send + 'static,
    ) {
        if let Some(error) = self.failed {
            return back(Committed {
                ticket,
                outcome: Err(CommitError::Store(error.into())),
            });
        }
        let submission = Submission::then(self.blobs, self.ops, move |outcome| {
            back(Committed { ticket, outcome })
        });
        hand_over(committer, submission);
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.blobs.is_empty() && self.ops.is_empty() && self.failed.is_none()
    }

    /// Hands everything to the committer; nobody waits.
    pub fn submit_unwaited(self, committer: Option<&Committer>) {
        if let Some(error) = self.failed {
            tracing::error!(%error, "a row could not be kept");
            return;
        }
        hand_over(
            committer,
            Submission {
                blobs: self.blobs,
                ops: self.ops,
                done: None,
            },
        );
    }
}

fn hand_over(committer: Option<&Committer>, submission: Submission) {
    if committer.is_none_or(|committer| committer.submit(submission).is_err()) {
        tracing::error!("the record is closed; a change was not recorded");
    }
}
