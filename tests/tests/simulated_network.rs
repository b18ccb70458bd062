//! The coordinator's engine and services and the agents' sessions, as they are, over a network that exists in a simulation
//! only: links are cut, one way or both, packets are held back or late, agents and the coordinator lose their power, all
//! at moments that a seed chooses. Whatever happens: every run ends with all items done, each result is recorded once with
//! the bytes that its item makes, and nothing runs more often than the faults explain. The one item that may fail on the way
//! is one under which two agents were lost, as is promised; the artist then says `again`.
//!
//! Simulated are the network (turmoil), every clock, the processes of items (they only take their time) and the disk under
//! the record (a map that survives a power cut, with a sync that takes time). Not simulated: the store's folder, a real one.
//!
//! `TIDEMILL_SOAK_NETWORK=1000` sets the number of seeds, `TIDEMILL_SEED=17` runs that one alone.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use hyper_util::rt::TokioIo;
use prost::Message as _;
use tidemill_agent::simulated::{Pretended, Work};
use tidemill_agent::{Config as AgentConfig, NamedTool, Tools};
use tidemill_coordinator::engine::clock;
use tidemill_coordinator::record::{self, MemoryRecord, Op, Record, Scan, Visitor, keys};
use tidemill_coordinator::{Config, Coordinator};
use tidemill_plan::{Options, Survey, SurveyedFile};
use tidemill_proto::Digest;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::submit_part::Part;
use tidemill_proto::v1::{
    AgainRequest, HistoryRequest, ItemRow, ItemState, ItemsRequest, Plan, RunRow, RunState, Start,
    SubmitHeader, SubmitPart,
};
use tidemill_store::Store;
use tokio_util::sync::CancellationToken;
use tonic::transport::{Channel, Endpoint, Uri};
use turmoil::net::{TcpListener, TcpStream};

const AGENTS: [&str; 3] = ["ash", "elm", "oak"];
const VARIANTS: usize = 6;
const ITEMS: usize = 2 * VARIANTS + 1;
/// Faults begin within this time; an undisturbed run takes about as long.
const DISTURBED: Duration = Duration::from_secs(9);
/// A simulation that is not over by then hangs.
const LIMIT: Duration = Duration::from_secs(900);
/// By then all agents have joined, and what was first said to the coordinator is on disk.
const FIRST_SYNCS: Duration = Duration::from_millis(250);
/// Leases that one agent can lose, with two cores: those that run, and as many whose results are on their way.
const LEASES_OF_AN_AGENT: usize = 4;

const MANIFEST: &str = r#"[manifest]
name = "quay"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.rough]
from = { file = "{model}" }
program = ["load", "{file}", "{made}"]
makes = { made = "{variant}.rough.txt" }
needs = { memory = "16 MiB", cores = 1 }

[step.worn]
from = { file = "rough.made" }
program = ["load", "{file}", "{made}"]
makes = { made = "{variant}.worn.txt" }
needs = { memory = "32 MiB", cores = 1 }

[step.tally]
each = "all"
from = { files = "worn.made" }
program = ["load", "{files}", "{made}"]
makes = { made = "tally.txt" }
needs = { memory = "16 MiB", cores = 2 }
"#;

/// Deterministic numbers without a pattern: a linear congruential generator with the constants of Knuth's MMIX
/// (from memory).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.next() % bound
    }
}

// ---- the connection

/// A connection in the simulation, as the server wants it.
struct Wire(TcpStream);

impl tonic::transport::server::Connected for Wire {
    type ConnectInfo = ();
    fn connect_info(&self) {}
}

impl tokio::io::AsyncRead for Wire {
    fn poll_read(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
        buffer: &mut tokio::io::ReadBuf<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.0).poll_read(context, buffer)
    }
}

impl tokio::io::AsyncWrite for Wire {
    fn poll_write(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
        bytes: &[u8],
    ) -> std::task::Poll<std::io::Result<usize>> {
        std::pin::Pin::new(&mut self.0).poll_write(context, bytes)
    }
    fn poll_flush(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.0).poll_flush(context)
    }
    fn poll_shutdown(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.0).poll_shutdown(context)
    }
}

/// As the agent's program does it, with shorter times.
fn channel() -> Channel {
    Endpoint::from_static("http://mill:7420")
        .connect_timeout(Duration::from_secs(5))
        .http2_keep_alive_interval(Duration::from_secs(2))
        .keep_alive_timeout(Duration::from_secs(2))
        .keep_alive_while_idle(true)
        .connect_with_connector_lazy(tower::service_fn(|_: Uri| async {
            Ok::<_, std::io::Error>(TokioIo::new(TcpStream::connect("mill:7420").await?))
        }))
}

/// The simulation's clock, as Unix time.
fn now_ms() -> i64 {
    static BASE: OnceLock<i64> = OnceLock::new();
    let base = BASE.get_or_init(|| SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis() as i64);
    base + turmoil::sim_elapsed().unwrap_or_default().as_millis() as i64
}

// ---- what survives a power cut

/// Rows in a map, and how often a result was written under each key.
#[derive(Default)]
struct Watched {
    rows: MemoryRecord,
    results: Mutex<BTreeMap<Vec<u8>, usize>>,
}

impl Record for Watched {
    fn commit(&self, ops: &[Op]) -> record::Result<()> {
        let mut results = self.results.lock().unwrap();
        for op in ops {
            if let Op::Put { key, .. } = op
                && key.starts_with(&keys::results())
            {
                *results.entry(key.clone()).or_default() += 1;
            }
        }
        self.rows.commit(ops)
    }
    fn get(&self, key: &[u8]) -> record::Result<Option<Vec<u8>>> {
        self.rows.get(key)
    }
    fn visit(&self, scan: &Scan, each: Visitor<'_>) -> record::Result<()> {
        self.rows.visit(scan, each)
    }
}

// ---- the hosts

fn coordinator_config(folder: &Path) -> Config {
    Config {
        silence_limit: Duration::from_secs(3),
        lost_grace: Duration::from_secs(2),
        report_every: Duration::from_secs(1),
        keep_disk_bytes: Some(0),
        ..Config::studio(folder.join("mill"))
    }
}

async fn be_the_mill(folder: PathBuf, record: Arc<dyn Record>, sync: Duration) -> turmoil::Result {
    let coordinator = Coordinator::open_simulated(coordinator_config(&folder), record, sync)?;
    let listener = TcpListener::bind("0.0.0.0:7420").await?;
    let incoming = futures::stream::unfold(listener, |listener| async move {
        let accepted = listener.accept().await.map(|(stream, _)| Wire(stream));
        Some((accepted, listener))
    });
    coordinator
        .serve(Box::pin(incoming), CancellationToken::new())
        .await?;
    Ok(())
}

/// What an item makes: its address, and what it read.
fn made_by(start: &Start) -> Vec<u8> {
    let mut bytes = start.item.as_ref().unwrap().address.clone().into_bytes();
    for input in &start.inputs {
        bytes.extend_from_slice(&input.digest);
    }
    bytes
}

/// Half a second to four, by what the item is; it tells when it starts.
fn work(starts: Arc<Mutex<Vec<String>>>) -> Work {
    Arc::new(move |start: &Start| {
        let address = start.item.as_ref().unwrap().address.clone();
        let sum: u64 = address
            .bytes()
            .fold(7, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte.into()));
        starts.lock().unwrap().push(address);
        Pretended {
            elapsed: Duration::from_millis(500 + sum % 3500),
            makes: Some(made_by(start)),
        }
    })
}

async fn be_an_agent(folder: PathBuf, name: &'static str, work: Work, seed: u64) -> turmoil::Result {
    let config = AgentConfig {
        name: name.to_owned(),
        millicores: 2000,
        memory_bytes: 128 << 20,
        tools: Tools::Named(vec![NamedTool {
            name: "load".to_owned(),
            path: "/bin/true".into(),
            version: Some("1".to_owned()),
        }]),
        fixed_budget: true,
        give_up_when_refused: false,
        ..AgentConfig::embedded(folder.join(name))?
    };
    let mut numbers = Numbers(seed);
    let random = Box::new(move || numbers.next() as u32);
    tidemill_agent::simulated::run(config, channel(), CancellationToken::new(), work, random).await?;
    Ok(())
}

/// What the artist saw at the end, and on the way there.
#[derive(Default)]
struct Told {
    ended: Vec<(RunRow, Vec<ItemRow>)>,
    /// Items that failed since two agents were lost while they ran.
    given_up: usize,
}

/// Submits, tries again for as long as it takes, and waits until every run has ended; what was given up runs again.
async fn be_the_artist(plan: Plan, told: Arc<Mutex<Told>>) -> turmoil::Result {
    const PATIENCE: Duration = Duration::from_secs(10);
    let mut submitted = false;
    loop {
        let mut runs = RunsClient::new(channel());
        let tried = tokio::time::timeout(PATIENCE, async {
            if !submitted {
                let header = Part::Header(SubmitHeader {
                    person: "artist".to_owned(),
                    ..SubmitHeader::default()
                });
                let parts =
                    [header, Part::Plan(plan.encode_to_vec())].map(|part| SubmitPart { part: Some(part) });
                runs.submit(tokio_stream::iter(parts)).await?;
                submitted = true;
            }
            let mut all = Vec::new();
            let mut rows = runs.history(HistoryRequest::default()).await?.into_inner();
            while let Some(row) = rows.message().await? {
                let asked = ItemsRequest {
                    run: row.run.clone(),
                    ..ItemsRequest::default()
                };
                let mut items = runs.items(asked).await?.into_inner();
                let mut found = Vec::new();
                while let Some(item) = items.message().await? {
                    found.push(item);
                }
                all.push((row, found));
            }
            if all.iter().any(|(row, _)| row.state() != RunState::Ended) {
                return Ok(None);
            }
            let mut opened = false;
            for (row, items) in &all {
                let given_up = items.iter().filter(|item| was_given_up(item)).count();
                if given_up > 0 {
                    let again = AgainRequest {
                        run: row.run.clone(),
                        ..AgainRequest::default()
                    };
                    runs.again(again).await?;
                    told.lock().unwrap().given_up += given_up;
                    opened = true;
                }
            }
            Ok::<_, tonic::Status>((!opened).then_some(all))
        })
        .await;
        if let Ok(Ok(Some(all))) = tried {
            told.lock().unwrap().ended = all;
            return Ok(());
        }
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
}

fn was_given_up(item: &ItemRow) -> bool {
    item.state() == ItemState::Failed && item.reason.starts_with("two agents went down")
}

// ---- the faults

#[derive(Debug, Clone, Copy)]
enum Fault {
    Cut,
    CutTowardsMill,
    CutFromMill,
    Held,
    Slow,
    AgentLosesPower,
    MillLosesPower,
    ArtistIsCutOff,
}

const FAULTS: [Fault; 8] = [
    Fault::Cut,
    Fault::CutTowardsMill,
    Fault::CutFromMill,
    Fault::Held,
    Fault::Slow,
    Fault::AgentLosesPower,
    Fault::MillLosesPower,
    Fault::ArtistIsCutOff,
];

/// Late packets come so late.
const SLOW: Duration = Duration::from_millis(1500);
const QUICK: Duration = Duration::from_millis(40);

/// A fault from one moment to another.
#[derive(Debug, Clone, Copy)]
struct Event {
    at: Duration,
    ends: bool,
    fault: Fault,
    agent: &'static str,
}

/// In every fourth simulation all agents stay where they are, and only the other machines fail.
fn events(seed: u64, numbers: &mut Numbers) -> Vec<Event> {
    let kinds = if seed % 4 == 3 { &FAULTS[6..] } else { &FAULTS[..] };
    let mut all = Vec::new();
    for _ in 0..2 + numbers.below(6) {
        let from = Duration::from_millis(numbers.below(DISTURBED.as_millis() as u64));
        // Half of them shorter than it takes to be given up, half of them longer.
        let long = numbers.below(2) == 0;
        let lasts = Duration::from_millis(200 + numbers.below(if long { 25_000 } else { 4_000 }));
        let fault = kinds[numbers.below(kinds.len() as u64) as usize];
        let agent = AGENTS[numbers.below(AGENTS.len() as u64) as usize];
        for (at, ends) in [(from, false), (from + lasts, true)] {
            all.push(Event {
                at,
                ends,
                fault,
                agent,
            });
        }
    }
    all.sort_by_key(|event| event.at);
    all
}

fn happen(sim: &mut turmoil::Sim<'_>, event: Event) {
    let Event { agent, ends, .. } = event;
    match (event.fault, ends) {
        (Fault::Cut, false) => sim.partition(agent, "mill"),
        (Fault::CutTowardsMill, false) => sim.partition_oneway(agent, "mill"),
        (Fault::CutFromMill, false) => sim.partition_oneway("mill", agent),
        (Fault::Cut | Fault::CutTowardsMill | Fault::CutFromMill, true) => sim.repair(agent, "mill"),
        (Fault::Held, false) => sim.hold(agent, "mill"),
        (Fault::Held, true) => sim.release(agent, "mill"),
        (Fault::Slow, false) => sim.set_link_max_message_latency(agent, "mill", SLOW),
        (Fault::Slow, true) => sim.set_link_max_message_latency(agent, "mill", QUICK),
        (Fault::AgentLosesPower, false) => sim.crash(agent),
        (Fault::AgentLosesPower, true) if !sim.is_host_running(agent) => sim.bounce(agent),
        (Fault::MillLosesPower, false) => sim.crash("mill"),
        (Fault::MillLosesPower, true) if !sim.is_host_running("mill") => sim.bounce("mill"),
        (Fault::AgentLosesPower | Fault::MillLosesPower, true) => {}
        (Fault::ArtistIsCutOff, false) => sim.partition("artist", "mill"),
        (Fault::ArtistIsCutOff, true) => sim.repair("artist", "mill"),
    }
}

// ---- one simulation

fn plan() -> (Plan, Vec<Vec<u8>>) {
    let models: Vec<Vec<u8>> = (0..VARIANTS)
        .map(|number| format!("bale {number}").into_bytes())
        .collect();
    let file = |(number, bytes): (usize, &Vec<u8>)| {
        let file = SurveyedFile {
            digest: Digest::of(bytes),
            size: bytes.len() as u64,
            model: None,
            companions: Vec::new(),
            folder: false,
        };
        (format!("base/bale-{number}.txt"), file)
    };
    let survey = Survey {
        files: models.iter().enumerate().map(file).collect(),
        texts: BTreeMap::new(),
    };
    let planned = tidemill_plan::plan(
        MANIFEST,
        "quay.toml",
        &survey,
        tidemill_ops::all(),
        &Options::default(),
    );
    (planned.unwrap().plan, models)
}

/// Folders in memory, where there are some: nothing of a simulation has to survive a real power cut.
fn scratch() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    match memory.is_dir() {
        true => tempfile::tempdir_in(memory).unwrap(),
        false => tempfile::tempdir().unwrap(),
    }
}

/// What one simulation came to.
struct Simulated {
    elapsed: Duration,
    starts: usize,
    given_up: usize,
}

fn simulate(seed: u64) -> Simulated {
    clock::simulate(now_ms);
    let mut numbers = Numbers(seed.wrapping_mul(0x9e37_79b9).wrapping_add(1));
    let folder = scratch();
    let (plan, models) = plan();
    assert_eq!(plan.items.len(), ITEMS);
    let store_path = folder.path().join("mill/store");
    let store = Store::open_owner(&store_path).unwrap();
    let digests: Vec<Digest> = models
        .iter()
        .map(|bytes| store.stage_bytes(bytes).unwrap().digest)
        .collect();
    store.commit(&digests).unwrap();
    drop(store);

    let mut sim = turmoil::Builder::new()
        .rng_seed(seed)
        .simulation_duration(LIMIT)
        .tick_duration(Duration::from_millis(10))
        .min_message_latency(Duration::from_millis(1))
        .max_message_latency(QUICK)
        .tcp_capacity(4096)
        .build();
    let record: Arc<Watched> = Arc::default();
    let starts: Arc<Mutex<Vec<String>>> = Arc::default();
    let told: Arc<Mutex<Told>> = Arc::default();
    let sync = Duration::from_millis(5 + numbers.below(60));
    let (kept, place) = (record.clone(), folder.path().to_owned());
    sim.host("mill", move || be_the_mill(place.clone(), kept.clone(), sync));
    for (number, name) in AGENTS.into_iter().enumerate() {
        let (place, work, seed) = (
            folder.path().to_owned(),
            work(starts.clone()),
            seed << 8 | number as u64,
        );
        sim.host(name, move || be_an_agent(place.clone(), name, work.clone(), seed));
    }
    sim.client("artist", be_the_artist(plan.clone(), Arc::clone(&told)));

    let all = events(seed, &mut numbers);
    let mut coming = all.iter().copied().peekable();
    loop {
        while let Some(event) = coming.next_if(|event| event.at <= sim.elapsed()) {
            happen(&mut sim, event);
        }
        let over = sim
            .step()
            .unwrap_or_else(|error| panic!("seed {seed}: {error}; {all:#?}"));
        if over {
            break;
        }
    }
    let elapsed = sim.elapsed();
    drop(sim);
    let told = told.lock().unwrap();
    let starts = starts.lock().unwrap();
    check(
        &Seen {
            seed,
            events: &all,
            plan: &plan,
            store_path: &store_path,
            told: &told,
            starts: &starts,
        },
        &record,
    );
    Simulated {
        elapsed,
        starts: starts.len(),
        given_up: told.given_up,
    }
}

struct Seen<'a> {
    seed: u64,
    events: &'a [Event],
    plan: &'a Plan,
    store_path: &'a Path,
    told: &'a Told,
    starts: &'a [String],
}

/// How many starts the faults can cost. An agent that is lost costs what it held. A coordinator that is started again awaits its
/// agents, so its own power cuts cost nothing, unless agents were out of reach too.
fn explained(events: &[Event]) -> usize {
    let begun = |wanted: fn(&Fault) -> bool| {
        let begins = |event: &&Event| !event.ends && wanted(&event.fault);
        events.iter().filter(begins).count()
    };
    let of_agents = begun(|fault| !matches!(fault, Fault::MillLosesPower | Fault::ArtistIsCutOff));
    let of_the_mill = match of_agents {
        0 => 0,
        _ => begun(|fault| matches!(fault, Fault::MillLosesPower)) * AGENTS.len(),
    };
    // That an agent is there rides along with the next sync: a power cut before it forgets agents that have begun already.
    let at_once = events
        .iter()
        .any(|event| !event.ends && matches!(event.fault, Fault::MillLosesPower) && event.at < FIRST_SYNCS);
    let forgotten = if at_once { AGENTS.len() } else { 0 };
    (of_agents + of_the_mill + forgotten) * LEASES_OF_AN_AGENT
}

fn check(seen: &Seen<'_>, record: &Watched) {
    let told = || format!("seed {}: {:#?}", seen.seed, seen.events);
    assert!(!seen.told.ended.is_empty(), "{}", told());
    // It takes two agents that were lost for an item to be given up.
    let losing = |event: &&Event| !event.ends && !matches!(event.fault, Fault::ArtistIsCutOff);
    let losses = seen.events.iter().filter(losing).count();
    assert!(
        seen.told.given_up <= losses / 2 * VARIANTS,
        "{} items were given up\n{}",
        seen.told.given_up,
        told()
    );
    let store = Store::open(seen.store_path).unwrap();
    let mut outputs: BTreeMap<&str, Vec<u8>> = BTreeMap::new();
    for (row, items) in &seen.told.ended {
        assert_eq!(items.len(), ITEMS, "{}", told());
        for item in items {
            let is_there = matches!(item.state(), ItemState::Done | ItemState::Reused);
            assert!(is_there, "{} of {}: {item:?}\n{}", item.address, row.run, told());
            // The bytes are those that this item makes of what it reads, in every run.
            let digest = Digest::from_slice(&item.outputs[0].digest).unwrap();
            let bytes = store.read_blob(&digest).unwrap();
            assert!(bytes.starts_with(item.address.as_bytes()), "{}", told());
            let other = outputs.entry(&item.address).or_insert_with(|| bytes.clone());
            assert_eq!(*other, bytes, "{}", told());
        }
    }
    // Each key was recorded once, and there is one for every item of the plan.
    let results = record.results.lock().unwrap();
    assert_eq!(results.len(), seen.plan.items.len(), "{}", told());
    let twice: Vec<usize> = results.values().copied().filter(|times| *times != 1).collect();
    assert!(twice.is_empty(), "results written {twice:?} times\n{}", told());
    let mut done = 0;
    let visited = record.visit(&Scan::of(keys::results()), &mut |_, _| {
        done += 1;
        ControlFlow::Continue(())
    });
    visited.unwrap();
    assert_eq!(done, ITEMS, "{}", told());
    // Every item ran, and not more often than the faults explain.
    let different: BTreeSet<&String> = seen.starts.iter().collect();
    assert_eq!(different.len(), ITEMS, "{}", told());
    let most = ITEMS + explained(seen.events);
    assert!(
        seen.starts.len() <= most,
        "{} starts, {most} are explained\n{}",
        seen.starts.len(),
        told()
    );
}

#[test]
fn whatever_the_network_does_every_run_ends_and_each_result_is_recorded_once() {
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let seeds = match number("TIDEMILL_SEED") {
        Some(seed) => seed..seed + 1,
        None => 0..number("TIDEMILL_SOAK_NETWORK").unwrap_or(12),
    };
    let (mut simulated, mut starts, mut disturbed, mut given_up) = (Duration::ZERO, 0, 0, 0);
    for seed in seeds.clone() {
        let one = simulate(seed);
        simulated += one.elapsed;
        starts += one.starts;
        disturbed += usize::from(one.starts > ITEMS);
        given_up += one.given_up;
    }
    let count = (seeds.end - seeds.start) as usize;
    println!(
        "{count} seeds, {} simulated seconds, {starts} items started for {}; in {disturbed} seeds a fault cost a start; \
         {given_up} items were given up after two agents were lost",
        simulated.as_secs(),
        count * ITEMS
    );
    // Otherwise the faults came too late or were too weak, and nothing was tried.
    assert!(count < 12 || disturbed * 4 >= count, "{disturbed} of {count}");
}
