//! One thread that makes everything durable, a group at a time.
//!
//! Whoever has something to record submits it and goes on. The thread takes all that waits, commits the blobs
//! of the whole group, then one batch of rows, then tells everyone who waits. The next group begins when the
//! last sync has returned, but not sooner than [`SPACING`] after that one began: what comes alone goes at
//! once, groups grow by themselves when the disk is the slow part, and a fast disk is not asked to sync for
//! every single result of a stream of small ones, which costs more processor time than the results themselves.

use std::collections::HashSet;
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tidemill_proto::Digest;
use tidemill_store::{Store, StoreError};
use tokio::sync::oneshot;

use super::{Op, Record, RecordError, check_rows};

/// Rows of one group: bounds how long the first in it waits for the last.
const MAX_GROUP_OPS: usize = 2000;
/// How long changes that nobody waits for may wait for a group to ride along with.
const UNWAITED: Duration = Duration::from_millis(500);

/// Least time from the beginning of one group to that of the next.
const SPACING: Duration = Duration::from_millis(10);

/// Told once a submission is durable, or why it is not. Runs on the committer's thread: it must be quick and not block.
pub type Done = Box<dyn FnOnce(Result<(), CommitError>) + Send>;

/// Blobs and rows that become durable together.
pub struct Submission {
    /// Staged blobs that the rows speak of; they are committed before the rows.
    pub blobs: Vec<Digest>,
    /// Applied in order, after those of earlier submissions.
    pub ops: Vec<Op>,
    /// `None`: nobody waits; it rides along with the next group, or goes alone after half a second.
    pub done: Option<Done>,
}

impl Submission {
    /// One that nobody waits for.
    pub fn unwaited(ops: Vec<Op>) -> Self {
        Self {
            blobs: Vec::new(),
            ops,
            done: None,
        }
    }

    /// One that calls `done` from the committer's thread.
    pub fn then(
        blobs: Vec<Digest>,
        ops: Vec<Op>,
        done: impl FnOnce(Result<(), CommitError>) + Send + 'static,
    ) -> Self {
        Self {
            blobs,
            ops,
            done: Some(Box::new(done)),
        }
    }

    /// One with a receiver to await. It gives an error if the committer is closed before.
    pub fn awaited(blobs: Vec<Digest>, ops: Vec<Op>) -> (Self, oneshot::Receiver<Result<(), CommitError>>) {
        let (sender, receiver) = oneshot::channel();
        let submission = Self::then(blobs, ops, move |outcome| {
            // Whoever asked may have gone.
            let _ = sender.send(outcome);
        });
        (submission, receiver)
    }
}

/// Why a submission was not committed. None of its rows were applied, unless the record itself is broken.
#[derive(Debug, Clone, thiserror::Error)]
pub enum CommitError {
    /// Blobs that are neither staged nor stored.
    #[error("{} of its blobs are not in the store, the first is {}", .0.len(), .0.first().map_or_else(String::new, Digest::to_string))]
    Missing(Vec<Digest>),
    /// The store failed; everything of the group was refused.
    #[error(transparent)]
    Store(Arc<StoreError>),
    /// The record failed, or a row is too long.
    #[error(transparent)]
    Record(Arc<RecordError>),
}

/// The committer has been closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the record is closed")]
pub struct CommitterClosed;

/// What makes blobs durable.
pub trait CommitBlobs: Send {
    /// Makes staged blobs durable as a group; gives those that are neither staged nor stored.
    fn commit_blobs(&self, digests: &[Digest]) -> Result<Vec<Digest>, StoreError>;
}

impl CommitBlobs for Store {
    fn commit_blobs(&self, digests: &[Digest]) -> Result<Vec<Digest>, StoreError> {
        self.commit(digests).map(|report| report.missing)
    }
}

/// A handle on the committing thread. Dropping it commits what waits, then ends the thread.
pub struct Committer {
    sender: Option<Queue>,
    thread: Option<JoinHandle<()>>,
}

/// Where submissions wait.
enum Queue {
    Thread(Sender<Submission>),
    Task(tokio::sync::mpsc::UnboundedSender<Submission>),
}

impl Committer {
    /// Starts the thread.
    pub fn start(record: Arc<dyn Record>, blobs: impl CommitBlobs + 'static) -> std::io::Result<Self> {
        let (sender, receiver) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("committer".to_owned())
            .spawn(move || run(&receiver, &*record, &blobs))?;
        Ok(Self {
            sender: Some(Queue::Thread(sender)),
            thread: Some(thread),
        })
    }

    /// Instead of a thread a task of the runtime at hand, whose disk takes `sync` by the runtime's clock: for simulations.
    /// What waits when the runtime is dropped is lost, and was never acknowledged.
    pub fn simulated(record: Arc<dyn Record>, blobs: impl CommitBlobs + 'static, sync: Duration) -> Self {
        let (sender, mut receiver) = tokio::sync::mpsc::unbounded_channel();
        tokio::spawn(async move {
            while let Some(first) = receiver.recv().await {
                tokio::time::sleep(sync).await;
                let mut group = vec![first];
                while let Ok(next) = receiver.try_recv() {
                    group.push(next);
                }
                commit_group(group, &*record, &blobs);
            }
        });
        Self {
            sender: Some(Queue::Task(sender)),
            thread: None,
        }
    }

    /// Hands a submission over; never blocks. Submissions of one thread are applied in its order.
    pub fn submit(&self, submission: Submission) -> Result<(), CommitterClosed> {
        let sent = match self.sender.as_ref().ok_or(CommitterClosed)? {
            Queue::Thread(sender) => sender.send(submission).is_ok(),
            Queue::Task(sender) => sender.send(submission).is_ok(),
        };
        sent.then_some(()).ok_or(CommitterClosed)
    }

    /// Commits what waits and ends the thread. Blocks until then.
    pub fn close(mut self) {
        self.end();
    }

    fn end(&mut self) {
        self.sender = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the committing thread panicked");
        }
    }
}

impl Drop for Committer {
    fn drop(&mut self) {
        self.end();
    }
}

fn run(receiver: &Receiver<Submission>, record: &dyn Record, blobs: &dyn CommitBlobs) {
    let mut group = Vec::new();
    let mut not_before = Instant::now();
    while gather(receiver, &mut group, not_before) {
        not_before = Instant::now() + SPACING;
        commit_group(std::mem::take(&mut group), record, blobs);
    }
    commit_group(group, record, blobs);
}

/// Fills the group with all that waits at `not_before`, or at the first later moment when somebody waits; false
/// once nothing more can come.
fn gather(receiver: &Receiver<Submission>, group: &mut Vec<Submission>, not_before: Instant) -> bool {
    let mut somebody_waits = false;
    let mut ride_along_until = None;
    while !somebody_waits {
        let next = match ride_along_until {
            None => receiver.recv().map_err(|_| RecvTimeoutError::Disconnected),
            Some(until) => receiver.recv_timeout(Instant::saturating_duration_since(&until, Instant::now())),
        };
        match next {
            Ok(submission) => {
                somebody_waits = submission.done.is_some();
                group.push(submission);
                ride_along_until.get_or_insert_with(|| Instant::now() + UNWAITED);
            }
            Err(RecvTimeoutError::Timeout) => break,
            Err(RecvTimeoutError::Disconnected) => return false,
        }
    }
    std::thread::sleep(not_before.saturating_duration_since(Instant::now()));
    let mut ops: usize = group.iter().map(|submission| submission.ops.len()).sum();
    while ops < MAX_GROUP_OPS {
        let Ok(submission) = receiver.try_recv() else {
            break;
        };
        ops += submission.ops.len();
        group.push(submission);
    }
    true
}

fn commit_group(group: Vec<Submission>, record: &dyn Record, blobs: &dyn CommitBlobs) {
    if group.is_empty() {
        return;
    }
    let (sound, refused): (Vec<_>, Vec<_>) = group
        .into_iter()
        .map(|submission| (check_rows(&submission.ops), submission))
        .partition(|(check, _)| check.is_ok());
    for (check, submission) in refused {
        if let Err(error) = check {
            tell(submission.done, Err(CommitError::Record(Arc::new(error))));
        }
    }
    let group: Vec<Submission> = sound.into_iter().map(|(_, submission)| submission).collect();
    let group = commit_blobs(group, blobs);
    let (ops, waiting): (Vec<_>, Vec<_>) = group
        .into_iter()
        .map(|submission| (submission.ops, submission.done))
        .unzip();
    let outcome = record
        .commit(&ops.concat())
        .map_err(|error| CommitError::Record(Arc::new(error)));
    for done in waiting {
        tell(done, outcome.clone());
    }
}

/// Commits the blobs of a group as one; gives the submissions that lack none. The others are told.
fn commit_blobs(group: Vec<Submission>, blobs: &dyn CommitBlobs) -> Vec<Submission> {
    let named: Vec<Digest> = group
        .iter()
        .flat_map(|submission| submission.blobs.iter().copied())
        .collect();
    if named.is_empty() {
        return group;
    }
    let missing: HashSet<Digest> = match blobs.commit_blobs(&named) {
        Ok(missing) => missing.into_iter().collect(),
        Err(error) => {
            let error = Arc::new(error);
            let (with, without): (Vec<_>, Vec<_>) = group
                .into_iter()
                .partition(|submission| !submission.blobs.is_empty());
            for submission in with {
                tell(submission.done, Err(CommitError::Store(error.clone())));
            }
            return without;
        }
    };
    let mut complete = Vec::with_capacity(group.len());
    for submission in group {
        let lacks: Vec<Digest> = submission
            .blobs
            .iter()
            .copied()
            .filter(|digest| missing.contains(digest))
            .collect();
        if lacks.is_empty() {
            complete.push(submission);
        } else {
            tell(submission.done, Err(CommitError::Missing(lacks)));
        }
    }
    complete
}

fn tell(done: Option<Done>, outcome: Result<(), CommitError>) {
    match (done, outcome) {
        (Some(done), outcome) => done(outcome),
        (None, Err(error)) => tracing::error!(%error, "a change that nobody waits for was lost"),
        (None, Ok(())) => {}
    }
}
