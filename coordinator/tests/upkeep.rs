//! Sweeps, checks and figures of the store: beside running batches, and after them.

#![allow(clippy::unwrap_used)]

mod support;

use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use support::agent::{FakeAgent, Work, Worker, argument, hello, honest, made_by};
use support::plans::{model_bytes, plan, plan_of, step};
use support::{Client, Studio};
use tempfile::TempDir;
use tidemill_coordinator::{Config, Coordinator};
use tidemill_proto::Digest;
use tidemill_proto::v1::looks_client::LooksClient;
use tidemill_proto::v1::sweep_event::Phase;
use tidemill_proto::v1::upkeep_client::UpkeepClient;
use tidemill_proto::v1::{
    HistoryRequest, Plan, SearchRequest, SweepEvent, SweepRequest, UsageRequest, UsageRow, VerifyEvent,
    VerifyRequest, usage_row,
};
use tidemill_store::Store;
use tokio_stream::StreamExt;
use tonic::transport::Channel;
use tonic::{Code, Status};

const VARIANTS: [&str; 4] = ["bollard", "capstan", "crate", "trough"];

type Keeper = UpkeepClient<Channel>;

async fn keeper(studio: &Studio) -> Keeper {
    UpkeepClient::new(studio.connect().await)
}

async fn sweep(keeper: &mut Keeper, request: SweepRequest) -> Result<SweepEvent, Status> {
    let mut events = keeper.sweep(request).await?.into_inner();
    let mut last = None;
    while let Some(event) = events.next().await {
        last = Some(event?);
    }
    let last = last.unwrap();
    assert_eq!(last.phase(), Phase::Ended);
    Ok(last)
}

async fn verify(keeper: &mut Keeper) -> Vec<VerifyEvent> {
    let events = keeper
        .verify(VerifyRequest::default())
        .await
        .unwrap()
        .into_inner();
    let events: Vec<VerifyEvent> = events.map(Result::unwrap).collect().await;
    assert!(events.last().unwrap().ended);
    events
}

async fn usage(keeper: &mut Keeper) -> Vec<UsageRow> {
    let rows = keeper.usage(UsageRequest {}).await.unwrap().into_inner();
    rows.map(Result::unwrap).collect().await
}

/// As a person's program does it: put what is missing, submit, and once more if a blob went in between.
async fn submit(client: &mut Client, plan: &Plan, models: &[Vec<u8>]) -> String {
    for _ in 0..20 {
        let asked = tidemill_proto::v1::DigestList {
            digests: models.iter().map(|model| Digest::of(model).to_vec()).collect(),
        };
        let missing = client.blobs.missing(asked).await.unwrap().into_inner().digests;
        for model in models {
            if missing.contains(&Digest::of(model).to_vec()) {
                client.put(model).await;
            }
        }
        match client.try_submit(plan, &[]).await {
            Ok(run) => return run,
            Err(status) => assert_eq!(status.code(), Code::FailedPrecondition, "{status}"),
        }
    }
    panic!("an input went missing again and again");
}

/// Reads every input from the store, as a real agent does, and notes those that are not there.
fn reading(folder: &std::path::Path, gone: Arc<Mutex<Vec<String>>>) -> Worker {
    let root = folder.join("store");
    Arc::new(move |start| {
        let store = Store::open(&root).unwrap();
        for input in &start.inputs {
            let digest = Digest::from_slice(&input.digest).unwrap();
            if let Err(error) = store.read_blob(&digest) {
                gone.lock().unwrap().push(format!("{}: {error}", start.run));
            }
        }
        Work::Makes(made_by(start, &argument(start)))
    })
}

/// A sequence of numbers from a seed (xorshift64, constants from memory).
fn numbers(seed: u64) -> impl FnMut(u64) -> u64 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move |below| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state % below
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sweep_in_a_loop_takes_nothing_from_a_batch_in_a_loop() {
    const KEPT: u32 = 3;
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let gone = Arc::new(Mutex::new(Vec::new()));
    let worker = reading(studio.folder.path(), gone.clone());
    let _agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;

    let (over, sweeps, freed) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicU32::new(0)),
        Arc::new(AtomicU32::new(0)),
    );
    let mut sweeper = keeper(&studio).await;
    let (is_over, swept, blobs) = (over.clone(), sweeps.clone(), freed.clone());
    let sweeping = tokio::spawn(async move {
        while !is_over.load(Ordering::Relaxed) {
            let request = SweepRequest {
                remove: true,
                keep_runs: KEPT,
                grace_ms: 250,
                ..SweepRequest::default()
            };
            let event = sweep(&mut sweeper, request).await.unwrap();
            swept.fetch_add(1, Ordering::Relaxed);
            blobs.fetch_add(u32::try_from(event.freed_blobs).unwrap(), Ordering::Relaxed);
        }
    });

    let mut client = studio.client().await;
    let mut number = numbers(7);
    let begun = Instant::now();
    let mut rounds = 0;
    while begun.elapsed() < Duration::from_secs(5) || sweeps.load(Ordering::Relaxed) < 5 {
        assert!(begun.elapsed() < Duration::from_secs(120));
        rounds += 1;
        // Few kinds of models and steps, so that what went comes again, sometimes in the middle of a sweep.
        let kind = number(3);
        let model = move |variant: &str| format!("{variant} {kind}").into_bytes();
        let models: Vec<Vec<u8>> = VARIANTS.iter().map(|variant| model(variant)).collect();
        let steps = [
            step("rough", ["a", "b"][number(2) as usize]),
            step("game", ["c", "d"][number(2) as usize]),
            step("maps", "e"),
        ];
        let plan = plan_of(&VARIANTS, &steps, &model);
        let run = submit(&mut client, &plan, &models).await;
        let counts = client.wait(&run).await.counts.unwrap();
        assert_eq!(counts.done + counts.reused, 12, "{run}: {counts:?}");
        // The model: what this newest run reads and makes is there, with the right bytes.
        let mut needed: HashSet<Digest> = models.iter().map(|model| Digest::of(model)).collect();
        for row in client.items(&run).await {
            needed.extend(
                row.outputs
                    .iter()
                    .map(|made| Digest::from_slice(&made.digest).unwrap()),
            );
        }
        let store = Store::open(&studio.folder.path().join("store")).unwrap();
        for digest in &needed {
            store
                .read_blob(digest)
                .unwrap_or_else(|error| panic!("{run}: {error}"));
        }
    }
    over.store(true, Ordering::Relaxed);
    sweeping.await.unwrap();
    assert_eq!(*gone.lock().unwrap(), Vec::<String>::new(), "items lacked inputs");
    let (sweeps, freed) = (sweeps.load(Ordering::Relaxed), freed.load(Ordering::Relaxed));
    assert!(
        sweeps >= 5 && freed > 0,
        "{rounds} rounds, {sweeps} sweeps, {freed} blobs"
    );

    // A last one in peace: exactly what kept runs need is left, and all of it is sound.
    let mut keeper = keeper(&studio).await;
    let request = SweepRequest {
        remove: true,
        keep_runs: KEPT,
        ..SweepRequest::default()
    };
    sweep(&mut keeper, request).await.unwrap();
    let runs = client
        .runs
        .history(HistoryRequest::default())
        .await
        .unwrap()
        .into_inner()
        .collect::<Vec<_>>()
        .await;
    assert_eq!(runs.len(), KEPT as usize);
    let last = verify(&mut keeper).await.pop().unwrap();
    assert_eq!((last.damaged_blobs, last.lost_blobs), (0, 0), "{last:?}");
    let rows = usage(&mut keeper).await;
    assert_eq!(rows[1].of(), usage_row::Of::Unneeded);
    assert_eq!(rows[1].blobs, 0, "{rows:?}");
    studio.close().await;
}

async fn two_runs(studio: &Studio) -> (Client, FakeAgent) {
    let mut client = studio.client().await;
    for variant in VARIANTS {
        client.put(&model_bytes(variant)).await;
    }
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    for argument in ["a", "b"] {
        let run = client
            .submit(&plan(&VARIANTS, &[step("rough", argument), step("game", "g")]))
            .await;
        client.wait(&run).await;
    }
    (client, agent)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dry_run_says_exactly_what_a_sweep_frees() {
    let studio = Studio::embedded().await;
    let (mut client, _agent) = two_runs(&studio).await;
    let mut keeper = keeper(&studio).await;
    let request = SweepRequest {
        keep_runs: 1,
        ..SweepRequest::default()
    };
    let nothing = sweep(&mut keeper, SweepRequest::default()).await.unwrap();
    assert_eq!(
        (nothing.freed_blobs, nothing.dropped_runs, nothing.left_over),
        (0, 0, 0)
    );
    // A writer died two days ago.
    let left = studio.folder.path().join("store/incoming/part.of-the-dead");
    std::fs::write(&left, b"half").unwrap();
    let two_days_ago = std::time::SystemTime::now() - Duration::from_secs(2 * 24 * 3600);
    let file = std::fs::File::options().write(true).open(&left).unwrap();
    file.set_modified(two_days_ago).unwrap();
    let dry = sweep(&mut keeper, request).await.unwrap();
    // Eight outputs, the plan; texts and models are shared.
    assert_eq!(
        (dry.freed_blobs, dry.dropped_runs, dry.dropped_results),
        (9, 1, 8),
        "{dry:?}"
    );
    assert_eq!((dry.left_over, dry.left_over_bytes), (1, 4), "{dry:?}");
    let before = usage(&mut keeper).await[0].clone();
    let of_first = usage(&mut keeper)
        .await
        .into_iter()
        .find(|row| row.name == "harbour-dock.1")
        .unwrap();
    assert_eq!(of_first.alone_bytes, dry.freed_bytes);

    // What the history has gathered meanwhile is no obstacle.
    let mut history = LooksClient::new(studio.connect().await);
    let asked = SearchRequest {
        variant: "crate".into(),
        ..SearchRequest::default()
    };
    let found = history.search(asked.clone()).await.unwrap().into_inner();
    assert_eq!(
        found.map(Result::unwrap).collect::<Vec<_>>().await.len(),
        3,
        "sums and two runs"
    );

    // A pinned run is kept whatever the rules say.
    let pin = |pinned| tidemill_proto::v1::PinRequest {
        run: "harbour-dock.1".into(),
        pinned,
    };
    keeper.pin(pin(true)).await.unwrap();
    assert_eq!(sweep(&mut keeper, request).await.unwrap().freed_blobs, 0);
    keeper.pin(pin(false)).await.unwrap();

    let remove = SweepRequest {
        remove: true,
        ..request
    };
    let swept = sweep(&mut keeper, remove).await.unwrap();
    assert_eq!(
        (swept.freed_blobs, swept.freed_bytes, swept.dropped_results),
        (dry.freed_blobs, dry.freed_bytes, dry.dropped_results)
    );
    assert_eq!((swept.left_over, swept.left_over_bytes), (1, 4), "{swept:?}");
    assert!(!left.exists());
    let after = usage(&mut keeper).await[0].clone();
    assert_eq!(before.bytes - after.bytes, dry.freed_bytes);
    assert_eq!(before.blobs - after.blobs, dry.freed_blobs);
    let error = client
        .runs
        .show_run(tidemill_proto::v1::RunRequest {
            run: "harbour-dock.1".into(),
        })
        .await
        .unwrap_err();
    assert_eq!(error.code(), Code::NotFound);

    let found = history.search(asked).await.unwrap().into_inner();
    assert_eq!(
        found.map(Result::unwrap).collect::<Vec<_>>().await.len(),
        2,
        "sums and one run"
    );

    // What went is made anew, what stayed is reused; run numbers go on.
    let run = client
        .submit(&plan(&VARIANTS, &[step("rough", "a"), step("game", "g")]))
        .await;
    assert_eq!(run, "harbour-dock.3");
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 8);
    let run = client
        .submit(&plan(&VARIANTS, &[step("rough", "b"), step("game", "g")]))
        .await;
    assert_eq!(client.wait(&run).await.counts.unwrap().reused, 8);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sweep_that_was_broken_off_goes_on_after_a_restart() {
    let studio = Studio::embedded().await;
    let (_client, agent) = two_runs(&studio).await;
    let mut first = keeper(&studio).await;
    let request = SweepRequest {
        remove: true,
        keep_runs: 1,
        grace_ms: 3_600_000,
        ..SweepRequest::default()
    };
    let mut events = first.sweep(request).await.unwrap().into_inner();
    while let Some(event) = events.next().await {
        if event.unwrap().phase() == Phase::Waits {
            break;
        }
    }
    let other = keeper(&studio).await.sweep(request).await.unwrap_err();
    assert_eq!(other.code(), Code::FailedPrecondition, "one at a time");
    drop(events);
    agent.vanish();
    let studio = Studio::open(studio.close().await, true).await;
    let mut client = studio.client().await;
    // What is about to go counts as absent; who puts it or makes it again keeps it.
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    let run = client.submit(&plan(&VARIANTS, &[step("rough", "a")])).await;
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!((counts.done, counts.reused), (4, 0));
    let mut keeper = keeper(&studio).await;
    let goes_on = SweepRequest {
        grace_ms: 0,
        keep_runs: 2,
        ..request
    };
    let swept = sweep(&mut keeper, goes_on).await.unwrap();
    assert!(swept.resumed, "{swept:?}");
    // Of nine, four are needed again: the rough ones of run 3.
    assert_eq!(swept.freed_blobs, 5, "{swept:?}");
    let last = verify(&mut keeper).await.pop().unwrap();
    assert_eq!((last.damaged_blobs, last.lost_blobs), (0, 0), "{last:?}");
    drop(agent);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flipped_bit_and_a_lost_blob_are_found_and_named() {
    let studio = Studio::embedded().await;
    let (mut client, _agent) = two_runs(&studio).await;
    let rows = client.items("harbour-dock.2").await;
    let path = |address: &str| {
        let row = rows.iter().find(|row| row.address == address).unwrap();
        let hex = Digest::from_slice(&row.outputs[0].digest).unwrap().to_string();
        studio
            .folder
            .path()
            .join("store/blobs")
            .join(&hex[..2])
            .join(&hex)
    };
    let flipped = path("crate/game");
    let mut bytes = std::fs::read(&flipped).unwrap();
    bytes[3] ^= 0x10;
    std::fs::remove_file(&flipped).unwrap();
    std::fs::write(&flipped, bytes).unwrap();
    std::fs::remove_file(path("trough/rough")).unwrap();
    let mut keeper = keeper(&studio).await;
    let events = verify(&mut keeper).await;
    let last = events.last().unwrap();
    assert_eq!((last.damaged_blobs, last.lost_blobs), (1, 1), "{last:?}");
    let mut found: Vec<(String, String)> = events
        .iter()
        .filter_map(|event| event.bad.as_ref())
        .map(|bad| (bad.problem.clone(), bad.items[0].clone()))
        .collect();
    found.sort();
    assert_eq!(
        found,
        [
            ("damaged".to_owned(), "harbour-dock.2/crate/game".to_owned()),
            ("lost".to_owned(), "harbour-dock.2/trough/rough".to_owned())
        ]
    );
    assert!(!flipped.exists(), "set aside");
    // The next run that needs them ends with the right bytes.
    let run = client
        .submit(&plan(&VARIANTS, &[step("rough", "b"), step("game", "g")]))
        .await;
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!((counts.done, counts.reused), (2, 6), "{counts:?}");
    let last = verify(&mut keeper).await.pop().unwrap();
    assert_eq!((last.damaged_blobs, last.lost_blobs), (0, 0), "{last:?}");
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_coordinator_that_reads_its_store_through_finds_damage_that_nobody_asked_for() {
    let studio = Studio::embedded().await;
    let (mut client, _agent) = two_runs(&studio).await;
    let rows = client.items("harbour-dock.2").await;
    let row = rows.iter().find(|row| row.address == "crate/game").unwrap();
    let hex = Digest::from_slice(&row.outputs[0].digest).unwrap().to_string();
    let folder = studio.close().await;
    let flipped = folder.path().join("store/blobs").join(&hex[..2]).join(&hex);
    let mut bytes = std::fs::read(&flipped).unwrap();
    bytes[3] ^= 0x10;
    std::fs::remove_file(&flipped).unwrap();
    std::fs::write(&flipped, bytes).unwrap();

    let config = Config {
        verify_rate: Some(1 << 30),
        ..Config::embedded(folder.path())
    };
    let studio = Studio::with(folder, config).await;
    let until = Instant::now() + Duration::from_secs(20);
    while flipped.exists() {
        assert!(Instant::now() < until, "it was never found");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    // Closing does not wait for a round, however slow: of a byte a second this one would take hours.
    let folder = studio.close().await;
    let config = Config {
        verify_rate: Some(1),
        ..Config::embedded(folder.path())
    };
    let slow = Coordinator::open(config).await.unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let begun = Instant::now();
    slow.close().await;
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
}
