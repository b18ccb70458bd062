//! Priorities and shares, as people set them: on submission and afterwards, across a restart.

#![allow(clippy::unwrap_used)]

mod support;

use std::sync::{Arc, Mutex};

use support::agent::{FakeAgent, Work, Worker, argument, hello, made_by};
use support::plans::{model_bytes, plan, step};
use support::{Client, Studio};
use tempfile::TempDir;
use tidemill_proto::v1::submit_part::Part;
use tidemill_proto::v1::{
    Hello, PreferRequest, Report, RunRequest, Start, SubmitHeader, SubmitPart, from_agent,
};
use tidemill_proto::v1::{Plan, RunRow};
use tonic::{Code, Status};

const VARIANTS: [&str; 6] = ["bollard", "capstan", "crate", "ladder", "rail", "trough"];

async fn with_models(studio: &Studio) -> Client {
    let mut client = studio.client().await;
    for variant in VARIANTS {
        client.put(&model_bytes(variant)).await;
    }
    client
}

/// Six items whose program has this argument.
fn plan_with(argument: &str) -> Plan {
    plan(&VARIANTS, &[step("rough", argument)])
}

async fn submit_with(client: &mut Client, plan: &Plan, priority: i32, share: u32) -> Result<String, Status> {
    let header = SubmitHeader {
        priority,
        share,
        ..SubmitHeader::default()
    };
    let parts = [
        Part::Header(header),
        Part::Plan(prost::Message::encode_to_vec(plan)),
    ];
    let parts = parts.map(|part| SubmitPart { part: Some(part) });
    let answer = client.runs.submit(tokio_stream::iter(parts)).await?;
    Ok(answer.into_inner().run)
}

async fn prefer(
    client: &mut Client,
    run: &str,
    priority: Option<i32>,
    share: Option<u32>,
) -> Result<RunRow, Status> {
    let request = PreferRequest {
        run: run.to_owned(),
        priority,
        share,
    };
    Ok(client.runs.prefer(request).await?.into_inner())
}

async fn row(client: &mut Client, run: &str) -> RunRow {
    let request = RunRequest { run: run.to_owned() };
    client.runs.show_run(request).await.unwrap().into_inner()
}

fn budget(cores: u32, accepting: bool) -> Report {
    Report {
        millicores: cores * 1000,
        memory_bytes: 16 << 30,
        accepting,
        ..Report::default()
    }
}

/// An agent that lends so many cores once all items are ready: until it was asked for its tools none is, and whichever run
/// hears of the answer first would have it to itself.
async fn lending(
    studio: &Studio,
    client: &mut Client,
    runs: &[&String],
    cores: u32,
    worker: Worker,
) -> FakeAgent {
    let hello = Hello {
        cores,
        memory_bytes: 16 << 30,
        budget: Some(budget(cores, false)),
        ..hello("ash")
    };
    let agent = FakeAgent::join(studio.connect().await, hello, "1.0", worker).await;
    for run in runs {
        while row(client, run).await.counts.unwrap().ready < 6 {
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
    }
    agent.say(from_agent::Message::Report(budget(cores, true)));
    agent
}

/// Notes the argument of each start; the work ends at once, or never.
fn noting(ends: bool) -> (Worker, Arc<Mutex<Vec<String>>>) {
    let started = Arc::new(Mutex::new(Vec::new()));
    let noted = started.clone();
    let worker: Worker = Arc::new(move |start: &Start| {
        noted.lock().unwrap().push(argument(start));
        match ends {
            true => Work::Makes(made_by(start, &argument(start))),
            false => Work::Hangs,
        }
    });
    (worker, started)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_that_is_preferred_goes_first_also_after_a_restart() {
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let mut client = with_models(&studio).await;
    let early = client.submit(&plan_with("early")).await;
    let late = client.submit(&plan_with("late")).await;
    let urgent = submit_with(&mut client, &plan_with("urgent"), 7, 2)
        .await
        .unwrap();
    assert_eq!(
        (
            row(&mut client, &early).await.priority,
            row(&mut client, &early).await.share
        ),
        (0, 1)
    );
    let told = prefer(&mut client, &late, Some(5), None).await.unwrap();
    assert_eq!((told.priority, told.share), (5, 1));
    let told = prefer(&mut client, &late, None, Some(3)).await.unwrap();
    assert_eq!((told.priority, told.share), (5, 3), "what is not named stays");

    let studio = Studio::open(studio.close().await, false).await;
    let mut client = studio.client().await;
    for (run, expected) in [(&early, (0, 1)), (&late, (5, 3)), (&urgent, (7, 2))] {
        let row = row(&mut client, run).await;
        assert_eq!((row.priority, row.share), expected, "{run}");
    }
    let (worker, started) = noting(true);
    let _agent = lending(&studio, &mut client, &[&early, &late, &urgent], 1, worker).await;
    for run in [&early, &late, &urgent] {
        assert_eq!(client.wait(run).await.counts.unwrap().done, 6);
    }
    let order: Vec<String> = started.lock().unwrap().clone();
    let expected: Vec<&str> = ["urgent", "late", "early"]
        .iter()
        .flat_map(|word| [*word; 6])
        .collect();
    assert_eq!(order, expected);

    let refused = prefer(&mut client, &late, Some(1), None).await.unwrap_err();
    assert_eq!(refused.code(), Code::FailedPrecondition, "{refused}");
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_share_of_two_gets_twice_the_cores_of_a_share_of_one() {
    let studio = Studio::open(TempDir::new().unwrap(), false).await;
    let mut client = with_models(&studio).await;
    let one = client.submit(&plan_with("one")).await;
    let two = submit_with(&mut client, &plan_with("two"), 0, 2).await.unwrap();
    let (worker, started) = noting(false);
    let agent = lending(&studio, &mut client, &[&one, &two], 6, worker).await;
    while agent.started() < 6 {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    let started = started.lock().unwrap().clone();
    let of = |word: &str| started.iter().filter(|argument| *argument == word).count();
    assert_eq!((of("one"), of("two")), (2, 4), "{started:?}");
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn numbers_out_of_range_are_refused_with_the_range() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio).await;
    let refused = submit_with(&mut client, &plan_with("a"), 1001, 1)
        .await
        .unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    assert!(refused.message().contains("-1000 to 1000"), "{refused}");
    let run = client.submit(&plan_with("a")).await;
    let refused = prefer(&mut client, &run, None, Some(1001)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    assert!(refused.message().contains("1 to 1000"), "{refused}");
    let refused = prefer(&mut client, &run, None, Some(0)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    studio.close().await;
}
