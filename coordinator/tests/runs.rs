//! Runs from submission to end, through the real services.

mod support;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use support::agent::{FakeAgent, Work, address, argument, hello, honest, made_by};
use support::plans::{gather, model_bytes, plan, plan_of, step};
use support::{Client, Studio};
use tidemill_proto::v1::{AgainRequest, ItemRequest, LogRequest, RunRequest};
use tokio_stream::StreamExt;
use tonic::Code;

const VARIANTS: [&str; 3] = ["bollard", "crate", "trough"];

async fn with_models(studio: &Studio, variants: &[&str]) -> Client {
    let mut client = studio.client().await;
    for variant in variants {
        client.put(&model_bytes(variant)).await;
    }
    client
}

async fn agent(studio: &Studio) -> FakeAgent {
    FakeAgent::join(studio.connect().await, hello("ash"), "1.0", honest()).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_comes_to_its_end_and_the_same_again_reuses_everything() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &VARIANTS).await;
    let agent = agent(&studio).await;
    let steps = [step("rough", "a"), step("game", "b"), gather("sheet")];
    let first = client.submit(&plan(&VARIANTS, &steps)).await;
    assert_eq!(first, "harbour-dock.1");
    let row = client.wait(&first).await;
    assert_eq!(row.counts.unwrap().done, 7);
    assert_eq!((row.attempts, row.cpu_ms), (7, 28));
    assert_eq!(agent.started(), 7);
    // Outputs are in the store, whole and from the middle.
    let items = client.items("harbour-dock").await;
    let made = &items[0].outputs[0];
    let bytes = client.get(&made.digest, 0).await.unwrap();
    assert_eq!(bytes.len() as u64, made.size);
    assert_eq!(client.get(&made.digest, 5).await.unwrap(), bytes[5..]);

    let second = client.submit(&plan(&VARIANTS, &steps)).await;
    let row = client.wait(&second).await;
    assert_eq!(
        (row.run.as_str(), row.counts.unwrap().reused, row.attempts),
        ("harbour-dock.2", 7, 0)
    );
    assert_eq!(agent.started(), 7, "nothing was started for a reused item");
    let why = client.why("harbour-dock.2", "crate/game").await;
    assert_eq!(why.sentence, "reused: same key as harbour-dock.1/crate/game");
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_changed_argument_runs_what_depends_on_it_and_why_names_it() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &VARIANTS).await;
    let agent = agent(&studio).await;
    let steps = |rough: &str| [step("rough", rough), step("game", "b"), gather("sheet")];
    client.submit(&plan(&VARIANTS, &steps("a"))).await;
    client.wait("harbour-dock.1").await;
    let preview = client.preview(&plan(&VARIANTS, &steps("a2"))).await;
    let outcomes: Vec<_> = preview
        .iter()
        .map(|item| (item.outcome, item.depends_on.as_str()))
        .collect();
    assert_eq!(outcomes[..4], [(0, ""), (0, ""), (0, ""), (2, "bollard/rough")]);
    client.submit(&plan(&VARIANTS, &steps("a2"))).await;
    assert_eq!(client.wait("harbour-dock.2").await.counts.unwrap().done, 7);
    let why = client.why("harbour-dock.2", "crate/rough").await;
    assert_eq!(why.sentence, "ran because argument 1 changed a -> a2");
    let why = client.why("harbour-dock.2", "crate/game").await;
    assert_eq!(
        why.sentence,
        "ran because argument 1 changed a -> a2 (in crate/rough)"
    );
    assert_eq!(why.compared_with, "harbour-dock.1");
    assert_eq!(
        client.why("harbour-dock.1", "crate/game").await.sentence,
        "ran because it is new: no earlier run has it"
    );

    // A changed model and a new variant.
    client.put(b"other crate").await;
    client.put(&model_bytes("capstan")).await;
    let variants = ["bollard", "capstan", "crate", "trough"];
    let model = |name: &str| {
        if name == "crate" {
            b"other crate".to_vec()
        } else {
            model_bytes(name)
        }
    };
    client.submit(&plan_of(&variants, &steps("a2"), &model)).await;
    let row = client.wait("harbour-dock.3").await;
    assert_eq!((row.counts.unwrap().done, row.counts.unwrap().reused), (5, 4));
    let why = client.why("harbour-dock.3", "crate/game").await;
    assert_eq!(
        why.sentence,
        "ran because base/crate.txt changed (in crate/rough)"
    );
    let why = client.why("harbour-dock.3", "all/sheet").await;
    assert!(
        why.sentence.contains("capstan was added to source"),
        "{}",
        why.sentence
    );
    drop(agent);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_change_that_gives_equal_bytes_stops_there() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &VARIANTS).await;
    // The first step's output does not depend on its argument.
    let worker = Arc::new(|start: &tidemill_proto::v1::Start| {
        let said = argument(start);
        Work::Makes(made_by(
            start,
            if said.starts_with("rough") { "rough" } else { &said },
        ))
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    client
        .submit(&plan(&VARIANTS, &[step("rough", "rough 1"), step("game", "b")]))
        .await;
    client.wait("harbour-dock.1").await;
    client
        .submit(&plan(&VARIANTS, &[step("rough", "rough 2"), step("game", "b")]))
        .await;
    let counts = client.wait("harbour-dock.2").await.counts.unwrap();
    assert_eq!((counts.done, counts.reused), (3, 3));
    assert_eq!(agent.started(), 9);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_failure_cuts_off_downstream_and_again_runs_only_that() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &VARIANTS).await;
    let broken = Arc::new(AtomicBool::new(true));
    let flag = broken.clone();
    let worker = Arc::new(move |start: &tidemill_proto::v1::Start| match address(start) {
        "crate/rough" if flag.load(Ordering::SeqCst) => Work::Fails(3, "loading\nno such plank\n"),
        _ => Work::Makes(made_by(start, &argument(start))),
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let mut steps = [step("rough", "a"), step("game", "b"), gather("sheet")];
    steps[0].retries = 1;
    let run = client.submit(&plan(&VARIANTS, &steps)).await;
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!((counts.done, counts.failed, counts.cut_off), (5, 1, 1));
    let states = client.states(&run).await;
    assert!(
        states.contains(&"crate/rough failed".to_owned())
            && states.contains(&"crate/game cut-off".to_owned())
    );
    assert!(
        states.contains(&"all/sheet done".to_owned()),
        "a partial step runs over what is there"
    );
    let why = client.why(&run, "crate/rough").await;
    assert!(
        why.sentence.starts_with("failed with exit code 3: no such plank"),
        "{}",
        why.sentence
    );
    assert_eq!(
        client.why(&run, "crate/game").await.sentence,
        "cut off because crate/rough failed with exit code 3: no such plank"
    );
    let request = ItemRequest {
        run: run.clone(),
        item: "crate/rough".into(),
    };
    let view = client.runs.show_item(request).await.unwrap().into_inner();
    assert_eq!(view.attempts_made.len(), 2, "one retry");
    assert_eq!(view.downstream, ["crate/game"]);
    assert!(
        view.attempts_made
            .iter()
            .all(|attempt| attempt.charged && attempt.exit_code == 3)
    );
    let request = LogRequest {
        run: run.clone(),
        item: "crate/rough".into(),
        attempt: 1,
        follow: false,
    };
    let log = client.runs.log(request).await.unwrap().into_inner();
    let log: Vec<u8> = log
        .map(|chunk| chunk.unwrap().data)
        .collect::<Vec<_>>()
        .await
        .concat();
    assert_eq!(log, b"loading\nno such plank\n");

    let started = agent.started();
    broken.store(false, Ordering::SeqCst);
    let request = AgainRequest {
        run: run.clone(),
        ..AgainRequest::default()
    };
    client.runs.again(request.clone()).await.unwrap();
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!((counts.done, counts.failed, counts.cut_off), (7, 0, 0));
    // The failed one, the one that it cut off, and the sheet that had a gap.
    assert_eq!(agent.started() - started, 3);
    let refused = client.runs.again(request).await.unwrap_err();
    assert_eq!(refused.code(), Code::FailedPrecondition);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn anew_runs_in_spite_of_a_record_and_tells_a_step_that_is_not_repeatable() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &["crate"]).await;
    let count = Arc::new(std::sync::atomic::AtomicU32::new(0));
    let worker = Arc::new(move |_: &tidemill_proto::v1::Start| {
        Work::Makes(format!("{}", count.fetch_add(1, Ordering::SeqCst)).into_bytes())
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let plan = plan(&["crate"], &[step("rough", "a")]);
    client.submit(&plan).await;
    client.wait("harbour-dock.1").await;
    client.try_submit(&plan, &["*/rough"]).await.unwrap();
    assert_eq!(client.wait("harbour-dock.2").await.counts.unwrap().done, 1);
    let items = client.items("harbour-dock.2").await;
    let wanted = "this step is not repeatable: made differs from what harbour-dock.1/crate/rough made";
    assert_eq!(items[0].reason, wanted);
    let again = AgainRequest {
        run: "harbour-dock.2".into(),
        patterns: vec!["crate/*".into()],
        anew: true,
    };
    client.runs.again(again).await.unwrap();
    client.wait("harbour-dock.2").await;
    assert_eq!(agent.started(), 3);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_inputs_or_with_an_unsound_plan_nothing_is_submitted() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let sound = plan(&["crate"], &[step("rough", "a")]);
    let refused = client.try_submit(&sound, &[]).await.unwrap_err();
    assert_eq!(refused.code(), Code::FailedPrecondition);
    assert!(
        refused.message().contains("base/crate.txt"),
        "{}",
        refused.message()
    );
    let mut unsound = sound.clone();
    unsound.items[0].outputs[0].path = "../crate.txt".into();
    let refused = client.try_submit(&unsound, &[]).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    let unknown = client
        .runs
        .show_run(RunRequest {
            run: "harbor-dock.1".into(),
        })
        .await
        .unwrap_err();
    assert_eq!(unknown.code(), Code::NotFound);
    // The number of a refused submission is not a run.
    client.put(&model_bytes("crate")).await;
    let run = client.submit(&sound).await;
    let unknown = client
        .runs
        .show_run(RunRequest {
            run: "harbor-dock".into(),
        })
        .await
        .unwrap_err();
    assert!(
        unknown.message().contains("did you mean harbour-dock"),
        "{}",
        unknown.message()
    );
    let unknown = ItemRequest {
        run,
        item: "crate/ruff".into(),
    };
    let unknown = client.runs.why(unknown).await.unwrap_err();
    assert!(
        unknown.message().contains("did you mean crate/rough?"),
        "{}",
        unknown.message()
    );
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_result_whose_bytes_never_came_is_no_result() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &["crate"]).await;
    let lied = AtomicBool::new(false);
    let worker = Arc::new(move |start: &tidemill_proto::v1::Start| {
        if lied.swap(true, Ordering::SeqCst) {
            Work::Makes(made_by(start, "a"))
        } else {
            Work::Lies
        }
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client.submit(&plan(&["crate"], &[step("rough", "a")])).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 1);
    assert_eq!(agent.started(), 2);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stopped_run_ends_its_processes_and_can_go_on() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &VARIANTS).await;
    let hang = Arc::new(AtomicBool::new(true));
    let flag = hang.clone();
    let worker = Arc::new(move |start: &tidemill_proto::v1::Start| {
        if flag.load(Ordering::SeqCst) {
            Work::Hangs
        } else {
            Work::Makes(made_by(start, "a"))
        }
    });
    let agent = FakeAgent::join(studio.connect().await, hello("ash"), "1.0", worker).await;
    let run = client
        .submit(&plan(&VARIANTS, &[step("rough", "a"), step("game", "b")]))
        .await;
    while agent.started() < 2 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let row = client
        .runs
        .stop(RunRequest { run: run.clone() })
        .await
        .unwrap()
        .into_inner();
    assert!(row.stopped_by_person);
    let row = client.wait(&run).await;
    assert_eq!((row.counts.unwrap().stopped, row.stopped_by_person), (6, true));
    hang.store(false, Ordering::SeqCst);
    client
        .runs
        .again(AgainRequest {
            run: run.clone(),
            ..AgainRequest::default()
        })
        .await
        .unwrap();
    let row = client.wait(&run).await;
    assert_eq!((row.counts.unwrap().done, row.stopped_by_person), (6, false));
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_without_an_agent_or_a_tool_says_so_and_goes_on_when_one_comes() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &["crate"]).await;
    let mut wanted = plan(&["crate"], &[step("rough", "a")]);
    wanted.tools[0].version = "9.*".into();
    let run = client.submit(&wanted).await;
    let note = |client: &Client| {
        let (mut client, run) = (client.clone(), run.clone());
        async move {
            client
                .runs
                .show_run(RunRequest { run })
                .await
                .unwrap()
                .into_inner()
                .note
        }
    };
    assert_eq!(note(&client).await, "no agent is here");
    let old = FakeAgent::join(studio.connect().await, hello("oak"), "8.1", honest()).await;
    let deadline = Instant::now() + Duration::from_secs(10);
    while !note(&client).await.contains("8.1") {
        assert!(Instant::now() < deadline, "{}", note(&client).await);
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    assert!(
        note(&client)
            .await
            .contains("no agent has the program shape in version 9.*")
    );
    let new = FakeAgent::join(studio.connect().await, hello("ash"), "9.4 blake3:ab", honest()).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 1);
    assert_eq!((old.started(), new.started()), (0, 1));
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn items_of_one_key_run_once() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    client.put(b"twin").await;
    let agent = agent(&studio).await;
    let twins = plan_of(
        &["port", "starboard"],
        &[step("rough", "a"), step("game", "b")],
        &|_| b"twin".to_vec(),
    );
    let run = client.submit(&twins).await;
    let counts = client.wait(&run).await.counts.unwrap();
    assert_eq!((counts.done, counts.reused), (2, 2));
    assert_eq!(agent.started(), 2);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_version_of_a_tool_runs_its_items_again_and_is_named() {
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &["crate"]).await;
    let wanted = plan(&["crate"], &[step("rough", "a")]);
    let old = FakeAgent::join(studio.connect().await, hello("ash"), "1.0 blake3:aa", honest()).await;
    client.submit(&wanted).await;
    client.wait("harbour-dock.1").await;
    old.leave().await;
    let new = FakeAgent::join(studio.connect().await, hello("oak"), "1.1 blake3:bb", honest()).await;
    client.submit(&wanted).await;
    assert_eq!(client.wait("harbour-dock.2").await.counts.unwrap().done, 1);
    assert_eq!(new.started(), 1);
    let why = client.why("harbour-dock.2", "crate/rough").await;
    assert_eq!(
        why.sentence,
        "ran because the tool shape changed 1.0 blake3:aa -> 1.1 blake3:bb"
    );
    assert_eq!(why.changes.len(), 1);
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn items_go_to_the_agent_that_made_or_fetched_what_they_read() {
    const SIX: [&str; 6] = ["bale", "bollard", "capstan", "crate", "davit", "trough"];
    let studio = Studio::embedded().await;
    let mut client = with_models(&studio, &SIX).await;
    let mut agents = Vec::new();
    for name in ["ash", "elm", "oak"] {
        let mut hello = hello(name);
        if let Some(budget) = &mut hello.budget {
            budget.fetches = true;
        }
        agents.push(FakeAgent::join(studio.connect().await, hello, "1.0", honest()).await);
    }
    let steps = [step("rough", "a"), step("game", "b"), step("maps", "c")];
    let run = client.submit(&plan(&SIX, &steps)).await;
    assert_eq!(client.wait(&run).await.counts.unwrap().done, 18);
    let items = client.items("harbour-dock").await;
    let agent_of = |address: String| {
        let item = items.iter().find(|item| item.address == address);
        item.unwrap().agent.clone()
    };
    for variant in SIX {
        let [rough, game, maps] = ["rough", "game", "maps"].map(|step| agent_of(format!("{variant}/{step}")));
        assert_eq!((&game, &maps), (&rough, &rough), "{variant}");
    }
    studio.close().await;
}
