//! The program as a process: what it refuses, how it ends, and that nothing acknowledged is lost by kill -9.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use support::Client;
use support::agent::{FakeAgent, Work, Worker, argument, hello, honest, made_by};
use support::plans::{model_bytes, plan, step};
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::{RunRequest, RunState, Start};
use tonic::transport::{Channel, Endpoint};

const PROGRAM: &str = env!("CARGO_BIN_EXE_tidemill-coordinator");

/// A serving process; ended with the test.
struct Program {
    child: Child,
    address: String,
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn serve(data: &Path) -> Program {
    let mut child = Command::new(PROGRAM)
        .args(["serve", "--log", "json", "--listen", "127.0.0.1:0", "--data"])
        .arg(data)
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let address = lines
        .by_ref()
        .map_while(Result::ok)
        .find_map(|line| {
            let line: serde_json::Value = serde_json::from_str(&line).expect("every log line is JSON");
            (line["fields"]["message"] == "serving")
                .then(|| line["fields"]["address"].as_str().unwrap().to_owned())
        })
        .expect("it says where it serves");
    // The rest is read, so that the pipe never fills.
    std::thread::spawn(move || lines.for_each(drop));
    Program { child, address }
}

impl Program {
    async fn connect(&self) -> Channel {
        Endpoint::from_shared(format!("http://{}", self.address))
            .unwrap()
            .connect()
            .await
            .unwrap()
    }

    async fn client(&self) -> Client {
        let channel = self.connect().await;
        Client {
            runs: RunsClient::new(channel.clone()),
            blobs: BlobsClient::new(channel),
        }
    }
}

#[test]
fn addresses_that_others_can_reach_are_refused() {
    let folder = tempfile::TempDir::new().unwrap();
    let output = Command::new(PROGRAM)
        .args(["serve", "--listen", "0.0.0.0:0", "--data"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains("0.0.0.0:0 can be reached from other machines"),
        "{said}"
    );
}

#[test]
fn a_second_process_on_the_same_folder_says_so() {
    let folder = tempfile::TempDir::new().unwrap();
    let _first = serve(folder.path());
    let output = Command::new(PROGRAM)
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        String::from_utf8(output.stderr)
            .unwrap()
            .contains("in use by another process")
    );
}

#[cfg(unix)]
#[test]
fn a_request_to_end_is_followed_at_once() {
    let folder = tempfile::TempDir::new().unwrap();
    let mut program = serve(folder.path());
    let id = program.child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .unwrap()
            .success()
    );
    assert_eq!(program.child.wait().unwrap().code(), Some(0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_kill_and_the_run_goes_on() {
    const VARIANTS: [&str; 8] = ["b1", "b2", "b3", "b4", "c1", "c2", "t1", "t2"];
    let folder = tempfile::TempDir::new().unwrap();
    let steps = [step("rough", "a"), step("game", "b")];
    let mut program = serve(folder.path());
    let mut client = program.client().await;
    for variant in VARIANTS {
        client.put(&model_bytes(variant)).await;
    }
    let worker: Worker = Arc::new(|start: &Start| match argument(start).as_str() {
        "b" => Work::Hangs,
        said => Work::Makes(made_by(start, said)),
    });
    let agent = FakeAgent::join(program.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&VARIANTS, &steps)).await;
    let done = loop {
        let states = client.states(&run).await;
        let done: Vec<String> = states
            .into_iter()
            .filter(|state| state.ends_with(" done"))
            .collect();
        if done.len() >= 3 {
            break done;
        }
        tokio::time::sleep(std::time::Duration::from_millis(2)).await;
    };
    program.child.kill().unwrap(); // SIGKILL on Unix
    program.child.wait().unwrap();
    agent.vanish();

    let program = serve(folder.path());
    let mut client = program.client().await;
    let states = client.states(&run).await;
    for state in &done {
        assert!(
            states.contains(state),
            "{state} was shown and is lost: {states:?}"
        );
    }
    let row = client
        .runs
        .show_run(RunRequest { run: run.clone() })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(row.state(), RunState::Open);
    let agent = FakeAgent::join(program.connect().await, hello("ash"), "1.0", honest()).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 16);
    let started = agent.addresses.lock().unwrap().clone();
    for state in &done {
        let address = state.trim_end_matches(" done");
        assert!(!started.iter().any(|one| one == address), "{address} ran twice");
    }
}

/// What a process has in memory, in bytes.
#[cfg(target_os = "linux")]
fn resident_bytes(id: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 1024
}

/// The bound is part of what is promised: an overnight run of a whole studio must not fill the coordinator.
#[cfg(target_os = "linux")]
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_item_costs_less_than_a_kibibyte_of_memory() {
    const ITEMS: usize = 30_000;
    let folder = tempfile::TempDir::new().unwrap();
    let program = serve(folder.path());
    let mut client = program.client().await;
    client.put(&model_bytes("one")).await;
    let names: Vec<String> = (0..ITEMS).map(|number| format!("prop-{number:05}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut plan = support::plans::plan_of(&names, &[step("rough", "a")], &|_| model_bytes("one"));
    for (number, item) in plan.items.iter_mut().enumerate() {
        let variable = tidemill_proto::v1::Variable {
            name: "NUMBER".into(),
            value: number.to_string(),
        };
        item.environment.push(variable);
    }
    // The base: a coordinator that has taken in a run and whose allocator has warmed up.
    let small = support::plans::plan(&["one"], &[step("rough", "a")]);
    client.submit(&small).await;
    let base = resident_bytes(program.child.id());
    // An agent that has the tool but lends nothing: every item becomes ready and stays so.
    let mut says = hello("ash");
    says.budget = None;
    let _agent = FakeAgent::join(program.connect().await, says, "1.0", honest()).await;
    let run = client.submit(&plan).await;
    loop {
        let row = client
            .runs
            .show_run(RunRequest { run: run.clone() })
            .await
            .unwrap()
            .into_inner();
        if row.counts.unwrap().ready == ITEMS as u32 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let each = resident_bytes(program.child.id()).saturating_sub(base) / ITEMS as u64;
    println!("{each} bytes an item");
    assert!(each < 1024, "{each} bytes an item");
}
