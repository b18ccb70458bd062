//! What survives: restarts, lost agents, lost and damaged blobs.

#![allow(clippy::unwrap_used)]

mod support;

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use support::agent::{FakeAgent, Work, Worker, argument, hello, honest, made_by, work};
use support::plans::{model_bytes, plan, step};
use support::{Client, Studio};
use tempfile::TempDir;
use tidemill_coordinator::{Config, Coordinator, OpenError};
use tidemill_proto::Digest;
use tidemill_proto::v1::{
    AgentsRequest, Finished, HandBack, Held, ItemRequest, RunRequest, RunState, Start, from_agent,
};
use tidemill_store::Store;
use tokio::sync::mpsc;
use tonic::Code;

const VARIANTS: [&str; 3] = ["bollard", "crate", "trough"];

async fn with_models(studio: &Studio) -> Client {
    let mut client = studio.client().await;
    for variant in VARIANTS {
        client.put(&model_bytes(variant)).await;
    }
    client
}

/// Hands every start to the test and never ends by itself.
fn watched() -> (Worker, mpsc::UnboundedReceiver<Start>) {
    let (sender, starts) = mpsc::unbounded_channel();
    let worker: Worker = Arc::new(move |start: &Start| {
        let _ = sender.send(start.clone());
        Work::Hangs
    });
    (worker, starts)
}

fn result_of(studio: &Studio, start: &Start, bytes: &[u8]) -> Finished {
    let store = Store::open(&studio.folder.path().join("store")).unwrap();
    let (sender, _receiver) = mpsc::unbounded_channel();
    work(start, &store, Work::Makes(bytes.to_vec()), &sender).unwrap()
}

fn short_grace(folder: &TempDir, grace: Duration) -> Config {
    Config {
        lost_grace: grace,
        ..Config::studio(folder.path())
    }
}

async fn until(what: &str, mut holds: impl AsyncFnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(20);
    while !holds().await {
        assert!(Instant::now() < deadline, "waited too long for: {what}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_data_folder_has_one_owner() {
    let studio = Studio::embedded().await;
    let second = Coordinator::open(Config::embedded(studio.folder.path())).await;
    assert!(matches!(second, Err(OpenError::Owned { .. })));
    let folder = studio.close().await;
    Coordinator::open(Config::embedded(folder.path()))
        .await
        .unwrap()
        .close()
        .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_new_embedded_owner_stops_what_was_open_and_reuses_what_is_done() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio).await;
    let worker: Worker = Arc::new(|start: &Start| match argument(start).as_str() {
        "b" => Work::Hangs,
        said => Work::Makes(made_by(start, said)),
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let steps = [step("rough", "a"), step("game", "b")];
    let run = client.submit(&plan(&VARIANTS, &steps)).await;
    let mut watcher = client.clone();
    until("the first step", async || {
        watcher
            .states("harbour-dock.1")
            .await
            .iter()
            .filter(|state| state.ends_with("/rough done"))
            .count()
            == 3
    })
    .await;
    agent.vanish();
    let studio = Studio::open(studio.close().await, true).await;
    let mut client = studio.client().await;
    let row = client
        .runs
        .show_run(RunRequest { run })
        .await
        .unwrap()
        .into_inner();
    let counts = row.counts.unwrap();
    assert_eq!(
        (row.state(), counts.done, counts.stopped),
        (RunState::Ended, 3, 3)
    );
    let states = client.states("harbour-dock.1").await;
    assert!(states.contains(&"crate/game stopped".to_owned()), "{states:?}");
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    let run = client.submit(&plan(&VARIANTS, &steps)).await;
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!(
        (run.as_str(), counts.reused, counts.done),
        ("harbour-dock.2", 3, 3)
    );
    assert_eq!(agent.started(), 3);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_studio_takes_its_runs_up_again_with_what_agents_hold() {
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let mut client = with_models(&studio).await;
    let (worker, mut starts) = watched();
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&VARIANTS, &[step("rough", "a")])).await;
    let (first, second) = (starts.recv().await.unwrap(), starts.recv().await.unwrap());
    let old_start = agent.welcome.start_id.clone();
    let folder = studio.close().await;
    agent.vanish();

    let studio = Studio::open(folder, false).await;
    let held = |start: &Start| Held {
        lease: start.lease.clone(),
        run: start.run.clone(),
        item: support::agent::address(start).to_owned(),
        attempt: start.attempt,
        millicores: start.millicores,
        memory_bytes: start.estimate_memory_bytes,
        started_ms: 1,
        process_ended: false,
    };
    let mut says = hello("ash");
    says.start_id = old_start;
    says.holds = vec![first.lease.clone(), second.lease.clone(), "nonsense".into()];
    says.held = vec![held(&first), held(&second)];
    let agent = FakeAgent::join(studio.connect().await, says, "1.0", honest()).await;
    assert_eq!(agent.welcome.keep, [first.lease.clone(), second.lease.clone()]);
    for start in [&first, &second] {
        let result = result_of(&studio, start, &made_by(start, "a"));
        agent.say(from_agent::Message::Finished(result));
    }
    let mut client = studio.client().await;
    let row = client.wait(&run).await;
    assert_eq!(row.counts.unwrap().done, 3);
    assert_eq!(agent.started(), 1, "what was held was not started again");
    // The results are recorded under their keys.
    let again = client.submit(&plan(&VARIANTS, &[step("rough", "a")])).await;
    assert_eq!(client.wait(&again).await.counts.unwrap().reused, 3);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_items_of_a_lost_agent_run_elsewhere_after_the_grace() {
    let folder = TempDir::new().unwrap();
    let config = short_grace(&folder, Duration::from_millis(300));
    let studio = Studio::with(folder, config).await;
    let mut client = with_models(&studio).await;
    let (worker, mut starts) = watched();
    let ash = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&VARIANTS, &[step("rough", "a")])).await;
    let start = starts.recv().await.unwrap();
    starts.recv().await.unwrap();
    ash.vanish();
    let oak = FakeAgent::join(studio.connect().await, hello("oak"), "1.0", honest()).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 3);
    assert_eq!(oak.started(), 3);
    let agents = client
        .runs
        .list_agents(AgentsRequest {})
        .await
        .unwrap()
        .into_inner()
        .agents;
    let seen: Vec<_> = agents
        .iter()
        .map(|row| (row.name.as_str(), row.state.as_str()))
        .collect();
    assert_eq!(seen, [("ash", "away"), ("oak", "here")]);
    let item = support::agent::address(&start).to_owned();
    let view = client
        .runs
        .show_item(ItemRequest { run, item })
        .await
        .unwrap()
        .into_inner();
    let outcomes: Vec<_> = view
        .attempts_made
        .iter()
        .map(|attempt| attempt.outcome.as_str())
        .collect();
    assert_eq!(outcomes, ["lost", "done"]);
    assert!(view.attempts_made.iter().all(|attempt| !attempt.charged));
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_agent_that_comes_back_in_time_goes_on() {
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let mut client = with_models(&studio).await;
    let (worker, mut starts) = watched();
    let ash = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker.clone()).await;
    let run = client.submit(&plan(&["crate"], &[step("rough", "a")])).await;
    let start = starts.recv().await.unwrap();
    let mut says = hello("ash");
    says.start_id = ash.welcome.start_id.clone();
    says.holds = vec![start.lease.clone()];
    ash.vanish();
    let ash = FakeAgent::join(studio.connect().await, says, "1.0", worker).await;
    assert_eq!(ash.welcome.keep, std::slice::from_ref(&start.lease));
    // Said twice, counted once.
    for _ in 0..2 {
        ash.say(from_agent::Message::Finished(result_of(
            &studio, &start, b"planks",
        )));
    }
    let row = client.wait(&run).await;
    assert_eq!((row.counts.unwrap().done, row.attempts), (1, 1));
    assert_eq!(ash.started(), 0);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn handing_back_costs_no_retry_and_strangers_cannot_report_results() {
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let mut client = with_models(&studio).await;
    let (worker, mut starts) = watched();
    let ash = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&["crate"], &[step("rough", "a")])).await;
    let start = starts.recv().await.unwrap();
    let (idle, mut none) = watched();
    let mut other = hello("oak");
    other.budget = None;
    let oak = FakeAgent::join(studio.connect().await, other, "1.0", idle).await;
    // A lease that was given to someone else is refused.
    oak.say(from_agent::Message::Finished(result_of(
        &studio, &start, b"forged",
    )));
    ash.say(from_agent::Message::HandBack(HandBack {
        lease: start.lease.clone(),
        reason: "memory".into(),
    }));
    ash.report(); // the memory is there again
    let start = tokio::select! {
        start = starts.recv() => start.unwrap(),
        _ = none.recv() => panic!("an agent that lends nothing got an item"),
    };
    assert_eq!(start.attempt, 2);
    ash.say(from_agent::Message::Finished(result_of(
        &studio, &start, b"planks",
    )));
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 1);
    let items = client.items(&run).await;
    assert_eq!(items[0].outputs[0].digest, Digest::of(b"planks").to_vec());
    let request = ItemRequest {
        run,
        item: "crate/rough".into(),
    };
    let view = client.runs.show_item(request).await.unwrap().into_inner();
    let seen: Vec<_> = view
        .attempts_made
        .iter()
        .map(|a| (a.outcome.as_str(), a.charged))
        .collect();
    assert_eq!(seen, [("handed-back", false), ("done", false)]);
    studio.close().await;
}

fn blob_path(studio: &Studio, digest: &[u8]) -> PathBuf {
    let name = Digest::from_slice(digest).unwrap().to_string();
    studio
        .folder
        .path()
        .join("store/blobs")
        .join(&name[..2])
        .join(&name)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn lost_and_damaged_blobs_are_noticed_and_made_again() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio).await;
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    let wanted = plan(&["crate"], &[step("rough", "a"), step("game", "b")]);
    client.submit(&wanted).await;
    client.wait("harbour-dock.1").await;
    let made = client.items("harbour-dock.1").await[1].outputs[0].digest.clone();
    let path = blob_path(&studio, &made);
    // Another byte of the same length, as a failing disk would do.
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[0] ^= 1;
    std::fs::remove_file(&path).unwrap();
    std::fs::write(&path, bytes).unwrap();
    assert_eq!(client.get(&made, 0).await, Err(Code::DataLoss));
    assert_eq!(
        client.get(&made, 0).await,
        Err(Code::NotFound),
        "it was set aside"
    );
    assert_eq!(
        std::fs::read_dir(studio.folder.path().join("store/aside"))
            .unwrap()
            .count(),
        1
    );
    client.submit(&wanted).await;
    let counts = client.wait("harbour-dock.2").await.counts.unwrap();
    assert_eq!((counts.reused, counts.done), (1, 1));
    assert_eq!(Digest::of(&client.get(&made, 0).await.unwrap()).to_vec(), made);
    assert_eq!(agent.started(), 3);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_input_that_an_agent_cannot_have_is_made_again() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio).await;
    let complained = Arc::new(AtomicBool::new(false));
    let (flag, root) = (complained.clone(), studio.folder.path().join("store/blobs"));
    let (report, mut complaints) = mpsc::unbounded_channel();
    let worker: Worker = Arc::new(move |start: &Start| {
        if argument(start) == "b" && !flag.swap(true, Ordering::SeqCst) {
            let name = Digest::from_slice(&start.inputs[0].digest).unwrap().to_string();
            std::fs::remove_file(root.join(&name[..2]).join(&name)).unwrap();
            let _ = report.send(start.clone());
            return Work::Hangs;
        }
        Work::Makes(made_by(start, &argument(start)))
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client
        .submit(&plan(&["crate"], &[step("rough", "a"), step("game", "b")]))
        .await;
    let start = complaints.recv().await.unwrap();
    agent.say(from_agent::Message::Finished(Finished {
        lease: start.lease.clone(),
        outcome: "machine".into(),
        reason: "an input could not be had".into(),
        lacking: vec![start.inputs[0].digest.clone()],
        ..Finished::default()
    }));
    agent.report();
    let row = client.wait(&run).await;
    assert_eq!(row.counts.unwrap().done, 2);
    let mut started = agent.addresses.lock().unwrap().clone();
    started.sort();
    assert_eq!(
        started.iter().filter(|address| *address == "crate/rough").count(),
        2,
        "{started:?}"
    );
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_late_result_of_a_lost_agent_counts_and_frees_the_one_that_took_over() {
    let folder = TempDir::new().unwrap();
    let config = short_grace(&folder, Duration::from_millis(50));
    let studio = Studio::with(folder, config).await;
    let mut client = with_models(&studio).await;
    let (worker, mut starts) = watched();
    let ash = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&["crate"], &[step("rough", "a")])).await;
    let start = starts.recv().await.unwrap();
    let old_start = ash.welcome.start_id.clone();
    ash.vanish();
    let (worker, mut taken) = watched();
    let oak = FakeAgent::join(studio.connect().await, hello("oak"), "1.0", worker).await;
    taken.recv().await.unwrap();
    // It comes back with a result, but its lease is no longer its own: it is told to drop what it holds.
    let mut says = hello("ash");
    says.start_id = old_start;
    says.holds = vec![start.lease.clone()];
    let ash = FakeAgent::join(
        studio.connect().await,
        says,
        "1.0",
        Arc::new(|_: &Start| Work::Hangs),
    )
    .await;
    ash.say(from_agent::Message::Finished(result_of(
        &studio, &start, b"planks",
    )));
    let row = client.wait(&run).await;
    assert_eq!(row.counts.unwrap().done, 1);
    assert_eq!(client.items(&run).await[0].agent, "ash");
    // The other one ended its process: nothing stays booked anywhere.
    let mut runs = client.runs.clone();
    until("bookings to be free", async || {
        let agents = runs
            .list_agents(AgentsRequest {})
            .await
            .unwrap()
            .into_inner()
            .agents;
        agents
            .iter()
            .all(|row| row.booked_millicores == 0 && row.running.is_empty())
    })
    .await;
    drop(oak);
    studio.close().await;
}
