//! `forecast`: when a run will be done, or a manifest if it were run now.

use std::path::Path;

use prost::Message as _;
use schemars::JsonSchema;
use serde::Serialize;
use tidemill_proto::v1::forecasts_client::ForecastsClient;
use tidemill_proto::v1::{Forecast, RunRequest, SubmitPart, submit_part};
use tidemill_proto::{CHUNK_BYTES, MAX_MESSAGE_BYTES};

use super::run::header;
use super::with_session;
use crate::arguments::{self, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::manifest::{Prepared, prepare};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::rpc::failed;
use crate::session::{Purpose, Session};
use crate::settings::Settings;

/// Says when.
pub async fn forecast(
    arguments: &arguments::Forecast,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let manifest = arguments.target.as_deref().filter(|target| is_manifest(target));
    let prepared = manifest.map(|path| {
        tokio::task::block_in_place(|| prepare(Path::new(path), &arguments.choice, settings, printer))
    });
    let prepared = prepared.transpose()?;
    // What a plan takes depends on who is there to run it.
    let purpose = if prepared.is_some() {
        Purpose::AskWithAgent
    } else {
        Purpose::Ask
    };
    with_session(settings, purpose, printer, async |session| {
        let found = match &prepared {
            Some(prepared) => {
                session.agent_joined().await?;
                of_plan(session, prepared, arguments, settings).await?
            }
            None => of_run(session, arguments.target.as_deref()).await?,
        };
        if printer.is_json() {
            printer.object(&ForecastObject::of(&found));
        } else {
            printer.data(text(&found));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

/// Runs are named without a path and an ending.
fn is_manifest(target: &str) -> bool {
    target.contains(['/', '\\']) || target.ends_with(".toml")
}

fn client(session: &Session) -> ForecastsClient<tonic::transport::Channel> {
    ForecastsClient::new(session.rpc.channel()).max_encoding_message_size(MAX_MESSAGE_BYTES)
}

async fn of_run(session: &Session, target: Option<&str>) -> Result<Forecast, Failure> {
    let run = session.rpc.find(&RunPick::of(target)).await?.run;
    let answer = client(session).of_run(RunRequest { run }).await;
    answer
        .map(tonic::Response::into_inner)
        .map_err(|status| failed(&status))
}

async fn of_plan(
    session: &Session,
    prepared: &Prepared,
    arguments: &arguments::Forecast,
    settings: &Settings,
) -> Result<Forecast, Failure> {
    let header = header(prepared, &arguments.anew, arguments.preference, settings);
    let first = SubmitPart {
        part: Some(submit_part::Part::Header(header)),
    };
    let bytes = prepared.plan.encode_to_vec();
    let pieces = bytes.chunks(CHUNK_BYTES).map(|piece| SubmitPart {
        part: Some(submit_part::Part::Plan(piece.to_vec())),
    });
    let parts: Vec<SubmitPart> = std::iter::once(first).chain(pieces).collect();
    let answer = client(session).of_plan(futures::stream::iter(parts)).await;
    answer
        .map(tonic::Response::into_inner)
        .map_err(|status| failed(&status))
}

fn text(found: &Forecast) -> String {
    let mut lines = Vec::new();
    if found.finish_ms > 0 {
        lines.push(format!(
            "{}: done in about {}, at {}; between {} and {}",
            found.run,
            human::duration(span(found.now_ms, found.finish_ms)),
            human::moment(found.finish_ms),
            human::duration(span(found.now_ms, found.earliest_ms)),
            human::duration(span(found.now_ms, found.latest_ms)),
        ));
    } else if found.items > 0 {
        lines.push(format!("{}: never done on what is lent now", found.run));
    }
    if !found.note.is_empty() {
        lines.push(match lines.is_empty() {
            true => format!("{}: {}", found.run, found.note),
            false => found.note.clone(),
        });
    }
    if found.guessed > 0 {
        lines.push(format!(
            "{} of {} were never measured: their times are guesses",
            found.guessed,
            human::count(found.items as usize, "item", "items"),
        ));
    }
    if found.one_more_finish_ms > 0 && found.finish_ms > 0 {
        let saved = span(found.one_more_finish_ms, found.finish_ms);
        lines.push(format!(
            "one more agent like {}: {} sooner",
            found.one_more_like,
            human::duration(saved)
        ));
    }
    if found.steps.is_empty() {
        return lines.join("\n");
    }
    let mut steps = table::with_heads(&["step", ">items left", ">core time", ">on the longest path", ""]);
    for step in &found.steps {
        steps.add_row([
            step.step.clone(),
            step.items.to_string(),
            human::duration(step.core_ms),
            human::duration(step.path_ms),
            if step.step == found.dominant {
                "most work".to_owned()
            } else {
                String::new()
            },
        ]);
    }
    lines.push(table::text(&steps));
    lines.join("\n")
}

fn span(from_ms: i64, to_ms: i64) -> u64 {
    u64::try_from(to_ms - from_ms).unwrap_or(0)
}

/// `kind = "forecast"`. Times are Unix time in milliseconds; absent: never, or unknown.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct ForecastObject<'a> {
    #[schemars(extend("const" = "forecast"))]
    kind: &'static str,
    run: &'a str,
    now_ms: i64,
    finish_ms: Option<i64>,
    earliest_ms: Option<i64>,
    latest_ms: Option<i64>,
    items: u32,
    guessed: u32,
    dominant: &'a str,
    steps: Vec<StepObject<'a>>,
    one_more_like: &'a str,
    one_more_finish_ms: Option<i64>,
    note: &'a str,
}

#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct StepObject<'a> {
    step: &'a str,
    items: u32,
    core_ms: u64,
    path_ms: u64,
}

impl<'a> ForecastObject<'a> {
    fn of(found: &'a Forecast) -> Self {
        let known = |at_ms: i64| (at_ms > 0).then_some(at_ms);
        Self {
            kind: "forecast",
            run: &found.run,
            now_ms: found.now_ms,
            finish_ms: known(found.finish_ms),
            earliest_ms: known(found.earliest_ms),
            latest_ms: known(found.latest_ms),
            items: found.items,
            guessed: found.guessed,
            dominant: &found.dominant,
            steps: found
                .steps
                .iter()
                .map(|step| StepObject {
                    step: &step.step,
                    items: step.items,
                    core_ms: step.core_ms,
                    path_ms: step.path_ms,
                })
                .collect(),
            one_more_like: &found.one_more_like,
            one_more_finish_ms: known(found.one_more_finish_ms),
            note: &found.note,
        }
    }
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::StepForecast;

    use super::*;

    #[test]
    fn runs_and_manifests_are_told_apart() {
        for (target, manifest) in [
            ("harbour-dock.12", false),
            ("harbour-dock", false),
            ("harbour.toml", true),
            ("./harbour", true),
        ] {
            assert_eq!(is_manifest(target), manifest, "{target}");
        }
    }

    #[test]
    fn a_forecast_reads_as_a_sentence() {
        let found = Forecast {
            run: "harbour-dock.12".into(),
            now_ms: 1_000_000,
            finish_ms: 1_600_000,
            earliest_ms: 1_500_000,
            latest_ms: 1_900_000,
            items: 12,
            guessed: 2,
            dominant: "weathered".into(),
            one_more_like: "ash".into(),
            one_more_finish_ms: 1_400_000,
            steps: vec![StepForecast {
                step: "weathered".into(),
                items: 12,
                core_ms: 90_000,
                path_ms: 60_000,
            }],
            note: String::new(),
        };
        let shown = anstream::adapter::strip_str(&text(&found)).to_string();
        for wanted in [
            "harbour-dock.12: done in about 10 min",
            "between 8 min 20 s and 15 min",
            "2 of 12 items were never measured",
            "one more agent like ash: 3 min 20 s sooner",
            "most work",
        ] {
            assert!(shown.contains(wanted), "{wanted}: {shown}");
        }
    }
}
