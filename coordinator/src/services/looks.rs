//! Pictures, attempts and sign-off: decode, call, encode.

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::v1::looks_server::Looks;
use tidemill_proto::v1::pictures_server::Pictures;
use tidemill_proto::v1::{
    ItemAttempts, Measured, Painted, Picture, PictureKept, PictureQuery, PictureWish, RunRequest, SearchPart,
    SearchRequest, SignOffList, SignOffRequest, search_part,
};
use tidemill_proto::{Digest, Key};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::{Request, Response, Status, Streaming};

use super::blocking::blocking;
use super::convert::archive_status;
use crate::engine::EngineHandle;
use crate::engine::rows::attempt_view;
use crate::looks::drawer::Drawer;
use crate::looks::queue::Queue;
use crate::looks::sign_off::{outputs_by_variant, standing};
use crate::query::archive::{Archive, ArchiveError};
use crate::query::names::{fits_any, hint, nearest};
use crate::query::search::search;
use crate::query::seen::{Seen, see};
use crate::record::rows::{ItemRecord, SignOffRecord};
use crate::record::{RecordError, Scan, keys, pack};

/// Messages that wait between a query and its reader.
const WAITING: usize = 64;
/// A program that takes longer than this over a picture is taken for stuck, and its wish is another's.
const PAINT_LIMIT: Duration = Duration::from_secs(120);
/// Longest note of a sign-off.
const MOST_NOTE_BYTES: usize = 2000;

/// Serves people who look, and programs that draw.
#[derive(Clone)]
pub struct LooksService {
    engine: EngineHandle,
    archive: Archive,
    drawer: Drawer,
    queue: Arc<Queue>,
    ending: CancellationToken,
}

type Stream<T> = ReceiverStream<Result<T, Status>>;

impl LooksService {
    /// Pictures are kept in `drawer`. Streams end when `ending` is cancelled.
    pub fn new(
        engine: EngineHandle,
        archive: Archive,
        drawer: Drawer,
        queue: Arc<Queue>,
        ending: CancellationToken,
    ) -> Self {
        Self {
            engine,
            archive,
            drawer,
            queue,
            ending,
        }
    }

    async fn see(&self, asked: &str) -> Result<Seen, Status> {
        let (archive, live, asked) = (self.archive.clone(), self.engine.live.clone(), asked.to_owned());
        blocking(move || see(&archive, &live, &asked))
            .await?
            .map_err(|error| archive_status(&error))
    }

    async fn put_away(&self, picture: Picture) -> Result<(), Status> {
        let drawer = self.drawer.clone();
        blocking(move || drawer.keep(&picture))
            .await?
            .map_err(|error| Status::invalid_argument(format!("the picture cannot be kept: {error}")))
    }
}

#[tonic::async_trait]
impl Looks for LooksService {
    type AttemptsStream = Stream<ItemAttempts>;
    async fn attempts(&self, request: Request<RunRequest>) -> Result<Response<Self::AttemptsStream>, Status> {
        let seen = self.see(&request.get_ref().run).await?;
        let (sender, receiver) = mpsc::channel(WAITING);
        let archive = self.archive.clone();
        tokio::task::spawn_blocking(move || {
            if let Err(error) = send_attempts(&archive, seen.record.serial, &sender) {
                // A caller that left does not need the reason.
                let _ = sender.blocking_send(Err(archive_status(&error)));
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type SearchStream = Stream<SearchPart>;
    async fn search(&self, request: Request<SearchRequest>) -> Result<Response<Self::SearchStream>, Status> {
        let (archive, live) = (self.archive.clone(), Arc::clone(&self.engine.live));
        let request = request.into_inner();
        let found = blocking(move || search(&archive, &live, &request)).await?;
        let found = found.map_err(|error| archive_status(&error))?;
        let (sender, receiver) = mpsc::channel(WAITING);
        tokio::spawn(async move {
            let sums = std::iter::once(search_part::Part::Sums(found.sums));
            for part in sums.chain(found.rows.into_iter().map(search_part::Part::Row)) {
                if sender.send(Ok(SearchPart { part: Some(part) })).await.is_err() {
                    return;
                }
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    async fn sign_off(&self, request: Request<SignOffRequest>) -> Result<Response<SignOffList>, Status> {
        let request = request.into_inner();
        if request.note.len() > MOST_NOTE_BYTES {
            return Err(Status::invalid_argument(format!(
                "the note has {} bytes; at most {MOST_NOTE_BYTES} are kept",
                request.note.len()
            )));
        }
        let seen = self.see(&request.run).await?;
        let archive = self.archive.clone();
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let list = blocking(move || decide(&archive, &seen, &request, now_ms)).await??;
        Ok(Response::new(list))
    }

    async fn sign_offs(&self, request: Request<RunRequest>) -> Result<Response<SignOffList>, Status> {
        let seen = self.see(&request.get_ref().run).await?;
        let archive = self.archive.clone();
        let list = blocking(move || list(&archive, &seen))
            .await?
            .map_err(|error| archive_status(&error))?;
        Ok(Response::new(list))
    }
}

#[tonic::async_trait]
impl Pictures for LooksService {
    type FindStream = Stream<Picture>;
    async fn find(&self, request: Request<PictureQuery>) -> Result<Response<Self::FindStream>, Status> {
        let (sender, receiver) = mpsc::channel(WAITING);
        let (drawer, queue) = (self.drawer.clone(), Arc::clone(&self.queue));
        tokio::task::spawn_blocking(move || {
            let query = request.into_inner();
            for wish in query.wishes {
                let found = if query.without_bytes {
                    drawer.glance(&wish)
                } else {
                    drawer.find(&wish)
                };
                let Some(picture) = found else {
                    queue.ask(wish);
                    continue;
                };
                if sender.blocking_send(Ok(picture)).is_err() {
                    return;
                }
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    async fn keep(&self, request: Request<Picture>) -> Result<Response<PictureKept>, Status> {
        let picture = request.into_inner();
        if let Some(wish) = &picture.of {
            self.queue.settled(wish);
        }
        self.put_away(picture).await?;
        Ok(Response::new(PictureKept {}))
    }

    type PaintStream = Stream<PictureWish>;
    async fn paint(
        &self,
        request: Request<Streaming<Painted>>,
    ) -> Result<Response<Self::PaintStream>, Status> {
        let (sender, receiver) = mpsc::channel(1);
        let service = self.clone();
        tokio::spawn(async move {
            let ending = service.ending.clone();
            ending
                .run_until_cancelled(service.hand_out(request.into_inner(), sender))
                .await
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }
}

impl LooksService {
    /// One wish at a time for one program, until it leaves.
    async fn hand_out(
        self,
        mut painted: Streaming<Painted>,
        wishes: mpsc::Sender<Result<PictureWish, Status>>,
    ) {
        loop {
            let wish = tokio::select! {
                wish = self.queue.next() => wish,
                () = wishes.closed() => return,
            };
            let drawer = self.drawer.clone();
            let known = wish.clone();
            if blocking(move || drawer.has(&known)).await.unwrap_or(false) {
                self.queue.settled(&wish);
                continue;
            }
            if wishes.send(Ok(wish.clone())).await.is_err() {
                return self.queue.give_back(wish);
            }
            let answer = async {
                // The first message may be empty: it only opens the stream.
                loop {
                    match painted.message().await {
                        Ok(Some(Painted {
                            picture: Some(picture),
                        })) => return Some(picture),
                        Ok(Some(_)) => {}
                        Ok(None) | Err(_) => return None,
                    }
                }
            };
            match tokio::time::timeout(PAINT_LIMIT, answer).await {
                Ok(Some(mut picture)) => {
                    picture.of = Some(wish.clone());
                    if let Err(status) = self.put_away(picture).await {
                        tracing::warn!("{}", status.message());
                    }
                    self.queue.settled(&wish);
                }
                Ok(None) | Err(_) => return self.queue.give_back(wish),
            }
        }
    }
}

/// Sends attempts and savings of a run's items. Blocks.
fn send_attempts(
    archive: &Archive,
    serial: u64,
    sender: &mpsc::Sender<Result<ItemAttempts, Status>>,
) -> Result<(), ArchiveError> {
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::items(serial)), &mut |key, value| {
            let Some((_, index)) = keys::read_item(key) else {
                return ControlFlow::Continue(());
            };
            let row = pack::read::<ItemRecord>(key, value, &archive.store)
                .map_err(ArchiveError::from)
                .and_then(|item| {
                    Ok(ItemAttempts {
                        index,
                        saved: saved(archive, &item)?,
                        attempts: item.attempts.iter().map(attempt_view).collect(),
                    })
                });
            match row {
                Ok(row) if row.attempts.is_empty() && row.saved.is_none() => ControlFlow::Continue(()),
                Ok(row) => match sender.blocking_send(Ok(row)) {
                    Ok(()) => ControlFlow::Continue(()),
                    Err(_) => ControlFlow::Break(()),
                },
                Err(error) => {
                    failed = Some(error);
                    ControlFlow::Break(())
                }
            }
        })?;
    failed.map_or(Ok(()), Err)
}

/// What making a reused item's result once took.
fn saved(archive: &Archive, item: &ItemRecord) -> Result<Option<Measured>, ArchiveError> {
    let (Some(_), Ok(key)) = (item.reused_from, Digest::from_slice(&item.key)) else {
        return Ok(None);
    };
    let result = archive.result(&Key(key))?;
    Ok(result
        .and_then(|result| result.measured)
        .map(|measured| Measured {
            elapsed_ms: measured.elapsed_ms,
            user_ms: measured.user_ms,
            system_ms: measured.system_ms,
            peak_memory_bytes: measured.peak_memory_bytes,
        }))
}

/// Where each variant of a run stands. Blocks.
fn list(archive: &Archive, seen: &Seen) -> Result<SignOffList, ArchiveError> {
    let (plan, rows) = whole(archive, seen)?;
    let mut found = Vec::new();
    for (variant, outputs) in outputs_by_variant(&plan, &rows) {
        let last = last_decision(archive, &plan.manifest, &variant)?;
        found.push(standing(&variant, outputs.as_deref(), last.as_ref()));
    }
    Ok(SignOffList { rows: found })
}

fn whole(
    archive: &Archive,
    seen: &Seen,
) -> Result<(tidemill_proto::v1::Plan, Vec<tidemill_proto::v1::ItemRow>), ArchiveError> {
    let plan = archive.plan(&seen.record)?;
    let rows = (0..seen.board.plan().len()).map(|index| seen.board.item_row(index));
    let rows = rows.collect::<Result<_, _>>()?;
    Ok((plan, rows))
}

fn last_decision(
    archive: &Archive,
    manifest: &str,
    variant: &str,
) -> Result<Option<SignOffRecord>, ArchiveError> {
    let newest = Scan::of(keys::sign_offs(manifest, variant)).reverse().limit(1);
    match archive.record.scan(&newest)?.first() {
        Some((key, value)) => Ok(Some(pack::read(key, value, &archive.store)?)),
        None => Ok(None),
    }
}

/// Writes a decision for each variant that fits, all or none, durable on return. Blocks.
fn decide(
    archive: &Archive,
    seen: &Seen,
    request: &SignOffRequest,
    now_ms: i64,
) -> Result<SignOffList, Status> {
    let status = |error: ArchiveError| archive_status(&error);
    let record_status = |error: RecordError| archive_status(&error.into());
    let (plan, rows) = whole(archive, seen).map_err(status)?;
    let known = outputs_by_variant(&plan, &rows);
    let run = seen.board.facts().run.to_string();
    for pattern in &request.variants {
        if !known
            .iter()
            .any(|(name, _)| fits_any(std::slice::from_ref(pattern), name))
        {
            let near = nearest(pattern, known.iter().map(|(name, _)| name.as_str()));
            return Err(Status::not_found(format!(
                "{run} has no variant {pattern}{}",
                hint(&near)
            )));
        }
    }
    let chosen: Vec<_> = known
        .iter()
        .filter(|(name, _)| fits_any(&request.variants, name))
        .collect();
    if let Some((name, _)) = chosen.iter().find(|(_, outputs)| outputs.is_none()) {
        return Err(Status::failed_precondition(format!(
            "{name} is not finished in {run}: there is nothing to sign off yet; `tidemill show {run}` says what it lacks"
        )));
    }
    let (mut ops, mut blobs, mut answer) = (Vec::new(), Vec::new(), Vec::new());
    for (name, outputs) in chosen {
        let outputs = outputs.clone().unwrap_or_default();
        let decision = SignOffRecord {
            approved: request.approved,
            note: request.note.clone(),
            person: request.person.clone(),
            decided_ms: now_ms,
            run: run.clone(),
            outputs,
        };
        answer.push(standing(name, Some(&decision.outputs), Some(&decision)));
        let packed = pack::put(
            keys::sign_off(&plan.manifest, name, now_ms),
            &decision,
            &archive.store,
        )
        .map_err(|error| status(error.into()))?;
        ops.push(packed.op);
        blobs.extend(packed.blob);
    }
    archive
        .store
        .commit(&blobs)
        .map_err(|error| status(error.into()))?;
    archive.record.commit(&ops).map_err(record_status)?;
    Ok(SignOffList { rows: answer })
}
