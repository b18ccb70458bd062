//! Watching and following while things happen, and how fast many small items pass.

mod support;

use std::sync::Arc;
use std::time::Instant;

use support::Studio;
use support::agent::{FakeAgent, Work, Worker, hello, honest};
use support::plans::{model_bytes, plan_of, step};
use tidemill_proto::v1::{
    Finished, ItemState, LogPiece, LogRequest, RunRequest, RunState, Start, WatchRequest, from_agent,
    watch_event,
};
use tokio::sync::mpsc;
use tokio_stream::StreamExt;
use tokio_util::sync::CancellationToken;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watcher_sees_the_whole_state_first_and_the_end_last() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    client.put(&model_bytes("crate")).await;
    let plan = plan_of(&["crate"], &[step("rough", "a"), step("game", "b")], &model_bytes);
    let run = client.submit(&plan).await;
    let request = WatchRequest {
        run: run.clone(),
        quiet: false,
    };
    let mut events = client.runs.watch(request.clone()).await.unwrap().into_inner();
    let mut take = async || events.next().await.unwrap().unwrap().event.unwrap();
    assert!(matches!(take().await, watch_event::Event::Run(row) if row.run == run));
    for address in ["crate/rough", "crate/game"] {
        assert!(matches!(take().await, watch_event::Event::Item(row) if row.address == address));
    }
    let _agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    let mut last = Vec::new();
    while let Some(event) = events.next().await {
        last.push(event.unwrap().event.unwrap());
    }
    let Some(watch_event::Event::Run(row)) = last.last() else {
        panic!("the run's row comes last")
    };
    assert_eq!((row.state(), row.counts.unwrap().done), (RunState::Ended, 2));
    let done = |event: &&watch_event::Event| matches!(event, watch_event::Event::Item(row) if row.state() == ItemState::Done);
    assert_eq!(last.iter().filter(done).count(), 2);
    // Of an ended run: the whole state, then the end.
    let events = client.runs.watch(request).await.unwrap().into_inner();
    assert_eq!(events.collect::<Vec<_>>().await.len(), 4);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_log_is_followed_while_its_item_runs() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    client.put(&model_bytes("crate")).await;
    let (sender, mut starts) = mpsc::unbounded_channel();
    let worker: Worker = Arc::new(move |start: &Start| {
        let _ = sender.send(start.clone());
        Work::Hangs
    });
    let run = client
        .submit(&plan_of(&["crate"], &[step("rough", "a")], &model_bytes))
        .await;
    // Followed before anything runs.
    let request = LogRequest {
        run: run.clone(),
        item: "crate/rough".into(),
        attempt: 0,
        follow: true,
    };
    let mut log = client.runs.log(request).await.unwrap().into_inner();
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let start = starts.recv().await.unwrap();
    let piece = |text: &str| {
        from_agent::Message::Log(LogPiece {
            lease: start.lease.clone(),
            data: text.as_bytes().to_vec(),
        })
    };
    agent.say(piece("sanding\n"));
    assert_eq!(log.next().await.unwrap().unwrap().data, b"sanding\n");
    agent.say(piece("oiling\n"));
    assert_eq!(log.next().await.unwrap().unwrap().data, b"oiling\n");
    agent.say(from_agent::Message::Finished(Finished {
        lease: start.lease.clone(),
        outcome: "failed".into(),
        exit_code: 1,
        ..Finished::default()
    }));
    assert!(log.next().await.is_none(), "the stream ends with the attempt");
    assert_eq!(client.wait(&run).await.counts.unwrap().failed, 1);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_paused_run_starts_nothing_until_it_is_resumed() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    client.put(&model_bytes("crate")).await;
    let run = client
        .submit(&plan_of(&["crate"], &[step("rough", "a")], &model_bytes))
        .await;
    let row = client
        .runs
        .pause(RunRequest { run: run.clone() })
        .await
        .unwrap()
        .into_inner();
    assert!(row.paused);
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await;
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    assert_eq!(agent.started(), 0);
    let row = client
        .runs
        .resume(RunRequest { run: run.clone() })
        .await
        .unwrap()
        .into_inner();
    assert!(!row.paused);
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 1);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn serving_ends_although_streams_are_open() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    client.put(&model_bytes("crate")).await;
    let run = client
        .submit(&plan_of(&["crate"], &[step("rough", "a")], &model_bytes))
        .await;
    let _agent = FakeAgent::join(
        studio.connect().await,
        hello("ash"),
        "1.0",
        Arc::new(|_: &Start| Work::Hangs),
    )
    .await;
    let mut events = client
        .runs
        .watch(WatchRequest { run, quiet: true })
        .await
        .unwrap()
        .into_inner();
    events.next().await.unwrap().unwrap();
    let begun = Instant::now();
    studio.close().await;
    assert!(begun.elapsed().as_secs() < 3);
    // A closed coordinator's folder is free, and a token that was never cancelled does not keep it.
    drop(CancellationToken::new());
}

/// Prints rates; the bounds are far below what an idle machine does, so that a busy one passes too.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_thousand_small_items_pass_quickly_and_are_reused_at_once() {
    const ITEMS: usize = 2000;
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let names: Vec<String> = (0..ITEMS).map(|number| format!("prop-{number:04}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    client.put(b"the same small model").await;
    // One model, but an output of its own for each: items differ by their argument.
    let mut plan = plan_of(&names, &[step("copy", "a")], &|_| {
        b"the same small model".to_vec()
    });
    for (number, item) in plan.items.iter_mut().enumerate() {
        let variable = tidemill_proto::v1::Variable {
            name: "NUMBER".into(),
            value: number.to_string(),
        };
        item.environment.push(variable);
    }
    let worker: Worker =
        Arc::new(|start: &Start| Work::Makes(support::agent::address(start).as_bytes().to_vec()));
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let begun = Instant::now();
    let run = client.submit(&plan).await;
    let submitted = begun.elapsed();
    let row = client.wait(&run).await;
    let ran = begun.elapsed();
    assert_eq!(
        (row.counts.unwrap().done, agent.started()),
        (ITEMS as u32, ITEMS as u32)
    );
    let begun = Instant::now();
    let run = client.submit(&plan).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().reused, ITEMS as u32);
    let reused = begun.elapsed();
    let rate = ITEMS as f64 / ran.as_secs_f64();
    println!("submit {submitted:?}, {rate:.0} items/s, all reused in {reused:?}");
    assert!(rate > 200.0, "{rate:.0} items/s");
    assert!(reused.as_secs_f64() < 3.0, "{reused:?}");
    studio.close().await;
}
