//! The state of one agent and what it does about each event.

use std::fs::{File, TryLockError};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::Digest;
use tidemill_proto::v1::{
    Declined, Finished, FromAgent, Hello, LentSpan, LogPiece, OperationVersion, Report, Start, ToAgent,
    ToolAnswer, Welcome, from_agent, to_agent,
};
use tidemill_store::backend::{self, Address, Backend};
use tidemill_store::{Store, id_name};
use tokio::runtime::Handle;
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

use super::backoff::Backoff;
use super::leases::Leases;
use super::session::Session;
use crate::blobs::{Blobs, Direct};
use crate::config::Config;
use crate::error::AgentError;
use crate::item::judge::{Verdict, mib_text};
use crate::item::run::{Heard, unix_ms};
use crate::launcher::{Control, Groups};
use crate::lending::{OpeningCache, Taking};
use crate::machine::aside::Stance;
use crate::machine::meter::Meter;
use crate::simulated::Work;
use crate::slots::{Job, Shared, SlotEvent, Slots};
use crate::tools::ToolBox;

/// Until a Welcome says otherwise.
const REPORT_EVERY: Duration = Duration::from_secs(2);
/// On shutdown: how long ended items may take to be gone, and results to be settled.
const ENDING_LIMIT: Duration = Duration::from_secs(15);
const SETTLING_LIMIT: Duration = Duration::from_secs(2);

/// Why items are handed back when other programs come first.
const OWNER_IS_BUSY: &str = "the machine's owner needs it";

/// One agent.
pub(crate) struct Agent {
    /// Of the data folder, for as long as the agent lives.
    _lock: File,
    config: Config,
    channel: Channel,
    id: String,
    tools: Arc<ToolBox>,
    slots: Slots,
    leases: Leases,
    meter: Meter,
    blobs: Option<Arc<Blobs>>,
    /// Of the coordinator that it last spoke to.
    coordinator_start: String,
    report_every: Duration,
    /// It is about to end: takes nothing new.
    leaving: bool,
    /// Whether its owner's rules let it take items, by the last look.
    taking: Taking,
    opening: OpeningCache,
    slot_events: mpsc::UnboundedReceiver<SlotEvent>,
    /// For pauses between attempts to join.
    random: Box<dyn FnMut() -> u32 + Send>,
    /// Answers that were looked for on another thread.
    answers: (
        mpsc::UnboundedSender<ToolAnswer>,
        mpsc::UnboundedReceiver<ToolAnswer>,
    ),
    /// Results to be told again, once what they name is known to be there.
    again: (mpsc::UnboundedSender<Finished>, mpsc::UnboundedReceiver<Finished>),
    /// Ends what looks for that.
    looking: Control,
}

/// Why a session, or the wait for one, ended.
enum Left {
    /// The stream was lost or could not be made.
    Lost(String),
    Refused(String),
    /// The agent was asked to end.
    Asked,
}

impl Agent {
    /// Makes the agent's folders. Blocks.
    pub(crate) fn open(config: Config, channel: Channel) -> Result<Self, AgentError> {
        std::fs::create_dir_all(&config.data).map_err(AgentError::data("create", &config.data))?;
        let lock = own_alone(&config.data)?;
        let tools_folder = config.data.join("tools");
        let tools = ToolBox::open(
            config.tools.clone(),
            config.launcher.clone(),
            tools_folder.clone(),
        )
        .map_err(AgentError::data("create", &tools_folder))?;
        let tools = Arc::new(tools);
        let (events, slot_events) = mpsc::unbounded_channel();
        let id = own_id(&config.data)?;
        let groups = config
            .item_groups
            .then(|| item_groups(&id, &config.data))
            .flatten();
        let slots = Slots::new(Shared {
            folder: config.data.join("slots"),
            tools: Arc::clone(&tools),
            worker: config.worker.clone(),
            launcher: config.launcher.clone(),
            events,
            groups: groups.clone(),
        });
        Ok(Self {
            _lock: lock,
            id,
            meter: Meter::new(&config, groups)?,
            config,
            channel,
            tools,
            slots,
            leases: Leases::default(),
            blobs: None,
            coordinator_start: String::new(),
            report_every: REPORT_EVERY,
            leaving: false,
            taking: Taking::default(),
            opening: OpeningCache::default(),
            slot_events,
            random: Box::new(|| uuid::Uuid::new_v4().as_u128() as u32),
            answers: mpsc::unbounded_channel(),
            again: mpsc::unbounded_channel(),
            looking: Control::default(),
        })
    }

    /// For simulations: items come to what `work` says, and pauses are drawn from `random`.
    pub(crate) fn simulate(&mut self, work: Work, random: Box<dyn FnMut() -> u32 + Send>) {
        self.slots.simulate(work);
        self.random = random;
    }

    /// Joins, again and again, until `shutdown`; then ends in order.
    pub(crate) async fn run(mut self, shutdown: CancellationToken) -> Result<(), AgentError> {
        let mut backoff = Backoff::default();
        let result = loop {
            let pause = match self.one_session(&shutdown, &mut backoff).await {
                Left::Asked => break Ok(()),
                Left::Refused(reason) if self.config.give_up_when_refused => {
                    break Err(AgentError::Refused(reason));
                }
                Left::Refused(reason) => {
                    let pause = Backoff::refused((self.random)());
                    tracing::error!(
                        reason,
                        "the coordinator refuses this agent; trying again in {pause:?}"
                    );
                    pause
                }
                Left::Lost(reason) => {
                    let pause = backoff.next((self.random)());
                    tracing::warn!(reason, "not joined to the coordinator; trying again in {pause:?}");
                    pause
                }
            };
            if let Left::Asked = self.wait_apart(pause, &shutdown).await {
                break Ok(());
            }
        };
        self.looking.end();
        // Without a stream nobody can be told; a restarted coordinator counts what is held as lost.
        self.leases.hand_back_all("the agent ends");
        let slots = self.slots;
        drop(self.leases);
        // If the runtime is going away, so is the process, and the launchers with it.
        let _ = tokio::task::spawn_blocking(move || slots.close()).await;
        result
    }

    /// Between two sessions: items go on.
    async fn wait_apart(&mut self, pause: Duration, shutdown: &CancellationToken) -> Left {
        let until = Instant::now() + pause;
        loop {
            tokio::select! {
                () = shutdown.cancelled() => return Left::Asked,
                () = tokio::time::sleep_until(until) => return Left::Lost(String::new()),
                Some(event) = self.slot_events.recv() => drop(self.on_slot_event(event)),
            }
        }
    }

    async fn one_session(&mut self, shutdown: &CancellationToken, backoff: &mut Backoff) -> Left {
        let hello = self.hello().await;
        let joining = Session::join(self.channel.clone(), hello);
        let (mut session, welcome) = tokio::select! {
            () = shutdown.cancelled() => return Left::Asked,
            joined = joining => match joined {
                Ok(joined) => joined,
                Err(left) => return left.into(),
            },
        };
        if let Err(reason) = self.on_welcome(&welcome).await {
            return Left::Lost(reason);
        }
        backoff.reset();
        for finished in self.leases.keep_only(&welcome.keep) {
            self.tell_again(finished);
        }
        let left = self.converse(&mut session, shutdown).await;
        if let Left::Asked = left {
            self.take_leave(session).await;
        }
        left
    }

    async fn converse(&mut self, session: &mut Session, shutdown: &CancellationToken) -> Left {
        let mut reports = tokio::time::interval(self.report_every);
        reports.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let told = tokio::select! {
                () = shutdown.cancelled() => return Left::Asked,
                message = session.hear() => match message {
                    Ok(message) => self.on_message(message),
                    Err(left) => return left.into(),
                },
                Some(event) = self.slot_events.recv() => self.on_slot_event(event),
                Some(answer) = self.answers.1.recv() => Some(from_agent::Message::Tool(answer)),
                Some(finished) = self.again.1.recv() => Some(from_agent::Message::Finished(finished)),
                _ = reports.tick() => Some(self.on_tick()),
            };
            if let Some(message) = told
                && session.tell(message).is_err()
            {
                return Left::Lost("the coordinator does not take messages".into());
            }
        }
    }

    /// Ends in order: lets items finish as long as the owner allows, hands the others back, says goodbye.
    async fn take_leave(&mut self, mut session: Session) {
        self.leaving = true;
        let _ = session.tell(self.on_tick());
        let drained = Instant::now() + self.config.drain_limit;
        self.converse_until(&mut session, drained, |agent| agent.leases.running() == 0)
            .await;
        self.leases.hand_back_all("the agent ends");
        let ended = Instant::now() + ENDING_LIMIT;
        self.converse_until(&mut session, ended, |agent| agent.leases.running() == 0)
            .await;
        let settled = Instant::now() + SETTLING_LIMIT;
        self.converse_until(&mut session, settled, |agent| agent.leases.is_empty())
            .await;
        session.leave("the agent ends").await;
    }

    async fn converse_until(
        &mut self,
        session: &mut Session,
        until: Instant,
        is_over: impl Fn(&Self) -> bool,
    ) {
        while !is_over(self) {
            let told = tokio::select! {
                () = tokio::time::sleep_until(until) => return,
                message = session.hear() => match message {
                    Ok(message) => self.on_message(message),
                    Err(_) => return,
                },
                Some(event) = self.slot_events.recv() => self.on_slot_event(event),
                Some(finished) = self.again.1.recv() => Some(from_agent::Message::Finished(finished)),
            };
            if let Some(message) = told
                && session.tell(message).is_err()
            {
                return;
            }
        }
    }

    async fn hello(&mut self) -> Hello {
        let tools = Arc::clone(&self.tools);
        // Programs may have to be asked, which takes its time.
        let versions = tokio::task::spawn_blocking(move || tools.versions())
            .await
            .unwrap_or_default();
        let held = self.leases.held();
        self.look_at_rules();
        let machine = self.meter.machine();
        Hello {
            agent: self.id.clone(),
            name: if self.config.name.is_empty() {
                crate::machine::host_name()
            } else {
                self.config.name.clone()
            },
            version: env!("CARGO_PKG_VERSION").to_owned(),
            protocol: tidemill_proto::PROTOCOL,
            cores: machine.cores,
            memory_bytes: machine.memory_bytes,
            any_program: self.tools.any_program(),
            tools: versions,
            operations: tidemill_ops::all()
                .iter()
                .map(|operation| OperationVersion {
                    name: operation.name.to_owned(),
                    version: operation.version,
                })
                .collect(),
            offers: self.config.offers.clone(),
            holds: held.iter().map(|held| held.lease.clone()).collect(),
            budget: Some(self.report()),
            start_id: self.coordinator_start.clone(),
            longest_lending_ms: self.config.lending.longest_ms().unwrap_or(0),
            held,
        }
    }

    /// A result that the coordinator has not on its disk: a power cut may have taken the bytes too, which were on their way to
    /// the same disk. They are sent again, if they are still here, before the result is told; else the item would run again.
    fn tell_again(&self, finished: Finished) {
        let again = self.again.0.clone();
        let (Some(blobs), looking) = (self.blobs.clone(), self.looking.clone()) else {
            return drop(again.send(finished));
        };
        tokio::task::spawn_blocking(move || {
            if let Err(error) = blobs.hand_over(&named_by(&finished), &looking) {
                tracing::info!(%error, lease = finished.lease, "what an item made could not be sent again");
            }
            // An agent that is gone has nobody to tell.
            let _ = again.send(finished);
        });
    }

    /// Finds out how to get at blobs.
    async fn on_welcome(&mut self, welcome: &Welcome) -> Result<(), String> {
        self.coordinator_start.clone_from(&welcome.start_id);
        if welcome.report_ms > 0 {
            self.report_every = Duration::from_millis(welcome.report_ms.into());
        }
        let is_same = self.blobs.as_ref().is_some_and(|blobs| match blobs.direct_id() {
            Some(id) => id == welcome.store_id,
            // What cannot be got at directly now may be at the next joining, but only a folder is looked at each time.
            None => self.config.through_coordinator || !can_see_store(welcome),
        });
        if is_same {
            return Ok(());
        }
        let (welcome, channel) = (welcome.clone(), self.channel.clone());
        let (config, runtime) = (self.config.clone(), Handle::current());
        let opened =
            tokio::task::spawn_blocking(move || open_blobs(&welcome, &config, channel, runtime)).await;
        let blobs = opened
            .map_err(|error| error.to_string())?
            .map_err(|error| error.to_string())?;
        self.blobs = Some(Arc::new(blobs));
        Ok(())
    }

    fn on_message(&mut self, message: ToAgent) -> Option<from_agent::Message> {
        match message.message? {
            to_agent::Message::Start(start) => self.on_start(start),
            to_agent::Message::End(end) => {
                self.leases.end(&end.lease);
                None
            }
            to_agent::Message::Settled(settled) => {
                self.leases.settled(&settled.lease);
                None
            }
            to_agent::Message::Tool(question) => {
                let (tools, answers) = (Arc::clone(&self.tools), self.answers.0.clone());
                // A program may have to be asked; meanwhile everything else goes on.
                tokio::task::spawn_blocking(move || answers.send(tool_answer(&tools, question.program)));
                None
            }
            // Both only stand at the beginning; a second one changes nothing.
            to_agent::Message::Welcome(_) | to_agent::Message::Refused(_) => None,
        }
    }

    fn on_start(&mut self, start: Start) -> Option<from_agent::Message> {
        let lease = start.lease.clone();
        let declined = |reason: String| {
            Some(from_agent::Message::Declined(Declined {
                lease: lease.clone(),
                reason,
            }))
        };
        let Some(blobs) = self.blobs.clone() else {
            return declined("the agent has no way to blobs".into());
        };
        if let Err(reason) = self.fits(&start) {
            return declined(reason);
        }
        let control = Control::default();
        if !self.leases.start(&start, control.clone(), unix_ms()) {
            return None;
        }
        let job = Job {
            start: Box::new(start),
            control,
            blobs,
        };
        let Err(error) = self.slots.run(job) else {
            return None;
        };
        let mut finished = Finished {
            lease: lease.clone(),
            ..Default::default()
        };
        Verdict::machine(format!("no slot for an item: {error}")).put_into(&mut finished);
        self.leases.finished(finished)
    }

    /// Looks again: things may have changed since the report that the coordinator decided on.
    fn fits(&mut self, start: &Start) -> Result<(), String> {
        if self.leaving {
            return Err("the agent is about to end".into());
        }
        self.look_at_rules();
        if let Some(refusal) = &self.taking.refusal {
            return Err(refusal.clone());
        }
        let (millicores, bytes) = self.leases.booked();
        if millicores + start.millicores > self.config.millicores {
            let (lent, wanted) = (self.config.millicores, start.millicores);
            return Err(format!(
                "{wanted} millicores do not fit: {millicores} of {lent} are in use"
            ));
        }
        let items = self.leases.memory_bytes();
        let lendable = self.meter.lendable_bytes_now(items);
        // A little more than what was reported is no reason to send an item back and forth.
        if bytes + start.estimate_memory_bytes > lendable + lendable / 20 {
            let (wanted, lent) = (mib_text(start.estimate_memory_bytes), mib_text(lendable));
            return Err(format!(
                "{wanted} do not fit: {} of {lent} are booked",
                mib_text(bytes)
            ));
        }
        Ok(())
    }

    fn on_slot_event(&mut self, event: SlotEvent) -> Option<from_agent::Message> {
        match event {
            SlotEvent::Heard {
                lease,
                heard: Heard::Log(data),
            } => Some(from_agent::Message::Log(LogPiece { lease, data })),
            SlotEvent::Heard {
                lease,
                heard: Heard::Sample { memory_bytes, cpu_ms },
            } => {
                self.leases.sample(&lease, memory_bytes, cpu_ms);
                None
            }
            SlotEvent::Heard {
                lease,
                heard: Heard::ProcessEnded { cpu_ms },
            } => self.leases.process_ended(&lease, cpu_ms, self.most_collecting()),
            SlotEvent::Finished { slot, finished } => {
                self.slots.is_idle(slot);
                self.leases.finished(*finished)
            }
        }
    }

    /// Items that may be collected while others run in their place. Where collecting is the slow part (a slow link
    /// to the store), more would only pile up.
    fn most_collecting(&self) -> usize {
        self.config.millicores.div_ceil(1000) as usize
    }

    fn on_tick(&mut self) -> from_agent::Message {
        self.meter.read(self.leases.cpu_ms(), self.leases.memory_bytes());
        if self.meter.is_pressed() && self.leases.hand_back_youngest("the machine is short of memory") {
            tracing::warn!("the machine is short of memory: the youngest item is handed back");
        }
        if self.meter.stance() == Stance::Yielding && self.leases.hand_back_all(OWNER_IS_BUSY) {
            tracing::info!("stepping aside for other programs: items are handed back");
        }
        let refused = self.taking.refusal.clone();
        self.look_at_rules();
        if refused != self.taking.refusal {
            let why = self.taking.refusal.as_deref().unwrap_or("taking items");
            tracing::info!(why, "what this machine lends has changed");
        }
        from_agent::Message::Report(self.report())
    }

    /// Looks at clock, disk and load by the owner's rules.
    fn look_at_rules(&mut self) {
        let lending = &self.config.lending;
        let free_disk = (lending.keep_disk_bytes > 0).then(|| self.meter.free_disk_bytes(&self.config.data));
        self.taking = lending.taking(
            &mut self.opening,
            jiff::Timestamp::now(),
            free_disk.flatten(),
            self.meter.stance(),
        );
    }

    fn report(&self) -> Report {
        let lent = self.meter.lent();
        Report {
            millicores: lent.millicores,
            memory_bytes: lent.memory_bytes,
            load_cores: lent.load_cores,
            used_memory_bytes: self.leases.memory_bytes(),
            accepting: !self.leaving && self.taking.refusal.is_none(),
            closes_in_ms: self.taking.closes_in_ms(jiff::Timestamp::now()),
            refusal: self.taking.refusal.clone().unwrap_or_default(),
            fetches: self
                .blobs
                .as_ref()
                .is_some_and(|blobs| blobs.direct_id().is_none()),
            lends_ahead: self
                .config
                .lending
                .ahead_ms(jiff::Timestamp::now())
                .into_iter()
                .map(|(from_in_ms, to_in_ms)| LentSpan { from_in_ms, to_in_ms })
                .collect(),
        }
    }
}

impl From<super::session::Ended> for Left {
    fn from(ended: super::session::Ended) -> Self {
        match ended {
            super::session::Ended::Lost(reason) => Self::Lost(reason),
            super::session::Ended::Refused(reason) => Self::Refused(reason),
        }
    }
}

/// Wraps a message for the wire.
pub(super) fn wire(message: from_agent::Message) -> FromAgent {
    FromAgent {
        message: Some(message),
    }
}

/// All blobs that a result names.
fn named_by(finished: &Finished) -> Vec<Digest> {
    let outputs = finished.outputs.iter().flat_map(|made| {
        let parts = made.parts.iter().map(Vec::as_slice);
        parts.chain([made.digest.as_slice()])
    });
    let log = [finished.log.as_slice()];
    let named = outputs
        .chain(log)
        .filter_map(|digest| Digest::from_slice(digest).ok());
    named.collect()
}

fn tool_answer(tools: &ToolBox, program: String) -> ToolAnswer {
    match tools.find(&program) {
        Ok(tool) => ToolAnswer {
            program,
            exact: tool.exact,
            found_at: tool.path.display().to_string(),
        },
        Err(error) => {
            tracing::info!(%error, "a tool was asked for");
            ToolAnswer {
                program,
                ..ToolAnswer::default()
            }
        }
    }
}

/// Whether the coordinator's store is a folder that this machine has too.
fn can_see_store(welcome: &Welcome) -> bool {
    if welcome.store_path.is_empty() || welcome.store_id.is_empty() {
        return false;
    }
    let id = std::fs::read_to_string(Path::new(&welcome.store_path).join("store-id"));
    id.is_ok_and(|id| id.trim() == welcome.store_id)
}

fn open_blobs(
    welcome: &Welcome,
    config: &Config,
    channel: Channel,
    runtime: Handle,
) -> Result<Blobs, tidemill_store::StoreError> {
    let own = config.data.join("cache");
    let cache = config.cache_folder.as_deref().unwrap_or(&own);
    let fetching = |direct| Blobs::remote(cache, config, channel, runtime, direct);
    if config.through_coordinator {
        return fetching(None);
    }
    let address: Option<Address> = welcome.store_path.parse().ok();
    if let Some(address) = address.filter(|address| !matches!(address, Address::Folder(_))) {
        let far = find_store(&address, &welcome.store_id);
        if let Err(reason) = &far {
            tracing::info!(%address, reason, "the store cannot be used directly; going through the coordinator");
        }
        let direct = far.ok().map(|backend| Direct {
            id: welcome.store_id.clone(),
            backend,
        });
        return fetching(direct);
    }
    if can_see_store(welcome) {
        match Store::open(Path::new(&welcome.store_path)) {
            Ok(store) => return Ok(Blobs::direct(store)),
            Err(error) => {
                tracing::warn!(%error, "the store's folder is there but cannot be used; fetching instead")
            }
        }
    }
    fetching(None)
}

/// Groups in which the kernel limits the memory of items; what is said of them is for the owner of the machine.
fn item_groups(id: &str, data: &Path) -> Option<Arc<Groups>> {
    match Groups::make(id, &data.join("item-groups")) {
        Ok(groups) => {
            let place = groups.path("");
            tracing::info!(place = %place.display(), "the kernel limits the memory of items");
            Some(Arc::new(groups))
        }
        Err(reason) => {
            tracing::info!(
                reason,
                "the memory of items is limited by looking at them again and again"
            );
            None
        }
    }
}

/// Takes the data folder: two agents in it would clear each other's slots and bear one id.
fn own_alone(data: &Path) -> Result<File, AgentError> {
    let path = data.join("agent.lock");
    let opened = File::options()
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path);
    let file = opened.map_err(AgentError::data("open", &path))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(AgentError::Taken {
            path: data.to_owned(),
        }),
        Err(TryLockError::Error(error)) => Err(AgentError::data("lock", &path)(error)),
    }
}

/// The share or bucket of the coordinator's store, if this machine can use the very same.
fn find_store(address: &Address, id: &str) -> Result<Arc<dyn Backend>, String> {
    let backend = backend::open(address)
        .map_err(|error| error.to_string())?
        .ok_or("it is a folder")?;
    match backend.size(&id_name(id)) {
        Ok(Some(_)) => Ok(backend),
        Ok(None) => Err("what is there is another store".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

/// The agent's id, which stays the same for as long as its data does.
fn own_id(data: &Path) -> Result<String, AgentError> {
    let path = data.join("agent-id");
    match std::fs::read_to_string(&path) {
        Ok(text) if uuid::Uuid::try_parse(text.trim()).is_ok() => return Ok(text.trim().to_owned()),
        Ok(_) => tracing::warn!(path = %path.display(), "not an id; the agent takes a new one"),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => return Err(AgentError::data("read", &path)(error)),
    }
    let id = uuid::Uuid::new_v4().to_string();
    std::fs::write(&path, format!("{id}\n")).map_err(AgentError::data("write", &path))?;
    Ok(id)
}
