//! How long the history takes to answer over many runs:
//! `cargo run --release -p tidemill-coordinator --example history_speed -- [RUNS] [VARIANTS] [FOLDER]`.
//!
//! Fills a record in a temporary folder with RUNS runs (5,000) of five invented manifests, each with VARIANTS variants
//! (100) of four steps and one attempt at every item, opens it anew, gathers the history's indexes as the coordinator does
//! behind its hot path, then asks every kind of question. On two cores of a shared machine: 1.4 GiB written in 30 to 40 s,
//! 2 to 4 ms to gather a run, 14 to 75 ms for every answer, the first one included. Exit code 1 if an answer takes longer than 100 ms.
//! With the defaults the temporary folder takes about 1.5 GB until the end. A FOLDER that is named is kept and used again.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, RwLock};
use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use prost::Message as _;
use tidemill_coordinator::engine::event::LiveRuns;
use tidemill_coordinator::query::archive::Archive;
use tidemill_coordinator::query::catalog::Catalog;
use tidemill_coordinator::query::index::gather_lacking;
use tidemill_coordinator::query::search::search;
use tidemill_coordinator::query::seen::see;
use tidemill_coordinator::record::rows::{
    AttemptRecord, CountsRecord, FixedTool, ItemRecord, MeasuredRecord, OutputRecord, RunNameRecord,
    RunRecord, SeenOutput, SignOffRecord,
};
use tidemill_coordinator::record::{Record as _, SledRecord, keys, pack};
use tidemill_proto::v1::{
    Item, ItemState, Operation, Operations, Output, Plan, RunState, SearchRequest, Step, Variant, item,
};
use tidemill_proto::{Digest, RunName};
use tidemill_store::Store;

/// What every answer has to stay below.
const LIMIT: Duration = Duration::from_millis(100);
const MANIFESTS: [&str; 5] = ["harbour-dock", "quay", "slipway", "crane-yard", "boat-shed"];
const PEOPLE: [&str; 4] = ["ines", "jonas", "maren", "tove"];
const STEPS: [&str; 4] = ["weathered", "game", "maps", "small"];
/// How often a manifest was changed in the time of the record.
const REVISIONS: usize = 40;
/// Between two runs.
const EVERY_MS: i64 = 17 * 60 * 1000;
const FIRST_MS: i64 = 1_900_000_000_000;
/// Rows of one commit.
const TOGETHER: usize = 4000;

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let runs = arguments.next().map_or(Ok(5000), |text| text.parse())?;
    let variants = arguments.next().map_or(Ok(100), |text| text.parse())?;
    let temporary = tempfile::tempdir()?;
    let work = arguments
        .next()
        .map_or(temporary.path().to_owned(), PathBuf::from);
    let is_filled = work.join("record").exists();
    let store = Store::open_owner(&work.join("store"))?;
    if !is_filled {
        let begun = Instant::now();
        fill(&work, &store, runs, variants)?;
        let attempts = runs * variants * STEPS.len();
        println!(
            "{runs} runs with {attempts} attempts written in {:.0?}",
            begun.elapsed()
        );
    }

    let begun = Instant::now();
    let record = SledRecord::open(&work.join("record"))?;
    println!(
        "opened in {:.0?}; {} MiB on disk",
        begun.elapsed(),
        record.disk_bytes()? / 1024 / 1024
    );
    let archive = Archive {
        record: Arc::new(record),
        store,
    };
    let catalog = Catalog::default();
    let begun = Instant::now();
    let gathered = gather_lacking(&archive, &catalog, &|| false)?;
    let took = begun.elapsed();
    println!(
        "{gathered} indexes gathered in {took:.0?}, {:.1?} a run",
        took / u32::try_from(gathered.max(1))?
    );
    let worst = ask(&archive, &catalog, runs)?;
    ensure!(
        worst < LIMIT,
        "an answer took {worst:.0?}, longer than {LIMIT:.0?}"
    );
    Ok(())
}

/// Numbers that look random and are the same every time (a linear congruential generator, constants from memory).
struct Noise(u64);

impl Noise {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}

fn fill(folder: &Path, store: &Store, runs: usize, variants: usize) -> Result<()> {
    let record = SledRecord::open(&folder.join("record"))?;
    let mut noise = Noise(7);
    let mut plans: HashMap<(usize, usize), Digest> = HashMap::new();
    let mut numbers = [0_u32; MANIFESTS.len()];
    let mut ops = Vec::new();
    for serial in 1..=runs as u64 {
        let which = noise.below(MANIFESTS.len() as u64) as usize;
        let revision = serial as usize * REVISIONS / (runs + 1);
        let plan = match plans.get(&(which, revision)) {
            Some(digest) => *digest,
            None => {
                let digest = store
                    .stage_bytes(&plan(which, revision, variants).encode_to_vec())?
                    .digest;
                store.commit(&[digest])?;
                plans.insert((which, revision), digest);
                digest
            }
        };
        numbers[which] += 1;
        let run = run(serial, which, numbers[which], plan, variants, &mut noise);
        let name = RunName {
            manifest: run.manifest.clone(),
            number: run.number,
        };
        ops.push(pack::put_short(keys::run_name(&name), &RunNameRecord { serial }));
        let mut outputs = Vec::new();
        for index in 0..variants * STEPS.len() {
            let row = item_row(&run, revision, index, &mut noise);
            outputs.push(row.outputs.clone());
            ops.push(pack::put_short(keys::item(serial, index as u32), &row));
        }
        // Somebody decides about a few variants of every fourth run.
        if serial % 4 == 0 {
            for variant in 0..4.min(variants) {
                let decision = decision(&run, &outputs, variant, variant != 0);
                ops.push(pack::put_short(
                    keys::sign_off(&run.manifest, &variant_name(variant), run.ended_ms + 1000),
                    &decision,
                ));
            }
        }
        ops.push(pack::put_short(keys::run(serial), &run));
        if ops.len() >= TOGETHER {
            record.commit(&std::mem::take(&mut ops))?;
        }
    }
    Ok(record.commit(&ops)?)
}

fn variant_name(index: usize) -> String {
    const FAMILIES: [&str; 4] = ["bollard", "crate", "trough", "capstan"];
    format!(
        "{}-{:03}-s{}",
        FAMILIES[index % FAMILIES.len()],
        index / 8,
        11 + index / 4 % 2
    )
}

fn plan(which: usize, revision: usize, variants: usize) -> Plan {
    let item = |index: usize| Item {
        address: format!(
            "{}/{}",
            variant_name(index / STEPS.len()),
            STEPS[index % STEPS.len()]
        ),
        step: (index % STEPS.len()) as u32,
        variants: vec![(index / STEPS.len()) as u32],
        action: Some(item::Action::Operations(Operations {
            chain: vec![Operation {
                name: "displace".into(),
                version: 1 + revision as u32,
                ..Operation::default()
            }],
        })),
        outputs: vec![Output {
            name: "made".into(),
            path: format!(
                "{}.{}.glb",
                variant_name(index / STEPS.len()),
                STEPS[index % STEPS.len()]
            ),
            extension: ".glb".into(),
            ..Output::default()
        }],
        ..Item::default()
    };
    Plan {
        format: 1,
        manifest: MANIFESTS[which].into(),
        variants: (0..variants)
            .map(|index| Variant {
                name: variant_name(index),
                ..Variant::default()
            })
            .collect(),
        steps: STEPS
            .map(|name| Step {
                name: name.into(),
                each: "variant".into(),
                operations: true,
                ..Step::default()
            })
            .to_vec(),
        items: (0..variants * STEPS.len()).map(item).collect(),
        ..Plan::default()
    }
}

fn run(
    serial: u64,
    which: usize,
    number: u32,
    plan: Digest,
    variants: usize,
    noise: &mut Noise,
) -> RunRecord {
    let items = (variants * STEPS.len()) as u32;
    let failed = if noise.below(5) == 0 {
        1 + noise.below(4) as u32
    } else {
        0
    };
    let submitted_ms = FIRST_MS + serial as i64 * EVERY_MS;
    RunRecord {
        serial,
        manifest: MANIFESTS[which].into(),
        number,
        plan: plan.to_vec(),
        manifest_text: plan.to_vec(),
        submitted_ms,
        ended_ms: submitted_ms + 60_000 + noise.below(5_000_000) as i64,
        person: PEOPLE[noise.below(PEOPLE.len() as u64) as usize].into(),
        folder: format!("/home/artist/projects/{}", MANIFESTS[which]),
        state: RunState::Ended.into(),
        counts: Some(CountsRecord {
            done: items - failed,
            failed,
            ..CountsRecord::default()
        }),
        tools: vec![FixedTool {
            name: "oxipng".into(),
            exact: format!("9.{}.{}", serial / 1000, serial / 100 % 10),
        }],
        cpu_ms: u64::from(items) * 2000,
        attempts: items.into(),
        items,
        ..RunRecord::default()
    }
}

fn item_row(run: &RunRecord, revision: usize, index: usize, noise: &mut Noise) -> ItemRecord {
    let digest =
        |what: &str| Digest::of(format!("{what} {} {revision} {index}", run.manifest).as_bytes()).to_vec();
    let elapsed_ms = 500 + noise.below(4000);
    let started_ms = run.submitted_ms + noise.below(50_000) as i64;
    ItemRecord {
        state: ItemState::Done.into(),
        key: digest("key"),
        attempts: vec![AttemptRecord {
            number: 1,
            agent: format!("workstation-{}", noise.below(12)),
            started_ms,
            ended_ms: started_ms + elapsed_ms as i64,
            outcome: "done".into(),
            measured: Some(MeasuredRecord {
                elapsed_ms,
                user_ms: elapsed_ms * 9 / 10,
                system_ms: elapsed_ms / 20,
                peak_memory_bytes: (100 + noise.below(900)) << 20,
            }),
            log: digest("log"),
            log_size: 900,
            log_tail: "made 4012 triangles of 96280, greatest distance 1.8 mm".into(),
            ..AttemptRecord::default()
        }],
        changed_ms: started_ms + elapsed_ms as i64,
        outputs: vec![OutputRecord {
            name: "made".into(),
            digest: digest("output"),
            size: 200_000 + noise.below(100_000),
            ..OutputRecord::default()
        }],
        ..ItemRecord::default()
    }
}

fn decision(run: &RunRecord, outputs: &[Vec<OutputRecord>], variant: usize, approved: bool) -> SignOffRecord {
    let mut seen: Vec<SeenOutput> = STEPS
        .iter()
        .zip(outputs.iter().skip(variant * STEPS.len()))
        .flat_map(|(step, outputs)| {
            outputs.iter().map(move |output| SeenOutput {
                name: format!("{step}.{}", output.name),
                digest: output.digest.clone(),
            })
        })
        .collect();
    seen.sort_by(|a, b| a.name.cmp(&b.name));
    SignOffRecord {
        approved,
        note: "good rope marks".into(),
        person: "maren".into(),
        decided_ms: run.ended_ms + 1000,
        run: format!("{}.{}", run.manifest, run.number),
        outputs: seen,
    }
}

/// Asks all of it; gives the longest that any answer took.
fn ask(archive: &Archive, catalog: &Catalog, runs: usize) -> Result<Duration> {
    let live: LiveRuns = Arc::new(RwLock::new(HashMap::new()));
    let usual = || SearchRequest {
        limit: 20,
        ..SearchRequest::default()
    };
    let middle_ms = FIRST_MS + runs as i64 / 2 * EVERY_MS;
    let questions: Vec<(&str, SearchRequest)> = vec![
        ("newest", usual()),
        (
            "page 200",
            SearchRequest {
                offset: 4000,
                ..usual()
            },
        ),
        (
            "one day",
            SearchRequest {
                from_ms: middle_ms,
                to_ms: middle_ms + 86_400_000,
                ..usual()
            },
        ),
        (
            "manifest",
            SearchRequest {
                manifest: "quay".into(),
                ..usual()
            },
        ),
        (
            "state",
            SearchRequest {
                states: vec!["failed".into()],
                ..usual()
            },
        ),
        (
            "person",
            SearchRequest {
                person: "tove".into(),
                ..usual()
            },
        ),
        (
            "variant",
            SearchRequest {
                variant: "crate-00*".into(),
                ..usual()
            },
        ),
        (
            "variant that none has",
            SearchRequest {
                variant: "anchor-*".into(),
                ..usual()
            },
        ),
        (
            "step",
            SearchRequest {
                step: "weathered".into(),
                ..usual()
            },
        ),
        (
            "agent",
            SearchRequest {
                agent: "workstation-7".into(),
                ..usual()
            },
        ),
        (
            "tool version",
            SearchRequest {
                tool: "oxipng 9.3.*".into(),
                ..usual()
            },
        ),
        (
            "approved",
            SearchRequest {
                approval: "approved".into(),
                ..usual()
            },
        ),
        (
            "rejected of a manifest",
            SearchRequest {
                manifest: "quay".into(),
                approval: "rejected".into(),
                ..usual()
            },
        ),
        (
            "void",
            SearchRequest {
                approval: "void".into(),
                ..usual()
            },
        ),
        (
            "waits for a look",
            SearchRequest {
                approval: "unseen".into(),
                ..usual()
            },
        ),
        (
            "longer than 70 min",
            SearchRequest {
                longer_ms: 70 * 60_000,
                ..usual()
            },
        ),
        (
            "step longer than 4.49 s",
            SearchRequest {
                step: "game".into(),
                longer_ms: 4490,
                ..usual()
            },
        ),
        (
            "memory over 995 MiB",
            SearchRequest {
                memory_over_bytes: 995 << 20,
                ..usual()
            },
        ),
        (
            "trends of all steps",
            SearchRequest {
                trends: true,
                ..usual()
            },
        ),
        (
            "trend of a step",
            SearchRequest {
                step: "maps".into(),
                manifest: "quay".into(),
                trends: true,
                ..usual()
            },
        ),
        ("all, no page", SearchRequest { limit: 0, ..usual() }),
        (
            "longest first",
            SearchRequest {
                sort: "longest".into(),
                ..usual()
            },
        ),
        (
            "highest memory first",
            SearchRequest {
                sort: "memory".into(),
                ..usual()
            },
        ),
        (
            "most failed of a manifest",
            SearchRequest {
                manifest: "slipway".into(),
                sort: "failed".into(),
                ..usual()
            },
        ),
    ];
    let mut worst = Duration::ZERO;
    println!("{:<28} {:>6} {:>9} {:>9}", "question", "runs", "first", "median");
    for (name, request) in questions {
        let mut took = Vec::new();
        let mut found = 0;
        for _ in 0..7 {
            let begun = Instant::now();
            found = search(archive, catalog, &live, &request)?.sums.runs;
            took.push(begun.elapsed());
        }
        worst = worst.max(row(name, found, &mut took));
    }
    let mut took = Vec::new();
    for number in [40, 400, 800, 200, 600] {
        let begun = Instant::now();
        see(archive, &live, &format!("quay.{}", (number * runs / 5000).max(1)))?;
        took.push(begun.elapsed());
    }
    worst = worst.max(row("one run with its items", 1, &mut took));
    Ok(worst)
}

fn row(name: &str, found: u64, took: &mut [Duration]) -> Duration {
    let first = took.first().copied().unwrap_or_default();
    took.sort_unstable();
    let median = took.get(took.len() / 2).copied().unwrap_or_default();
    println!("{name:<28} {found:>6} {first:>9.1?} {median:>9.1?}");
    took.last().copied().unwrap_or_default()
}
