//! The engine: one thread that owns the scheduler and all runs that have not ended. Everything that happens
//! reaches it as an [`Event`]; it drives the scheduler, carries out what that decides, and answers.
//!
//! Nothing is shown as finished, and no agent is told to forget a result, before it is on disk. Blocking work
//! (keys, lookups, rows) happens on the engine's own thread, in slices, so that messages of agents are never
//! far behind; disk syncs happen on the committer's thread.

pub mod agents;
pub mod board;
pub mod clock;
pub mod commit;
pub mod event;
pub mod inputs;
pub mod live;
pub mod logs;
pub mod lookup;
pub mod plan;
pub mod recipe;
pub mod rows;
pub mod tools;
pub mod whereabouts;

mod actions;
mod control;
mod joining;
mod learning;
mod resolving;
mod results;
mod room;
pub mod standing;
mod starting;
mod submitting;
mod summary;
mod upkeep;

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tidemill_proto::v1::Tool;
use tidemill_proto::{LeaseId, RunName};
use tokio::sync::{mpsc, oneshot};
use uuid::Uuid;

use crate::Config;
use crate::query::archive::Archive;
use crate::record::Committer;
use crate::scheduler::{self, Action, ItemId, LeaseNumber, RunId, Scheduler, SeatId};
use agents::AgentBook;
use commit::{Committed, Rows, Ticket};
use event::{Event, LinkId, LiveRuns, Refusal, Reply};
use learning::Learning;
use live::{Lease, LiveRun};
use logs::LogHub;
use whereabouts::Whereabouts;

pub use starting::{OpenArchiveError, Opened, open_archive, open_with};

/// Events that may wait for the engine before senders have to.
const EVENTS_WAITING: usize = 4096;
/// Events taken at a time.
const EVENTS_AT_ONCE: usize = 512;
/// Items looked up between two looks at the events.
const LOOKUPS_AT_ONCE: usize = 256;
/// Items looked up before memory is given back: what a large submission took for a moment, not each small one.
const LOOKUPS_BEFORE_TRIM: u32 = 1000;
/// At so many ticks after that: what the connection and the check of the plan held is let go a little later.
const TRIMS: u8 = 2;
/// How often time passes.
const TICK: Duration = Duration::from_millis(500);

/// How everything else reaches the engine. Clones share it.
#[derive(Clone)]
pub struct EngineHandle {
    events: mpsc::Sender<Event>,
    links: Arc<AtomicU64>,
    /// Names this coordinator process.
    pub start: Uuid,
    /// Runs that have not ended.
    pub live: LiveRuns,
    /// Logs of running items.
    pub logs: LogHub,
}

impl EngineHandle {
    fn new() -> (Self, mpsc::Receiver<Event>) {
        let (events, incoming) = mpsc::channel(EVENTS_WAITING);
        let handle = Self {
            events,
            links: Arc::new(AtomicU64::new(1)),
            start: Uuid::new_v4(),
            live: LiveRuns::default(),
            logs: LogHub::default(),
        };
        (handle, incoming)
    }

    /// Hands an event over; waits while the engine is far behind.
    ///
    /// # Errors
    /// [`Refusal::Closing`] once the engine has ended.
    pub async fn send(&self, event: Event) -> Result<(), Refusal> {
        self.events.send(event).await.map_err(|_| Refusal::Closing)
    }

    /// Asks and waits for the answer.
    ///
    /// # Errors
    /// What the engine refuses, or that it has ended.
    pub async fn ask<T>(&self, event: impl FnOnce(Reply<T>) -> Event) -> Result<T, Refusal> {
        let (reply, answer) = oneshot::channel();
        self.send(event(reply)).await?;
        answer.await.map_err(|_| Refusal::Closing)?
    }

    /// A number for a new stream of an agent.
    pub fn next_link(&self) -> LinkId {
        LinkId(self.links.fetch_add(1, Ordering::Relaxed))
    }
}

/// Tools whose versions somebody waits for.
struct Fixing {
    tools: Vec<Tool>,
    reply: Reply<HashMap<String, String>>,
}

/// The state behind the handle.
pub(crate) struct Engine {
    config: Config,
    start: Uuid,
    archive: Archive,
    /// `None` once the engine closes.
    committer: Option<Committer>,
    scheduler: Scheduler,
    agents: AgentBook,
    runs: HashMap<RunId, LiveRun>,
    by_name: HashMap<RunName, RunId>,
    next_run: u32,
    last_serial: u64,
    starts: u64,
    /// Last number given for a manifest, once it was asked for.
    counters: HashMap<String, u32>,
    leases: HashMap<LeaseNumber, Lease>,
    /// Leases that an agent knows under an id of an earlier time.
    adopted: HashMap<LeaseId, LeaseNumber>,
    seats: HashMap<String, SeatId>,
    learning: Learning,
    /// Of agents that fetch blobs into caches of their own.
    whereabouts: Whereabouts,
    unresolved: VecDeque<ItemId>,
    /// Why nothing is placed: its own disk is nearly full.
    no_room: Option<String>,
    room: room::RoomWatch,
    /// What happened while something else was carried out.
    pending: VecDeque<scheduler::Event>,
    fixing: Vec<Fixing>,
    /// Requests for runs whose end is just being recorded.
    postponed: Vec<Event>,
    /// Rows that nobody waits for, gathered while a batch of events is handled.
    riding: Rows,
    internal: mpsc::UnboundedSender<Event>,
    logs: LogHub,
    live: LiveRuns,
    /// The run and agent numbers taken up by `Action::Adopted` in the step at hand.
    just_adopted: Option<LeaseNumber>,
    closing: Option<oneshot::Sender<()>>,
    ticks: u32,
    /// Items looked up since memory was given back.
    looked_up: u32,
    /// Ticks at which it is still to be given back.
    trims_due: u8,
    /// After a restart: agents that may still hold items of the time before, by their uuids.
    awaited: HashSet<String>,
    /// The clock may go back; the scheduler's time does not.
    last_now: u64,
}

/// Starts the engine on a thread of its own.
///
/// # Errors
/// When the system gives no thread.
pub fn start(config: Config, opened: Opened) -> std::io::Result<EngineHandle> {
    let (handle, incoming) = EngineHandle::new();
    let (internal, from_inside) = mpsc::unbounded_channel();
    // A runtime of its own: only for channels and the clock, and independent of how the caller's ends.
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()?;
    let archive = &opened.archive;
    let committer = Committer::start(archive.record.clone(), archive.store.clone())?;
    let room = room::RoomWatch::start(&config, &internal)?;
    let engine = Engine::new(config, opened, committer, room, internal, &handle);
    std::thread::Builder::new()
        .name("engine".to_owned())
        .spawn(move || runtime.block_on(engine.run(incoming, from_inside)))?;
    Ok(handle)
}

/// Starts the engine as a task of the runtime at hand, with a disk that takes `sync` by that runtime's clock: for
/// simulations. It is the same engine; only threads and clocks are others.
pub fn start_simulated(config: Config, opened: Opened, sync: Duration) -> EngineHandle {
    let (handle, incoming) = EngineHandle::new();
    let (internal, from_inside) = mpsc::unbounded_channel();
    let archive = &opened.archive;
    let committer = Committer::simulated(archive.record.clone(), archive.store.clone(), sync);
    // No disk is asked: its answers would come by the machine's own clock.
    let room = room::RoomWatch::default();
    let engine = Engine::new(config, opened, committer, room, internal, &handle);
    tokio::spawn(engine.run(incoming, from_inside));
    handle
}

impl Engine {
    async fn run(mut self, mut events: mpsc::Receiver<Event>, mut inside: mpsc::UnboundedReceiver<Event>) {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        // Two, since both receivers are polled at the same time.
        let (mut batch, mut own) = (
            Vec::with_capacity(EVENTS_AT_ONCE),
            Vec::with_capacity(EVENTS_AT_ONCE),
        );
        self.take_up_open_runs();
        while self.closing.is_none() {
            let busy = !self.unresolved.is_empty();
            let mut ticked = false;
            tokio::select! {
                biased;
                _ = inside.recv_many(&mut own, EVENTS_AT_ONCE) => {}
                count = events.recv_many(&mut batch, EVENTS_AT_ONCE) => if count == 0 {
                    break; // every handle is gone
                },
                _ = tick.tick() => ticked = true,
                () = std::future::ready(()), if busy => {}
            }
            if ticked {
                self.tick();
            }
            for event in own.drain(..).chain(batch.drain(..)) {
                self.handle(event);
            }
            self.resolve_some(LOOKUPS_AT_ONCE);
            self.flush_riding();
            if self.unresolved.is_empty() && self.looked_up >= LOOKUPS_BEFORE_TRIM {
                self.looked_up = 0;
                self.trims_due = TRIMS;
            }
            if ticked && self.trims_due > 0 {
                self.trims_due -= 1;
                crate::os::give_memory_back();
            }
        }
        self.close(&mut inside);
    }

    fn handle(&mut self, event: Event) {
        match event {
            Event::AgentJoined { link, hello, sender } => self.agent_joined(link, *hello, sender),
            Event::AgentSaid(link, message) => self.agent_said(link, *message),
            Event::AgentLeft(link) => self.agent_left(link),
            Event::Submitted(run, reply) => self.submit(run, reply),
            Event::Stop(run, reply) => self.stop(run, reply),
            Event::Pause(run, paused, reply) => self.pause(run, paused, reply),
            Event::Prefer(run, priority, share, reply) => self.prefer(run, priority, share, reply),
            Event::Again(again, reply) => self.again(again, reply),
            Event::FixTools(tools, reply) => self.fix_tools(tools, reply),
            Event::Explain(run, index, reply) => self.explain(&run, index, reply),
            Event::ListAgents(reply) => self.list_agents(reply),
            Event::Standing(reply) => self.standing(reply),
            Event::Committed(committed) => self.committed(*committed),
            Event::BlobLost(digest) => self.blob_lost(digest),
            Event::RoomSeen(seen) => self.room_seen(&seen),
            Event::Close(reply) => self.closing = Some(reply),
        }
    }

    /// Tells the scheduler what happened and carries out all that follows.
    fn step(&mut self, event: scheduler::Event) {
        self.pending.push_back(event);
        while let Some(event) = self.pending.pop_front() {
            let now = self.scheduler_now();
            self.last_now = now;
            let mut actions: Vec<Action> = Vec::new();
            self.scheduler.step(now, event, &mut actions);
            for action in actions {
                self.perform(action);
            }
        }
    }

    /// Makes rows durable; the ticket comes back as an event.
    fn commit(&mut self, rows: Rows, ticket: Ticket) {
        self.flush_riding(); // what was decided before is on disk before
        let internal = self.internal.clone();
        rows.submit(self.committer.as_ref(), ticket, move |committed: Committed| {
            // An engine that has ended has nobody to tell.
            let _ = internal.send(Event::Committed(Box::new(committed)));
        });
    }

    fn flush_riding(&mut self) {
        if !self.riding.is_empty() {
            std::mem::take(&mut self.riding).submit_unwaited(self.committer.as_ref());
        }
    }

    /// Writes everything down, tells whoever waits for it, and ends.
    fn close(mut self, inside: &mut mpsc::UnboundedReceiver<Event>) {
        self.write_learned();
        self.flush_riding();
        if let Some(committer) = self.committer.take() {
            committer.close();
        }
        while let Ok(event) = inside.try_recv() {
            if let Event::Committed(_) = event {
                self.handle(event);
            }
        }
        self.live
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .clear();
        let closing = self.closing.take();
        drop(self); // the database's lock with it
        if let Some(closing) = closing {
            // Whoever asked may have gone.
            let _ = closing.send(());
        }
    }
}
