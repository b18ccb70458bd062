//! Forecasts: gathers what is known, asks the simulated scheduler, encodes its answer.

use std::collections::HashMap;
use std::sync::Arc;

use tidemill_proto::v1::forecasts_server::Forecasts;
use tidemill_proto::v1::preview_item::Outcome;
use tidemill_proto::v1::{Forecast, PreviewItem, RunRequest, StepForecast, SubmitHeader, SubmitPart};
use tidemill_proto::{Digest, RunName, state};
use tonic::{Request, Response, Status, Streaming};

use super::blocking::blocking;
use super::convert::{archive_status, refusal_status};
use super::submission::{check, check_preference, receive};
use crate::engine::EngineHandle;
use crate::engine::agents::{Possession, Requirement};
use crate::engine::board::{RunBoard, RunFacts};
use crate::engine::clock::now_ms;
use crate::engine::event::Event;
use crate::engine::lookup::requirement_of;
use crate::engine::plan::{KeptPlan, PlanError};
use crate::engine::standing::{RunStanding, Standing};
use crate::forecast::expect::{self, expected};
use crate::forecast::{OpenRun, Outlook, Question, outlook};
use crate::query::archive::{Archive, name_of};
use crate::query::preview::preview;
use crate::query::seen::see;
use crate::scheduler::simulate::SimulatedRun;
use crate::scheduler::{RequirementId, SeatId};

/// Answers when runs will be done.
pub struct ForecastsService {
    engine: EngineHandle,
    archive: Archive,
}

impl ForecastsService {
    /// Of one coordinator.
    pub fn new(engine: EngineHandle, archive: Archive) -> Self {
        Self { engine, archive }
    }

    async fn standing(&self) -> Result<Standing, Status> {
        self.engine.ask(Event::Standing).await.map_err(refusal_status)
    }
}

#[tonic::async_trait]
impl Forecasts for ForecastsService {
    async fn of_run(&self, request: Request<RunRequest>) -> Result<Response<Forecast>, Status> {
        let (archive, live) = (self.archive.clone(), Arc::clone(&self.engine.live));
        let asked = request.into_inner().run;
        let name = blocking(move || see(&archive, &live, &asked).map(|seen| name_of(&seen.record)))
            .await?
            .map_err(|error| archive_status(&error))?;
        let standing = self.standing().await?;
        let archive = self.archive.clone();
        let forecast = blocking(move || of_open_run(&archive, standing, &name)).await?;
        forecast.map(Response::new).map_err(|error| plan_status(&error))
    }

    async fn of_plan(&self, request: Request<Streaming<SubmitPart>>) -> Result<Response<Forecast>, Status> {
        let sent = receive(request.into_inner()).await?;
        let (bytes, header) = (sent.plan, sent.header);
        check_preference(header.priority, header.share)?;
        let plan = blocking(move || {
            KeptPlan::new(check(&bytes)?).map_err(|error| Status::invalid_argument(error.to_string()))
        })
        .await??;
        let wanted = plan.tools.clone();
        let tools = self
            .engine
            .ask(|reply| Event::FixTools(wanted, reply))
            .await
            .map_err(refusal_status)?;
        let standing = self.standing().await?;
        let archive = self.archive.clone();
        let forecast = blocking(move || of_new_plan(&archive, standing, plan, tools, &header)).await?;
        forecast.map(Response::new).map_err(|error| plan_status(&error))
    }
}

fn plan_status(error: &PlanError) -> Status {
    Status::invalid_argument(error.to_string())
}

fn of_open_run(archive: &Archive, standing: Standing, name: &RunName) -> Result<Forecast, PlanError> {
    let Some(wanted) = standing.runs.iter().position(|run| run.name == *name) else {
        return Ok(Forecast {
            run: name.to_string(),
            now_ms: now_ms(),
            note: "it has ended: nothing is left to do".to_owned(),
            ..Forecast::default()
        });
    };
    let paused = standing.runs[wanted].paused;
    let forecast = answer(archive, standing, wanted, name.to_string())?;
    Ok(match paused {
        true => with_note(forecast, "it is paused; this is as if it went on now"),
        false => forecast,
    })
}

fn of_new_plan(
    archive: &Archive,
    mut standing: Standing,
    plan: KeptPlan,
    tools: HashMap<String, String>,
    header: &SubmitHeader,
) -> Result<Forecast, PlanError> {
    let manifest = plan.manifest.clone();
    let name = RunName {
        manifest: manifest.clone(),
        number: u32::MAX,
    };
    let facts = RunFacts {
        run: name.clone(),
        serial: u64::MAX,
        submitted_ms: 0,
        person: String::new(),
        folder: String::new(),
        plan: Digest::from_bytes([0; 32]),
    };
    let board = RunBoard::new(facts, Arc::new(plan));
    let found = preview(archive, &board, &tools, &header.anew)?;
    finish_reused(&board, &found);
    standing.runs.push(RunStanding {
        name,
        board: Arc::new(board),
        tools: Arc::new(tools),
        paused: false,
        priority: header.priority,
        share: header.share,
        running: HashMap::new(),
    });
    let wanted = standing.runs.len() - 1;
    answer(archive, standing, wanted, manifest)
}

/// What is there already is finished, also where it depends on nothing that would run.
fn finish_reused(board: &RunBoard, found: &[PreviewItem]) {
    for (index, item) in found.iter().enumerate() {
        if item.outcome() == Outcome::Reused {
            board.change(index as u32, 0, |cell| {
                cell.state = tidemill_proto::v1::ItemState::Reused;
            });
        }
    }
}

fn answer(archive: &Archive, standing: Standing, wanted: usize, run: String) -> Result<Forecast, PlanError> {
    let (now, any_agent) = (now_ms(), !standing.agents.is_empty());
    let mut question = Question {
        agents: standing.agents,
        ..Question::default()
    };
    let mut seats: HashMap<String, SeatId> = HashMap::new();
    let mut required = Required::default();
    for (position, run) in standing.runs.iter().enumerate() {
        if run.paused && position != wanted {
            continue;
        }
        if position == wanted {
            question.wanted = question.runs.len();
        }
        question.runs.push(open_run(
            archive,
            run,
            &mut seats,
            &mut question.seats,
            &mut required,
        )?);
    }
    for ((_, agent), possession) in question.agents.iter_mut().zip(&standing.possessions) {
        agent.spec.satisfies = required.met_by(possession);
    }
    let found = outlook(&question);
    let note = match found.ends {
        None if !any_agent => "no agent is here",
        None => "something in it fits no agent that is here within its hours",
        Some(_) => "",
    };
    Ok(with_note(encode(run, now, &found), note))
}

/// What items of the question require, numbered for it alone.
#[derive(Default)]
struct Required(Vec<Requirement>);

impl Required {
    /// `None`: nothing special.
    fn number(&mut self, requirement: Requirement) -> Option<RequirementId> {
        if requirement == Requirement::default() {
            return None;
        }
        let known = self.0.iter().position(|one| *one == requirement);
        let at = known.unwrap_or_else(|| {
            self.0.push(requirement);
            self.0.len() - 1
        });
        Some(RequirementId(at as u32))
    }

    fn met_by(&self, possession: &Possession) -> Vec<RequirementId> {
        let met =
            |(at, one): (usize, &Requirement)| possession.meets(one).then_some(RequirementId(at as u32));
        self.0.iter().enumerate().filter_map(met).collect()
    }
}

fn open_run(
    archive: &Archive,
    run: &RunStanding,
    seats: &mut HashMap<String, SeatId>,
    counts: &mut Vec<(SeatId, u32)>,
    required: &mut Required,
) -> Result<OpenRun, PlanError> {
    let plan = run.board.plan();
    let standing = |index: u32| match run.running.get(&index) {
        _ if state::is_finished(run.board.state(index)) => expect::Standing::Finished,
        Some(elapsed_ms) => expect::Standing::Running {
            elapsed_ms: *elapsed_ms,
        },
        None => expect::Standing::Open,
    };
    let output_bytes = |index: u32, output: &str| {
        let made = run.board.outputs(index)?;
        let item = plan.item(index).ok()?;
        let position = item.outputs.iter().position(|declared| declared.name == output)?;
        made.get(position).map(|(_, size)| *size)
    };
    let (mut items, steps) = expected(archive, plan, &run.tools, standing, output_bytes)?;
    let mut numbers = Vec::new();
    for (name, count) in &plan.seats {
        let next = SeatId(seats.len() as u32);
        let seat = *seats.entry(name.clone()).or_insert(next);
        counts.retain(|(known, _)| *known != seat);
        counts.push((seat, *count)); // the newest run's count holds
        numbers.push(seat);
    }
    for used in items.iter_mut().flat_map(|item| &mut item.spec.seats) {
        used.seat = numbers[used.seat.0 as usize];
    }
    for (index, item) in (0..).zip(&mut items).filter(|(_, item)| !item.reused) {
        let requirement = requirement_of(plan, &plan.item(index)?, &run.tools);
        item.requirement = required.number(requirement);
    }
    Ok(OpenRun {
        run: SimulatedRun {
            items,
            priority: run.priority,
            share: run.share,
            ..SimulatedRun::default()
        },
        steps,
    })
}

fn with_note(mut forecast: Forecast, note: &str) -> Forecast {
    if !forecast.note.is_empty() && !note.is_empty() {
        forecast.note.push_str("; ");
    }
    forecast.note.push_str(note);
    forecast
}

fn encode(run: String, now: i64, found: &Outlook) -> Forecast {
    let at = |from_now_ms: u64| now.saturating_add(i64::try_from(from_now_ms).unwrap_or(i64::MAX));
    let ends = found.ends;
    Forecast {
        run,
        now_ms: now,
        finish_ms: ends.map_or(0, |ends| at(ends.middle_ms)),
        earliest_ms: ends.map_or(0, |ends| at(ends.earliest_ms)),
        latest_ms: ends.map_or(0, |ends| at(ends.latest_ms)),
        items: found.items,
        guessed: found.guessed,
        steps: found
            .steps
            .iter()
            .map(|step| StepForecast {
                step: step.name.clone(),
                items: step.items,
                core_ms: step.core_ms,
                path_ms: step.path_ms,
            })
            .collect(),
        dominant: found.dominant.clone(),
        one_more_like: found
            .one_more
            .as_ref()
            .map(|(like, _)| like.clone())
            .unwrap_or_default(),
        one_more_finish_ms: found.one_more.as_ref().map_or(0, |(_, end_ms)| at(*end_ms)),
        note: String::new(),
    }
}
