//! How long a plan of many variants takes: `cargo run --release -p tidemill-plan --example many -- 100000`.

use std::collections::BTreeMap;
use std::time::Instant;

use tidemill_plan::{ModelFacts, Options, Survey, SurveyedFile};
use tidemill_proto::Digest;

const MANIFEST: &str = include_str!("../tests/manifests/small.toml");

fn main() {
    let count = std::env::args()
        .nth(1)
        .and_then(|count| count.parse().ok())
        .unwrap_or(100_000);
    let mut survey = Survey::default();
    for index in 0..count {
        let path = format!(
            "base/{}-{index:06}.obj",
            if index % 2 == 0 { "crate" } else { "bollard" }
        );
        let facts = ModelFacts {
            triangles: 12,
            vertices: 8,
            tags: BTreeMap::from([("timber".to_owned(), 8), ("iron".to_owned(), 4)]),
            untagged: 0,
            bounds: Some(([0.0; 3], [1.0; 3])),
        };
        let file = SurveyedFile {
            digest: Digest::of(path.as_bytes()),
            size: 1000,
            model: Some(Ok(facts)),
            companions: Vec::new(),
            folder: false,
        };
        survey.files.insert(path, file);
    }
    let started = Instant::now();
    match tidemill_plan::plan(
        MANIFEST,
        "small.toml",
        &survey,
        tidemill_ops::all(),
        &Options::default(),
    ) {
        Ok(planned) => {
            let planned_s = started.elapsed().as_secs_f64();
            println!(
                "{count} variants, {} items: planned in {planned_s:.2} s",
                planned.plan.items.len()
            );
            let started = Instant::now();
            let result = tidemill_plan::recheck(&planned.plan, tidemill_ops::all());
            println!(
                "checked again in {:.2} s: {result:?}",
                started.elapsed().as_secs_f64()
            );
        }
        Err(diagnostics) => println!("{diagnostics:?}"),
    }
}
