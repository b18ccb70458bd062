//! Three runs of an invented manifest, and every kind of question about them.

use std::sync::RwLock;

use prost::Message as _;
use tidemill_proto::Digest;
use tidemill_proto::v1::{Item, ItemState, Plan, Step, Variant};
use tidemill_store::Store;

use super::*;
use crate::record::rows::{
    AttemptRecord, CountsRecord, FixedTool, ItemRecord, MeasuredRecord, OutputRecord, SeenOutput,
    SignOffRecord,
};
use crate::record::{MemoryRecord, keys, pack};

const MIB: u64 = 1024 * 1024;

struct Yard {
    _folder: tempfile::TempDir,
    archive: Archive,
    catalog: Catalog,
    live: LiveRuns,
}

/// Run 1: both variants; run 2: the crate's bytes changed, twice as slow; run 3: only the crate, by another person.
fn yard() -> Yard {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_owner(&folder.path().join("store")).unwrap();
    let yard = Yard {
        archive: Archive {
            record: Arc::new(MemoryRecord::default()),
            store,
        },
        _folder: folder,
        catalog: Catalog::default(),
        live: Arc::new(RwLock::new(HashMap::new())),
    };
    yard.put(1, "ines", "9.1.2", &["bollard", "crate"], ["a", "b"], 1);
    yard.put(2, "ines", "9.2.0", &["bollard", "crate"], ["a", "c"], 2);
    yard.put(3, "jonas", "9.2.0", &["crate"], ["c", ""], 3);
    yard.decide("bollard", true, "a", 10);
    yard.decide("crate", true, "c", 10);
    yard.decide("crate", false, "b", 20);
    yard
}

impl Yard {
    fn put(&self, serial: u64, person: &str, tool: &str, names: &[&str], made: [&str; 2], pace: u64) {
        let variant = |name: &&str| Variant {
            name: (*name).into(),
            ..Variant::default()
        };
        let item = |index: usize| Item {
            address: format!("{}/game", names[index]),
            variants: vec![index as u32],
            ..Item::default()
        };
        let plan = Plan {
            manifest: "quay".into(),
            variants: names.iter().map(variant).collect(),
            steps: vec![Step {
                name: "game".into(),
                each: "variant".into(),
                ..Step::default()
            }],
            items: (0..names.len()).map(item).collect(),
            ..Plan::default()
        };
        let digest = self
            .archive
            .store
            .stage_bytes(&plan.encode_to_vec())
            .unwrap()
            .digest;
        self.archive.store.commit(&[digest]).unwrap();
        let run = RunRecord {
            serial,
            manifest: "quay".into(),
            number: serial as u32,
            plan: digest.to_vec(),
            submitted_ms: serial as i64 * 1000,
            ended_ms: serial as i64 * 1000 + pace as i64 * 100,
            person: person.into(),
            state: RunState::Ended.into(),
            counts: Some(CountsRecord {
                done: names.len() as u32,
                ..CountsRecord::default()
            }),
            tools: vec![FixedTool {
                name: "oxipng".into(),
                exact: tool.into(),
            }],
            ..RunRecord::default()
        };
        let row = |index: usize| ItemRecord {
            state: ItemState::Done.into(),
            attempts: vec![AttemptRecord {
                number: 1,
                agent: format!("slip-{serial}"),
                outcome: "done".into(),
                measured: Some(MeasuredRecord {
                    elapsed_ms: pace * 50,
                    peak_memory_bytes: pace * 100 * MIB,
                    ..MeasuredRecord::default()
                }),
                ..AttemptRecord::default()
            }],
            outputs: vec![OutputRecord {
                name: "mesh".into(),
                digest: Digest::of(made[index].as_bytes()).to_vec(),
                size: 7,
                ..OutputRecord::default()
            }],
            ..ItemRecord::default()
        };
        let mut ops = vec![pack::put_short(keys::run(serial), &run)];
        ops.extend(
            (0..names.len()).map(|index| pack::put_short(keys::item(serial, index as u32), &row(index))),
        );
        self.archive.record.commit(&ops).unwrap();
    }

    fn decide(&self, variant: &str, approved: bool, made: &str, at_ms: i64) {
        let decision = SignOffRecord {
            approved,
            outputs: vec![SeenOutput {
                name: "game.mesh".into(),
                digest: Digest::of(made.as_bytes()).to_vec(),
            }],
            ..SignOffRecord::default()
        };
        let op = pack::put_short(keys::sign_off("quay", variant, at_ms), &decision);
        self.archive.record.commit(&[op]).unwrap();
    }

    fn ask(&self, request: &SearchRequest) -> Found {
        search(&self.archive, &self.catalog, &self.live, request).unwrap()
    }

    fn runs(&self, request: SearchRequest) -> Vec<String> {
        let rows = self.ask(&request).rows.into_iter();
        rows.map(|row| row.run.unwrap_or_default().run).collect()
    }
}

fn usual() -> SearchRequest {
    SearchRequest::default()
}

#[test]
fn approval_is_that_of_the_outputs_that_each_run_had() {
    let yard = yard();
    let of = |word: &str| {
        yard.runs(SearchRequest {
            approval: word.into(),
            ..usual()
        })
    };
    // The last decision about the crate rejected the bytes of the first run.
    assert_eq!(of("approved"), ["quay.2", "quay.1"], "the bollard");
    assert_eq!(of("rejected"), ["quay.1"]);
    assert_eq!(of("void"), ["quay.3", "quay.2"]);
    assert!(of("unseen").is_empty());
    let row = yard.ask(&usual()).rows.remove(0);
    assert_eq!(
        (row.run.unwrap().run.as_str(), row.standing.unwrap().void),
        ("quay.3", 1)
    );
}

#[test]
fn time_memory_tool_person_and_agent_are_told_apart() {
    let yard = yard();
    for (request, wanted) in [
        (
            SearchRequest {
                longer_ms: 200,
                ..usual()
            },
            vec!["quay.3", "quay.2"],
        ),
        (
            SearchRequest {
                shorter_ms: 200,
                ..usual()
            },
            vec!["quay.1"],
        ),
        (
            SearchRequest {
                step: "game".into(),
                longer_ms: 101,
                ..usual()
            },
            vec!["quay.3"],
        ),
        (
            SearchRequest {
                memory_over_bytes: 200 * MIB,
                ..usual()
            },
            vec!["quay.3", "quay.2"],
        ),
        (
            SearchRequest {
                memory_under_bytes: 200 * MIB,
                ..usual()
            },
            vec!["quay.1"],
        ),
        (
            SearchRequest {
                tool: "oxipng 9.2.*".into(),
                ..usual()
            },
            vec!["quay.3", "quay.2"],
        ),
        (
            SearchRequest {
                tool: "oxipng".into(),
                from_ms: 1500,
                to_ms: 3000,
                ..usual()
            },
            vec!["quay.2"],
        ),
        (
            SearchRequest {
                person: "jon*".into(),
                ..usual()
            },
            vec!["quay.3"],
        ),
        (
            SearchRequest {
                agent: "slip-2".into(),
                ..usual()
            },
            vec!["quay.2"],
        ),
        (
            SearchRequest {
                variant: "boll*".into(),
                sort: "oldest".into(),
                ..usual()
            },
            vec!["quay.1", "quay.2"],
        ),
        (
            SearchRequest {
                sort: "memory".into(),
                offset: 1,
                limit: 1,
                ..usual()
            },
            vec!["quay.2"],
        ),
    ] {
        assert_eq!(yard.runs(request.clone()), wanted, "{request:?}");
    }
    let sums = yard.ask(&SearchRequest { limit: 1, ..usual() }).sums;
    assert_eq!((sums.runs, sums.made_bytes, sums.items.unwrap().done), (3, 35, 5));
}

#[test]
fn trends_go_from_the_oldest_run_to_the_newest() {
    let trends = yard()
        .ask(&SearchRequest {
            trends: true,
            ..usual()
        })
        .sums
        .trends;
    let medians: Vec<u64> = trends[0].points.iter().map(|point| point.median_ms).collect();
    assert_eq!((trends[0].step.as_str(), medians), ("game", vec![50, 100, 150]));
}

#[test]
fn what_no_run_has_is_named_with_what_is_near() {
    let yard = yard();
    for (request, hint) in [
        (
            SearchRequest {
                step: "gaem".into(),
                ..usual()
            },
            "no run has the step gaem; did you mean game?",
        ),
        (
            SearchRequest {
                person: "tove".into(),
                ..usual()
            },
            "no run has the person tove; there is ines, jonas",
        ),
        (
            SearchRequest {
                tool: "oxipng 8.*".into(),
                ..usual()
            },
            "no run has the tool oxipng 8.*; there is oxipng 9.1.2, oxipng 9.2.0",
        ),
        (
            SearchRequest {
                variant: "crat".into(),
                ..usual()
            },
            "no run has the variant crat; did you mean crate?",
        ),
        (
            SearchRequest {
                agent: "slip-1".into(),
                person: "jonas".into(),
                ..usual()
            },
            "",
        ),
    ] {
        assert_eq!(yard.ask(&request).sums.hint, hint);
    }
}

#[tokio::test]
async fn runs_are_gathered_before_anybody_asks() {
    let yard = yard();
    let ending = tokio_util::sync::CancellationToken::new();
    let keeping = tokio::spawn(crate::query::keeper::keep(
        yard.archive.clone(),
        Arc::default(),
        Arc::clone(&yard.live),
        Duration::from_millis(5),
        ending.clone(),
    ));
    let gathered = || {
        (1..=3).all(|serial| {
            yard.archive
                .record
                .get(&keys::run_index(serial))
                .unwrap()
                .is_some()
        })
    };
    let begun = Instant::now();
    while !gathered() {
        assert!(begun.elapsed() < Duration::from_secs(20));
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    ending.cancel();
    keeping.await.unwrap();
}

#[test]
fn a_run_that_ended_anew_is_gathered_anew() {
    let yard = yard();
    assert_eq!(yard.ask(&usual()).sums.made_bytes, 35);
    yard.put(3, "jonas", "9.2.0", &["bollard", "crate"], ["a", "c"], 4);
    assert_eq!(yard.ask(&usual()).sums.made_bytes, 42);
}
