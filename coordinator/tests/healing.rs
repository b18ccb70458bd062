//! A store that loses blobs right after they were written: every run still ends with the right bytes.

#![allow(clippy::unwrap_used)]

mod support;

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use support::agent::{FakeAgent, Work, Worker, argument, hello, made_by};
use support::plans::{gather, model_bytes, plan, step};
use support::{Client, Studio};
use tempfile::TempDir;
use tidemill_proto::Digest;
use tidemill_proto::v1::{AgainRequest, ItemState, Start};
use tidemill_store::{Store, StoreError};
use tonic::Code;

const VARIANTS: [&str; 8] = [
    "anchor", "bollard", "capstan", "crate", "fender", "ladder", "mast", "trough",
];
/// Four steps for each variant, one over all.
const ITEMS: u32 = 4 * 8 + 1;

/// Loses blobs that items made, each at most `times` times.
struct Thief {
    root: PathBuf,
    share: f64,
    seed: u64,
    times: u32,
    made: Mutex<HashSet<Digest>>,
    lost: Mutex<HashMap<Digest, u32>>,
    total: AtomicU32,
    over: AtomicBool,
}

impl Thief {
    fn steal(&self) {
        let made: Vec<Digest> = self.made.lock().unwrap().iter().copied().collect();
        for digest in made {
            let mut lost = self.lost.lock().unwrap();
            let count = lost.entry(digest).or_insert(0);
            if *count >= self.times || !self.wants(&digest, *count) {
                continue;
            }
            let hex = digest.to_string();
            let path = self.root.join("store/blobs").join(&hex[..2]).join(&hex);
            // Every other one is damaged instead.
            let done = if (self.seed + u64::from(*count)).is_multiple_of(2) {
                std::fs::remove_file(&path).is_ok()
            } else {
                path.exists()
                    && std::fs::remove_file(&path).is_ok()
                    && std::fs::write(&path, b"rust and worm").is_ok()
            };
            if done {
                *count += 1;
                self.total.fetch_add(1, Ordering::Relaxed);
            }
        }
    }

    /// A share of the blobs, the same for the same seed.
    fn wants(&self, digest: &Digest, count: u32) -> bool {
        let mixed = Digest::of(
            &[
                digest.as_bytes().as_slice(),
                &self.seed.to_le_bytes(),
                &count.to_le_bytes(),
            ]
            .concat(),
        );
        let first = u32::from_le_bytes(mixed.as_bytes()[..4].try_into().unwrap());
        f64::from(first) < self.share * f64::from(u32::MAX)
    }
}

/// Reads its inputs and checks them, as a real agent does.
fn reading(root: &Path, thief: Arc<Thief>) -> Worker {
    let root = root.join("store");
    Arc::new(move |start: &Start| {
        let store = Store::open(&root).unwrap();
        let mut lacks = Vec::new();
        for input in &start.inputs {
            let digest = Digest::from_slice(&input.digest).unwrap();
            match store.read_blob(&digest) {
                Ok(_) => {}
                Err(StoreError::Absent { .. } | StoreError::Corrupt { .. }) => lacks.push(digest),
                Err(error) => panic!("{error}"),
            }
        }
        if !lacks.is_empty() {
            return Work::Lacks(lacks);
        }
        let bytes = made_by(start, &argument(start));
        thief.made.lock().unwrap().insert(Digest::of(&bytes));
        Work::Makes(bytes)
    })
}

/// The bytes that every item has to end with, by address.
async fn expected() -> HashMap<String, Vec<u8>> {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio).await;
    let _agent = FakeAgent::join(
        studio.connect().await,
        hello("ash"),
        "1.0",
        support::agent::honest(),
    )
    .await;
    let run = client.submit(&the_plan()).await;
    client.wait(&run).await;
    let outputs = outputs(&mut client, &run).await;
    studio.close().await;
    outputs
}

fn the_plan() -> tidemill_proto::v1::Plan {
    let mut sheet = gather("sheet");
    sheet.partial = false;
    plan(
        &VARIANTS,
        &[
            step("rough", "a"),
            step("game", "b"),
            step("maps", "c"),
            step("small", "d"),
            sheet,
        ],
    )
}

async fn with_models(studio: &Studio) -> Client {
    let mut client = studio.client().await;
    for variant in VARIANTS {
        client.put(&model_bytes(variant)).await;
    }
    client
}

async fn outputs(client: &mut Client, run: &str) -> HashMap<String, Vec<u8>> {
    let mut found = HashMap::new();
    for row in client.items(run).await {
        found.insert(row.address, row.outputs[0].digest.clone());
    }
    found
}

async fn survives(seed: u64, share: f64, times: u32) {
    let expected = expected().await;
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let thief = Arc::new(Thief {
        root: studio.folder.path().to_owned(),
        share,
        seed,
        times,
        made: Mutex::default(),
        lost: Mutex::default(),
        total: AtomicU32::new(0),
        over: AtomicBool::new(false),
    });
    let working = thief.clone();
    let stealing = std::thread::spawn(move || {
        while !working.over.load(Ordering::Relaxed) {
            working.steal();
            std::thread::sleep(Duration::from_millis(1));
        }
    });
    let worker = reading(studio.folder.path(), thief.clone());
    let ash = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker.clone()).await;
    let oak = FakeAgent::join(studio.connect().await, hello("oak"), "1.0", worker).await;
    let mut client = with_models(&studio).await;
    let begun = Instant::now();
    for round in 0..3 {
        let run = client.submit(&the_plan()).await;
        let row = client.wait(&run).await;
        let counts = row.counts.unwrap();
        let why: Vec<_> = client
            .items(&run)
            .await
            .into_iter()
            .filter(|row| !matches!(row.state(), ItemState::Done | ItemState::Reused))
            .map(|row| format!("{}: {}", row.address, row.reason))
            .collect();
        assert_eq!(
            counts.done + counts.reused,
            ITEMS,
            "round {round}, seed {seed}: {counts:?} {why:?}"
        );
        // What people take out is checked; a loss there has its item made again.
        for (address, digest) in outputs(&mut client, &run).await {
            assert_eq!(digest, expected[&address], "{address}");
            let mut tries = 0;
            while let Err(code) = client.get(&digest, 0).await {
                assert!(matches!(code, Code::NotFound | Code::DataLoss), "{code:?}");
                tries += 1;
                assert!(tries <= 3 * times + 3, "{address} is lost again and again");
                let again = AgainRequest {
                    run: run.clone(),
                    patterns: vec![address.clone()],
                    anew: true,
                };
                client.runs.again(again).await.unwrap();
                let counts = client.wait(&run).await.counts.unwrap();
                assert_eq!(counts.done + counts.reused, ITEMS, "{address} again: {counts:?}");
            }
        }
        assert!(begun.elapsed() < Duration::from_secs(60));
    }
    thief.over.store(true, Ordering::Relaxed);
    stealing.join().unwrap();
    let (lost, started) = (thief.total.load(Ordering::Relaxed), ash.started() + oak.started());
    // A loss costs the item that made the blob, and the tries of those that missed it.
    assert!(
        started <= ITEMS + lost * 10,
        "{started} starts for {lost} lost blobs of {ITEMS} items"
    );
    if share >= 0.2 {
        assert!(lost > 0);
    }
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_that_loses_one_blob_of_a_hundred() {
    for seed in 0..3 {
        survives(seed, 0.01, 1).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_that_loses_one_blob_of_five() {
    for seed in 0..3 {
        survives(seed, 0.2, 1).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_that_loses_the_same_blob_several_times() {
    survives(11, 0.5, 3).await;
}
