//! Pictures, attempts and sign-off: decode, call, encode.

use std::sync::Arc;
use std::time::Duration;

use tidemill_proto::v1::looks_server::Looks;
use tidemill_proto::v1::pictures_server::Pictures;
use tidemill_proto::v1::{
    ItemAttempts, Painted, Picture, PictureKept, PictureQuery, PictureWish, RunRequest, SearchPart,
    SearchRequest, SignOffList, SignOffRequest, search_part,
};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::{Request, Response, Status, Streaming};

use super::asking::{Stream, WAITING, see, stream_of};
use super::blocking::blocking;
use super::convert::{archive_status, decision_status};
use crate::engine::EngineHandle;
use crate::looks::attempts::each_attempts;
use crate::looks::decisions::{decide, list};
use crate::looks::drawer::Drawer;
use crate::looks::queue::Queue;
use crate::query::archive::Archive;
use crate::query::catalog::Catalog;
use crate::query::search::search;

/// A program that takes longer than this over a picture is taken for stuck, and its wish is another's.
const PAINT_LIMIT: Duration = Duration::from_secs(120);
/// Longest note of a sign-off.
const MOST_NOTE_BYTES: usize = 2000;

/// Serves people who look, and programs that draw.
#[derive(Clone)]
pub struct LooksService {
    engine: EngineHandle,
    archive: Archive,
    catalog: Arc<Catalog>,
    drawer: Drawer,
    queue: Arc<Queue>,
    ending: CancellationToken,
}

impl LooksService {
    /// Pictures are kept in `drawer`. Streams end when `ending` is cancelled.
    pub fn new(
        engine: EngineHandle,
        archive: Archive,
        catalog: Arc<Catalog>,
        drawer: Drawer,
        queue: Arc<Queue>,
        ending: CancellationToken,
    ) -> Self {
        Self {
            engine,
            archive,
            catalog,
            drawer,
            queue,
            ending,
        }
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
        let seen = see(&self.archive, &self.engine, &request.get_ref().run).await?;
        let (sender, receiver) = mpsc::channel(WAITING);
        let archive = self.archive.clone();
        tokio::task::spawn_blocking(move || {
            let each = &mut |row| sender.blocking_send(Ok(row)).is_ok();
            if let Err(error) = each_attempts(&archive, seen.record.serial, each) {
                // A caller that left does not need the reason.
                let _ = sender.blocking_send(Err(archive_status(&error)));
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }

    type SearchStream = Stream<SearchPart>;
    async fn search(&self, request: Request<SearchRequest>) -> Result<Response<Self::SearchStream>, Status> {
        let (archive, live) = (self.archive.clone(), Arc::clone(&self.engine.live));
        let catalog = Arc::clone(&self.catalog);
        let request = request.into_inner();
        let found = blocking(move || search(&archive, &catalog, &live, &request)).await?;
        let found = found.map_err(|error| archive_status(&error))?;
        let sums = std::iter::once(search_part::Part::Sums(found.sums));
        let parts = sums.chain(found.rows.into_iter().map(search_part::Part::Row));
        Ok(stream_of(parts.map(|part| SearchPart { part: Some(part) })))
    }

    async fn sign_off(&self, request: Request<SignOffRequest>) -> Result<Response<SignOffList>, Status> {
        let request = request.into_inner();
        if request.note.len() > MOST_NOTE_BYTES {
            return Err(Status::invalid_argument(format!(
                "the note has {} bytes; at most {MOST_NOTE_BYTES} are kept",
                request.note.len()
            )));
        }
        let seen = see(&self.archive, &self.engine, &request.run).await?;
        let archive = self.archive.clone();
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let list = blocking(move || decide(&archive, &seen, &request, now_ms))
            .await?
            .map_err(|error| decision_status(&error))?;
        Ok(Response::new(list))
    }

    async fn sign_offs(&self, request: Request<RunRequest>) -> Result<Response<SignOffList>, Status> {
        let seen = see(&self.archive, &self.engine, &request.get_ref().run).await?;
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
                    if !query.quietly {
                        queue.ask(wish);
                    }
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
                    let is_answer = !(picture.png.is_empty() && picture.trouble.is_empty());
                    if is_answer && let Err(status) = self.put_away(picture).await {
                        tracing::warn!("{}", status.message());
                    }
                    self.queue.settled(&wish);
                }
                Ok(None) | Err(_) => return self.queue.give_back(wish),
            }
        }
    }
}
