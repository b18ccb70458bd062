//! What people ask and order: decode, call, encode.

use std::sync::Arc;

use tidemill_proto::v1::runs_server::Runs;
use tidemill_proto::v1::{
    AboutAnswer, AboutRequest, AgainRequest, AgentList, AgentsRequest, Estimate, FixedTool, HistoryRequest,
    ItemRequest, ItemRow, ItemView, ItemsRequest, LogChunk, LogRequest, PlanPart, PreferRequest, PreviewItem,
    RunRequest, RunRow, SubmitPart, Submitted, WatchEvent, WatchRequest, WhyAnswer,
};
use tidemill_proto::{CHUNK_BYTES, Digest, PROTOCOL, RunName};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::{Request, Response, Status, Streaming};

use super::asking::{Stream, WAITING, see, stream_of};
use super::blocking::blocking;
use super::convert::{archive_status, item_status, refusal_status};
use super::logging::{LogWanted, send_log};
use super::submission::{check, check_preference, name_lacking, prepare, receive};
use super::watching::watch;
use crate::engine::EngineHandle;
use crate::engine::board::{RunBoard, RunFacts};
use crate::engine::event::{Again, Event, Explained, Refusal, Reply};
use crate::engine::plan::KeptPlan;
use crate::query::archive::{Archive, name_of, run_row};
use crate::query::names::fits;
use crate::query::preview::preview;
use crate::query::seen::Seen;

/// Serves people.
pub struct RunsService {
    engine: EngineHandle,
    archive: Archive,
    ending: CancellationToken,
}

impl RunsService {
    /// Streams end when `ending` is cancelled.
    pub fn new(engine: EngineHandle, archive: Archive, ending: CancellationToken) -> Self {
        Self {
            engine,
            archive,
            ending,
        }
    }

    async fn see(&self, asked: &str) -> Result<Seen, Status> {
        see(&self.archive, &self.engine, asked).await
    }

    /// Finds run and item.
    async fn see_item(&self, request: &ItemRequest) -> Result<(Seen, u32), Status> {
        let seen = self.see(&request.run).await?;
        let index = seen.index(&request.item).map_err(|error| item_status(&error))?;
        Ok((seen, index))
    }

    async fn explain(&self, seen: &Seen, index: u32) -> Result<Explained, Status> {
        if !seen.live {
            return Ok(Explained::default());
        }
        let name = seen.board.facts().run.clone();
        self.engine
            .ask(|reply| Event::Explain(name, index, reply))
            .await
            .map_err(refusal_status)
    }

    async fn order(
        &self,
        asked: &str,
        event: impl FnOnce(RunName, Reply<RunRow>) -> Event,
    ) -> Result<Response<RunRow>, Status> {
        let seen = self.see(asked).await?;
        let name = seen.board.facts().run.clone();
        let row = self
            .engine
            .ask(|reply| event(name, reply))
            .await
            .map_err(refusal_status)?;
        Ok(Response::new(row))
    }
}

#[tonic::async_trait]
impl Runs for RunsService {
    async fn submit(&self, request: Request<Streaming<SubmitPart>>) -> Result<Response<Submitted>, Status> {
        let sent = receive(request.into_inner()).await?;
        let store = self.archive.store.clone();
        let new = blocking(move || prepare(sent, &store)).await??;
        let plan = new.plan.clone();
        match self
            .engine
            .ask(|reply| Event::Submitted(Box::new(new), reply))
            .await
        {
            Ok(run) => Ok(Response::new(Submitted {
                run: run.to_string(),
                items: plan.len(),
            })),
            Err(Refusal::Lacking(lacking)) => {
                let text = blocking(move || name_lacking(&plan, &lacking)).await?;
                Err(Status::failed_precondition(text))
            }
            Err(refusal) => Err(refusal_status(refusal)),
        }
    }

    type PreviewStream = Stream<PreviewItem>;
    async fn preview(
        &self,
        request: Request<Streaming<SubmitPart>>,
    ) -> Result<Response<Self::PreviewStream>, Status> {
        let sent = receive(request.into_inner()).await?;
        let (plan, anew) = (sent.plan, sent.header.anew);
        let plan = blocking(move || {
            let plan = check(&plan)?;
            KeptPlan::new(plan).map_err(|error| Status::invalid_argument(error.to_string()))
        })
        .await??;
        let tools = plan.tools.clone();
        let tools = self
            .engine
            .ask(|reply| Event::FixTools(tools, reply))
            .await
            .map_err(refusal_status)?;
        let archive = self.archive.clone();
        let items = blocking(move || {
            let facts = RunFacts {
                run: RunName {
                    manifest: plan.manifest.clone(),
                    number: 1,
                },
                serial: 0,
                submitted_ms: 0,
                person: String::new(),
                folder: String::new(),
                plan: Digest::from_bytes([0; 32]),
            };
            preview(&archive, &RunBoard::new(facts, Arc::new(plan)), &tools, &anew)
        })
        .await?
        .map_err(|error| Status::invalid_argument(error.to_string()))?;
        Ok(stream_of(items))
    }

    type WatchStream = Stream<WatchEvent>;
    async fn watch(&self, request: Request<WatchRequest>) -> Result<Response<Self::WatchStream>, Status> {
        let seen = self.see(&request.get_ref().run).await?;
        let (sender, receiver) = mpsc::channel(WAITING);
        tokio::spawn(watch(
            seen.board,
            request.get_ref().quiet,
            sender,
            self.ending.clone(),
        ));
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type HistoryStream = Stream<RunRow>;
    async fn history(
        &self,
        request: Request<HistoryRequest>,
    ) -> Result<Response<Self::HistoryStream>, Status> {
        let HistoryRequest { manifest, limit } = request.into_inner();
        let limit = if limit == 0 { usize::MAX } else { limit as usize };
        let archive = self.archive.clone();
        let records = blocking(move || archive.history(&manifest, limit))
            .await?
            .map_err(|error| archive_status(&error))?;
        let live = self
            .engine
            .live
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .clone();
        let row = move |record| match live.get(&name_of(&record)) {
            Some(entry) => entry.board.run_row(),
            None => run_row(&record),
        };
        Ok(stream_of(records.into_iter().map(row)))
    }

    async fn show_run(&self, request: Request<RunRequest>) -> Result<Response<RunRow>, Status> {
        let seen = self.see(&request.get_ref().run).await?;
        let tool = |(name, exact): (&String, &String)| FixedTool {
            name: name.clone(),
            exact: exact.clone(),
        };
        let mut tools: Vec<FixedTool> = seen.tools.iter().map(tool).collect();
        tools.sort_unstable_by(|a, b| a.name.cmp(&b.name));
        Ok(Response::new(RunRow {
            tools,
            ..seen.board.run_row()
        }))
    }

    type ItemsStream = Stream<ItemRow>;
    async fn items(&self, request: Request<ItemsRequest>) -> Result<Response<Self::ItemsStream>, Status> {
        let seen = self.see(&request.get_ref().run).await?;
        let ItemsRequest { states, pattern, .. } = request.into_inner();
        let board = seen.board;
        let fits_request = move |row: &ItemRow| {
            (states.is_empty() || states.contains(&row.state))
                && (pattern.is_empty() || fits(&pattern, &row.address))
        };
        let rows = (0..board.plan().len()).filter_map(move |index| board.item_row(index).ok());
        Ok(stream_of(rows.filter(fits_request)))
    }

    async fn show_item(&self, request: Request<ItemRequest>) -> Result<Response<ItemView>, Status> {
        let (seen, index) = self.see_item(request.get_ref()).await?;
        let explained = self.explain(&seen, index).await?;
        let archive = self.archive.clone();
        let mut view = blocking(move || seen.item_view(&archive, index))
            .await?
            .map_err(|error| item_status(&error))?;
        view.waits_for = explained.waits_for;
        view.booked = explained.estimate.map(|estimate| Estimate {
            memory_bytes: estimate.need.memory_bytes,
            millicores: estimate.need.millicores,
            elapsed_ms: estimate.elapsed_ms.unwrap_or(0),
        });
        Ok(Response::new(view))
    }

    async fn why(&self, request: Request<ItemRequest>) -> Result<Response<WhyAnswer>, Status> {
        let (seen, index) = self.see_item(request.get_ref()).await?;
        let explained = self.explain(&seen, index).await?;
        let (archive, live) = (self.archive.clone(), self.engine.live.clone());
        let answer = blocking(move || seen.why(&archive, &live, index, &explained.waits_for)).await?;
        answer.map(Response::new).map_err(|error| item_status(&error))
    }

    type LogStream = Stream<LogChunk>;
    async fn log(&self, request: Request<LogRequest>) -> Result<Response<Self::LogStream>, Status> {
        let LogRequest {
            run,
            item,
            attempt,
            follow,
        } = request.into_inner();
        let (seen, index) = self.see_item(&ItemRequest { run, item }).await?;
        let (sender, receiver) = mpsc::channel(2);
        let wanted = LogWanted {
            seen,
            index,
            attempt,
            follow,
        };
        let work = send_log(self.archive.clone(), self.engine.logs.clone(), wanted, sender);
        let ending = self.ending.clone();
        tokio::spawn(async move { ending.run_until_cancelled(work).await });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type GetPlanStream = Stream<PlanPart>;
    async fn get_plan(&self, request: Request<RunRequest>) -> Result<Response<Self::GetPlanStream>, Status> {
        let (archive, asked) = (self.archive.clone(), request.into_inner().run);
        let bytes = blocking(move || {
            let serial = archive.find(&asked)?;
            archive
                .run(serial)?
                .map(|record| archive.plan_bytes(&record))
                .transpose()
        })
        .await?
        .map_err(|error| archive_status(&error))?
        .unwrap_or_default();
        let parts: Vec<PlanPart> = bytes
            .chunks(CHUNK_BYTES)
            .map(|part| PlanPart { plan: part.to_vec() })
            .collect();
        Ok(stream_of(parts))
    }

    async fn stop(&self, request: Request<RunRequest>) -> Result<Response<RunRow>, Status> {
        self.order(&request.get_ref().run, Event::Stop).await
    }

    async fn pause(&self, request: Request<RunRequest>) -> Result<Response<RunRow>, Status> {
        self.order(&request.get_ref().run, |run, reply| {
            Event::Pause(run, true, reply)
        })
        .await
    }

    async fn resume(&self, request: Request<RunRequest>) -> Result<Response<RunRow>, Status> {
        self.order(&request.get_ref().run, |run, reply| {
            Event::Pause(run, false, reply)
        })
        .await
    }

    async fn prefer(&self, request: Request<PreferRequest>) -> Result<Response<RunRow>, Status> {
        let PreferRequest { run, priority, share } = request.into_inner();
        if share == Some(0) {
            return Err(Status::invalid_argument(
                "the share must be from 1 to 1000, not 0",
            ));
        }
        check_preference(priority.unwrap_or(0), share.unwrap_or(1))?;
        self.order(&run, |run, reply| Event::Prefer(run, priority, share, reply))
            .await
    }

    async fn again(&self, request: Request<AgainRequest>) -> Result<Response<RunRow>, Status> {
        let AgainRequest { run, patterns, anew } = request.into_inner();
        let seen = self.see(&run).await?;
        let again = Again {
            record: seen.record,
            board: seen.board,
            patterns,
            anew,
        };
        let row = self
            .engine
            .ask(|reply| Event::Again(Box::new(again), reply))
            .await
            .map_err(refusal_status)?;
        Ok(Response::new(row))
    }

    async fn list_agents(&self, _request: Request<AgentsRequest>) -> Result<Response<AgentList>, Status> {
        let agents = self.engine.ask(Event::ListAgents).await.map_err(refusal_status)?;
        Ok(Response::new(AgentList { agents }))
    }

    async fn about(&self, _request: Request<AboutRequest>) -> Result<Response<AboutAnswer>, Status> {
        Ok(Response::new(AboutAnswer {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            protocol: PROTOCOL,
            start_id: self.engine.start.to_string(),
            store_id: self.archive.store.id().to_owned(),
        }))
    }
}
