//! The agent as it is, but its items only pretend to run: for simulations of the network, where time is the simulation's and
//! real processes would have no part in it. Joining, leases, reports, hand-backs and pauses are the agent's own.

use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::v1::{Finished, Made, Measured, Start};
use tokio::sync::mpsc::UnboundedSender;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

use crate::config::Config;
use crate::error::AgentError;
use crate::item::run::{Heard, unix_ms};
use crate::join::Agent;
use crate::slots::{Job, SlotEvent};

/// Between two looks at whether an item is to end.
const LOOK: Duration = Duration::from_millis(20);
/// What it takes to bring outputs into the store.
const COLLECTING: Duration = Duration::from_millis(30);

/// What an item comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pretended {
    /// How long its process takes.
    pub elapsed: Duration,
    /// Bytes of each declared output; `None`: it fails.
    pub makes: Option<Vec<u8>>,
}

/// Says what comes of an item when it starts.
pub type Work = Arc<dyn Fn(&Start) -> Pretended + Send + Sync>;

/// As [`crate::run`], with `work` in the place of processes. Outputs go to the store itself, which must be in sight. Pauses
/// between attempts to join come from `random`, so that a simulation can be repeated.
///
/// # Errors
/// As [`crate::run`].
pub async fn run(
    config: Config,
    channel: Channel,
    shutdown: CancellationToken,
    work: Work,
    random: Box<dyn FnMut() -> u32 + Send>,
) -> Result<(), AgentError> {
    config.check()?;
    let mut agent = Agent::open(config, channel)?;
    agent.simulate(work, random);
    agent.run(shutdown).await
}

/// Lets an item pretend to run, as a task of the runtime at hand.
pub(crate) fn start(job: Job, work: Work, events: UnboundedSender<SlotEvent>) {
    tokio::spawn(async move {
        let (pretended, started_ms) = (work(job.start.as_ref()), unix_ms());
        let lease = job.start.lease.clone();
        let until = Instant::now() + pretended.elapsed;
        while Instant::now() < until && !job.control.is_asked() {
            tokio::time::sleep_until(until.min(Instant::now() + LOOK)).await;
        }
        // Nobody listens any more once the agent is gone.
        let _ = events.send(SlotEvent::Heard {
            lease,
            heard: Heard::ProcessEnded { cpu_ms: 1 },
        });
        tokio::time::sleep(COLLECTING).await;
        let mut finished = outcome(&job, &pretended);
        finished.started_ms = started_ms;
        finished.ended_ms = unix_ms();
        let _ = events.send(SlotEvent::Finished {
            slot: 0,
            finished: Box::new(finished),
        });
    });
}

fn outcome(job: &Job, pretended: &Pretended) -> Finished {
    let elapsed_ms = u64::try_from(pretended.elapsed.as_millis()).unwrap_or(u64::MAX);
    let finished = Finished {
        lease: job.start.lease.clone(),
        measured: Some(Measured {
            elapsed_ms,
            user_ms: 1,
            system_ms: 0,
            peak_memory_bytes: job.start.estimate_memory_bytes / 2,
        }),
        ..Finished::default()
    };
    let word = |word: &str, reason: String| Finished {
        outcome: word.to_owned(),
        reason,
        ..finished.clone()
    };
    if job.control.is_asked() {
        return word("stopped", String::new());
    }
    let Some(bytes) = &pretended.makes else {
        return word("failed", "it was to fail".to_owned());
    };
    let declared = job.start.item.iter().flat_map(|item| &item.outputs);
    let outputs: Result<Vec<Made>, _> = declared
        .map(|output| {
            let staged = job.blobs.take_bytes(bytes)?;
            Ok::<_, crate::blobs::BlobError>(Made {
                name: output.name.clone(),
                digest: staged.digest.to_vec(),
                size: staged.size,
                parts: Vec::new(),
            })
        })
        .collect();
    match outputs {
        Ok(outputs) => Finished {
            outputs,
            ..word("done", String::new())
        },
        Err(error) => word("machine", error.to_string()),
    }
}
