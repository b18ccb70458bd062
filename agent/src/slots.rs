//! Slots: each has a thread, a folder and, once it has run something, a launcher, and runs one item after the
//! other. There are as many as items ever ran at once.
//!
//! A thread of its own for each slot, since staging, launching and collecting all block, and since a launcher
//! ends with the thread that started it.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;

use tidemill_proto::v1::{Finished, Start};
use tokio::sync::mpsc::UnboundedSender;

use crate::blobs::Blobs;
use crate::item::folder::SlotFolder;
use crate::item::judge::Verdict;
use crate::item::run::{self, Heard, Surroundings};
use crate::launcher::{Control, Groups, Launcher};
use crate::simulated::{self, Work};
use crate::tools::ToolBox;

/// One item for a slot.
pub(crate) struct Job {
    pub start: Box<Start>,
    pub control: Control,
    pub blobs: Arc<Blobs>,
}

/// What a slot tells.
pub(crate) enum SlotEvent {
    Heard {
        lease: String,
        heard: Heard,
    },
    /// The slot may be given the next item.
    Finished {
        slot: usize,
        finished: Box<Finished>,
    },
}

/// What all slots share.
pub(crate) struct Shared {
    pub folder: PathBuf,
    pub tools: Arc<ToolBox>,
    pub worker: Vec<OsString>,
    pub launcher: Vec<OsString>,
    pub events: UnboundedSender<SlotEvent>,
    /// Where items get a control group each, if that may be.
    pub groups: Option<Arc<Groups>>,
}

/// All slots of an agent.
pub(crate) struct Slots {
    shared: Arc<Shared>,
    /// Instead of threads and processes, in a simulation.
    simulated: Option<Work>,
    slots: Vec<Slot>,
    idle: Vec<usize>,
}

struct Slot {
    jobs: mpsc::Sender<Job>,
    thread: JoinHandle<()>,
}

impl Slots {
    pub(crate) fn new(shared: Shared) -> Self {
        Self {
            shared: Arc::new(shared),
            simulated: None,
            slots: Vec::new(),
            idle: Vec::new(),
        }
    }

    /// From now on nothing is run: `work` says what would come of it.
    pub(crate) fn simulate(&mut self, work: Work) {
        self.simulated = Some(work);
    }

    /// Gives a job to an idle slot, or to a new one. Fails only if the system gives no thread.
    pub(crate) fn run(&mut self, job: Job) -> std::io::Result<()> {
        if let Some(work) = &self.simulated {
            simulated::start(job, Arc::clone(work), self.shared.events.clone());
            return Ok(());
        }
        let number = match self.idle.pop() {
            Some(number) => number,
            None => self.add()?,
        };
        self.slots[number]
            .jobs
            .send(job)
            .map_err(|_| std::io::Error::other(format!("slot {number} has ended")))
    }

    /// To be told of every [`SlotEvent::Finished`].
    pub(crate) fn is_idle(&mut self, slot: usize) {
        self.idle.push(slot);
    }

    /// Ends all threads and their launchers, once what they run has ended. Blocks.
    pub(crate) fn close(self) {
        let threads: Vec<_> = self.slots.into_iter().map(|slot| slot.thread).collect();
        for thread in threads {
            if thread.join().is_err() {
                tracing::error!("a slot's thread had panicked");
            }
        }
    }

    fn add(&mut self) -> std::io::Result<usize> {
        let number = self.slots.len();
        let (jobs, received) = mpsc::channel();
        let shared = Arc::clone(&self.shared);
        let thread = std::thread::Builder::new()
            .name(format!("slot-{number}"))
            .spawn(move || serve(number, &shared, &received))?;
        self.slots.push(Slot { jobs, thread });
        Ok(number)
    }
}

/// A slot's life: one job after the other, until nobody can send one any more.
fn serve(number: usize, shared: &Shared, jobs: &mpsc::Receiver<Job>) {
    let path = shared.folder.join(number.to_string());
    let group = shared.groups.as_ref();
    let group = group.map_or_else(PathBuf::new, |groups| groups.path(&format!("slot-{number}")));
    let mut launcher = None;
    let mut folder = None;
    while let Ok(job) = jobs.recv() {
        let finished = Box::new(run_job(&job, shared, (&path, &group), &mut folder, &mut launcher));
        // The result first: cleaning up is not what anybody waits for.
        if shared
            .events
            .send(SlotEvent::Finished {
                slot: number,
                finished,
            })
            .is_err()
        {
            return;
        }
        if let Some(Err(error)) = folder.as_mut().map(SlotFolder::clean) {
            tracing::warn!(slot = number, %error, "could not clean a slot's folder; trying again with the next item");
            folder = None;
        }
    }
}

fn run_job(
    job: &Job,
    shared: &Shared,
    (path, group): (&Path, &Path),
    folder: &mut Option<SlotFolder>,
    launcher: &mut Option<Launcher>,
) -> Finished {
    let folder = match folder {
        Some(folder) => folder,
        none => match SlotFolder::open(path) {
            Ok(opened) => none.insert(opened),
            Err(error) => return no_folder(&job.start, path, &error),
        },
    };
    let mut around = Surroundings {
        blobs: &job.blobs,
        tools: &shared.tools,
        worker: &shared.worker,
        launcher_command: &shared.launcher,
        launcher,
        folder,
        control: &job.control,
        group,
    };
    run::run(&job.start, &mut around, &mut |heard| {
        // Nobody listens any more once the agent is gone; the item will be ended soon.
        let _ = shared.events.send(SlotEvent::Heard {
            lease: job.start.lease.clone(),
            heard,
        });
    })
}

fn no_folder(start: &Start, path: &Path, error: &std::io::Error) -> Finished {
    let now = run::unix_ms();
    let mut finished = Finished {
        lease: start.lease.clone(),
        started_ms: now,
        ended_ms: now,
        ..Finished::default()
    };
    Verdict::machine(format!(
        "cannot prepare the slot's folder {}: {error}",
        path.display()
    ))
    .put_into(&mut finished);
    finished
}
