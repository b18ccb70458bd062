//! Looking after the store: decode, call, encode.

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tidemill_proto::v1::upkeep_server::Upkeep;
use tidemill_proto::v1::{
    BadBlob, PinRequest, RunRow, SweepEvent, SweepRequest, UsageRequest, UsageRow, VerifyEvent,
    VerifyRequest, sweep_event,
};
use tokio::sync::{Mutex, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::{Request, Response, Status};

use super::blocking::blocking;
use super::convert::{archive_status, store_status};
use crate::engine::EngineHandle;
use crate::engine::clock::now_ms;
use crate::engine::event::Event;
use crate::query::archive::{Archive, run_row};
use crate::record::rows::PinRecord;
use crate::record::{Op, keys, pack};
use crate::upkeep::roots::Keeping;
use crate::upkeep::sweep::{self, Phase, Progress, SweepError};
use crate::upkeep::usage::{UsageError, usage};
use crate::upkeep::verify::{self, Bad, Checked, Problem, VerifyError};

/// Messages that wait between the work and its reader.
const WAITING: usize = 64;
/// How often a long piece of work says how far it is.
const SAY_EVERY: Duration = Duration::from_millis(200);

/// Serves whoever looks after the store.
#[derive(Clone)]
pub struct UpkeepService {
    archive: Archive,
    engine: EngineHandle,
    ending: CancellationToken,
    /// Two sweeps at once would take each other's record of the doomed for their own.
    sweeping: Arc<Mutex<()>>,
}

type Stream<T> = ReceiverStream<Result<T, Status>>;

impl UpkeepService {
    /// Work ends when `ending` is cancelled. Lost blobs are told to `engine`.
    pub fn new(archive: Archive, engine: EngineHandle, ending: CancellationToken) -> Self {
        Self {
            archive,
            engine,
            ending,
            sweeping: Arc::new(Mutex::new(())),
        }
    }
}

/// Says how far a piece of work is, now and then, and whether somebody still listens.
struct Saying<T> {
    sender: mpsc::Sender<Result<T, Status>>,
    ending: CancellationToken,
    last: Instant,
}

impl<T> Saying<T> {
    fn new(sender: mpsc::Sender<Result<T, Status>>, ending: CancellationToken) -> Self {
        Self {
            sender,
            ending,
            last: Instant::now(),
        }
    }

    /// Sends `message` if it is time, or `now`.
    fn say(&mut self, now: bool, message: impl FnOnce() -> T) -> ControlFlow<()> {
        if self.ending.is_cancelled() || self.sender.is_closed() {
            return ControlFlow::Break(());
        }
        if now || self.last.elapsed() >= SAY_EVERY {
            self.last = Instant::now();
            if self.sender.blocking_send(Ok(message())).is_err() {
                return ControlFlow::Break(());
            }
        }
        ControlFlow::Continue(())
    }

    fn end(self, outcome: Result<T, Status>) {
        // Whoever asked may have gone.
        let _ = self.sender.blocking_send(outcome);
    }
}

#[tonic::async_trait]
impl Upkeep for UpkeepService {
    type UsageStream = Stream<UsageRow>;

    async fn usage(&self, _: Request<UsageRequest>) -> Result<Response<Self::UsageStream>, Status> {
        let archive = self.archive.clone();
        let rows = blocking(move || usage(&archive))
            .await?
            .map_err(|error| match &error {
                UsageError::Run(_) => Status::data_loss(error.to_string()),
                UsageError::Archive(error) => archive_status(error),
                UsageError::Store(error) => store_status(error),
            })?;
        let (sender, receiver) = mpsc::channel(WAITING);
        tokio::spawn(async move {
            for row in rows {
                if sender.send(Ok(row)).await.is_err() {
                    break;
                }
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type VerifyStream = Stream<VerifyEvent>;

    async fn verify(&self, request: Request<VerifyRequest>) -> Result<Response<Self::VerifyStream>, Status> {
        let request = request.into_inner();
        if !(0.0..=1.0).contains(&request.share) {
            return Err(Status::invalid_argument("the share must be between 0 and 1"));
        }
        let asked = verify::Asked {
            share: if request.share == 0.0 { 1.0 } else { request.share },
            seed: now_ms().unsigned_abs(),
            bytes_per_second: Some(request.bytes_per_second).filter(|rate| *rate > 0),
        };
        let (sender, receiver) = mpsc::channel(WAITING);
        let mut saying = Saying::new(sender, self.ending.clone());
        let (archive, engine) = (self.archive.clone(), self.engine.clone());
        let runtime = tokio::runtime::Handle::current();
        tokio::task::spawn_blocking(move || {
            let outcome = verify::verify(&archive, asked, &mut |checked| {
                saying.say(false, || checked_event(checked))
            });
            let (checked, bad) = match outcome {
                Ok(found) => found,
                Err(error) => return saying.end(Err(verify_status(&error))),
            };
            let mut last = checked_event(checked);
            for bad in bad {
                if bad.problem != Problem::Lost {
                    // A closing engine looks at the store again when it is opened.
                    let _ = runtime.block_on(engine.send(Event::BlobLost(bad.digest)));
                }
                count(&mut last, &bad);
                let event = VerifyEvent {
                    bad: Some(bad_view(bad)),
                    ..last.clone()
                };
                if saying.say(true, || event).is_break() {
                    return;
                }
            }
            last.ended = true;
            saying.end(Ok(last));
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type SweepStream = Stream<SweepEvent>;

    async fn sweep(&self, request: Request<SweepRequest>) -> Result<Response<Self::SweepStream>, Status> {
        let request = request.into_inner();
        let asked = sweep::Asked {
            remove: request.remove,
            keeping: Keeping {
                days: Some(request.keep_days).filter(|days| *days > 0),
                runs_per_manifest: Some(request.keep_runs).filter(|runs| *runs > 0),
            },
            grace: Duration::from_millis(request.grace_ms),
        };
        let Ok(turn) = Arc::clone(&self.sweeping).try_lock_owned() else {
            return Err(Status::failed_precondition("another sweep is running"));
        };
        let (sender, receiver) = mpsc::channel(WAITING);
        let mut saying = Saying::new(sender, self.ending.clone());
        let archive = self.archive.clone();
        tokio::task::spawn_blocking(move || {
            let mut last_phase = None;
            let outcome = sweep::sweep(&archive, asked, &now_ms, &mut |progress| {
                let is_new = last_phase.replace(progress.phase) != Some(progress.phase);
                saying.say(is_new, || sweep_view(progress))
            });
            // Given back before the last word: whoever hears that may begin the next one.
            drop(turn);
            saying.end(outcome.map(sweep_view).map_err(|error| sweep_status(&error)));
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    async fn pin(&self, request: Request<PinRequest>) -> Result<Response<RunRow>, Status> {
        let request = request.into_inner();
        let archive = self.archive.clone();
        let row = blocking(move || {
            let serial = archive.find(&request.run)?;
            let key = keys::pin(serial);
            let op = if request.pinned {
                pack::put_short(key, &PinRecord { pinned_ms: now_ms() })
            } else {
                Op::Delete { key }
            };
            archive.record.commit(&[op])?;
            archive.run(serial)
        });
        let record = row.await?.map_err(|error| archive_status(&error))?;
        let record = record.ok_or_else(|| Status::not_found("the run is no longer recorded"))?;
        Ok(Response::new(run_row(&record)))
    }
}

fn checked_event(checked: Checked) -> VerifyEvent {
    VerifyEvent {
        checked_blobs: checked.blobs,
        checked_bytes: checked.bytes,
        ..VerifyEvent::default()
    }
}

fn count(event: &mut VerifyEvent, bad: &Bad) {
    let counter = match bad.problem {
        Problem::Damaged(_) => &mut event.damaged_blobs,
        Problem::Lost => &mut event.lost_blobs,
        Problem::Unreadable(_) => &mut event.unreadable_blobs,
    };
    *counter += 1;
}

fn bad_view(bad: Bad) -> BadBlob {
    let (problem, detail) = match bad.problem {
        Problem::Damaged(detail) => ("damaged", detail),
        Problem::Lost => ("lost", format!("the store has no blob {}", bad.digest)),
        Problem::Unreadable(detail) => ("unreadable", detail),
    };
    BadBlob {
        digest: bad.digest.to_vec(),
        problem: problem.to_owned(),
        detail,
        items: bad.items,
    }
}

fn sweep_view(progress: Progress) -> SweepEvent {
    use sweep_event::Phase as View;
    let phase = match progress.phase {
        Phase::Marked => View::Marked,
        Phase::Waits => View::Waits,
        Phase::MarkedAgain => View::MarkedAgain,
        Phase::RecordCleared => View::RecordCleared,
        Phase::Removes => View::Removes,
        Phase::Ended => View::Ended,
    };
    SweepEvent {
        phase: phase as i32,
        kept_runs: progress.kept_runs,
        dropped_runs: progress.dropped_runs,
        kept_blobs: progress.kept_blobs,
        freed_blobs: progress.freed.files,
        freed_bytes: progress.freed.bytes,
        dropped_results: progress.dropped_results,
        wait_ms: u64::try_from(progress.wait.as_millis()).unwrap_or(u64::MAX),
        resumed: progress.resumed,
        left_over: progress.left_over.files,
        left_over_bytes: progress.left_over.bytes,
    }
}

fn verify_status(error: &VerifyError) -> Status {
    match error {
        VerifyError::Run(_) => Status::data_loss(error.to_string()),
        VerifyError::Archive(error) => archive_status(error),
        VerifyError::Store(error) => store_status(error),
        VerifyError::BrokenOff => Status::cancelled(error.to_string()),
    }
}

fn sweep_status(error: &SweepError) -> Status {
    match error {
        SweepError::Roots(_) => Status::data_loss(error.to_string()),
        SweepError::Archive(error) => archive_status(error),
        SweepError::Store(error) => store_status(error),
        SweepError::BrokenOff => Status::cancelled(error.to_string()),
    }
}
