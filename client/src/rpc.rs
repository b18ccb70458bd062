//! The coordinator's services as plain calls: values in, values or a [`Failure`] out. The same for the own
//! coordinator, another process's, and a studio's.

use bytes::Bytes;
use futures::{Stream, StreamExt as _, TryStreamExt as _};
use prost::Message as _;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::runs_client::RunsClient;
use tidemill_proto::v1::upkeep_client::UpkeepClient;
use tidemill_proto::v1::{
    AboutAnswer, AboutRequest, AgainRequest, AgentRow, AgentsRequest, BlobChunk, BlobHeader, BlobRequest,
    DigestList, HistoryRequest, ItemRequest, ItemRow, ItemView, ItemsRequest, LogRequest, Plan,
    PreferRequest, PreviewItem, RunRequest, RunRow, SubmitHeader, SubmitPart, Submitted, WatchEvent,
    WatchRequest, WholeBlobs, WhyAnswer, blob_chunk, submit_part,
};
use tidemill_proto::v1::{
    PinRequest, SweepEvent, SweepRequest, UsageRequest, UsageRow, VerifyEvent, VerifyRequest,
};
use tidemill_proto::{CHUNK_BYTES, Digest, MAX_MESSAGE_BYTES, PROTOCOL, packing};
use tonic::transport::Channel;
use tonic::{Code, Status, Streaming};

use crate::arguments::RunPick;
use crate::failure::{Failure, chain, nearest};

/// Calls to one coordinator. Clones share the connection.
#[derive(Debug, Clone)]
pub struct Rpc {
    channel: Channel,
    runs: RunsClient<Channel>,
    blobs: BlobsClient<Channel>,
    upkeep: UpkeepClient<Channel>,
    /// Data is packed for the way where that pays.
    packs: bool,
}

impl Rpc {
    /// Over a channel.
    pub fn over(channel: Channel) -> Self {
        let upkeep_channel = channel.clone();
        let runs = RunsClient::new(channel.clone());
        let blobs = BlobsClient::new(channel.clone());
        Self {
            channel,
            runs: runs
                .max_decoding_message_size(MAX_MESSAGE_BYTES)
                .max_encoding_message_size(MAX_MESSAGE_BYTES),
            blobs: blobs
                .max_decoding_message_size(MAX_MESSAGE_BYTES)
                .max_encoding_message_size(MAX_MESSAGE_BYTES),
            upkeep: UpkeepClient::new(upkeep_channel).max_decoding_message_size(MAX_MESSAGE_BYTES),
            packs: false,
        }
    }

    /// The same, over a network: data is packed for the way where that pays.
    pub fn packing(self) -> Self {
        Self { packs: true, ..self }
    }

    /// The connection itself, for further services.
    pub fn channel(&self) -> Channel {
        self.channel.clone()
    }

    /// Who is there; refuses one that speaks another version of the contract.
    pub async fn about(&self) -> Result<AboutAnswer, Failure> {
        let request = AboutRequest {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            protocol: PROTOCOL,
        };
        let answer = self
            .runs
            .clone()
            .about(request)
            .await
            .map_err(|status| failed(&status))?
            .into_inner();
        if answer.protocol == PROTOCOL {
            return Ok(answer);
        }
        Err(Failure::unreachable(format!(
            "the coordinator speaks version {} of the contract (Tidemill {}), this program version {PROTOCOL} (Tidemill {})",
            answer.protocol,
            answer.version,
            env!("CARGO_PKG_VERSION"),
        ))
        .hint("use the same release of Tidemill on both sides"))
    }

    /// The name of the run that is meant, as in `harbour-dock.12`.
    pub async fn find(&self, pick: &RunPick) -> Result<RunRow, Failure> {
        match pick {
            RunPick::Newest => self.history("", 1).await?.pop().ok_or_else(|| {
                Failure::wrong("there are no runs yet").hint("start one with `tidemill run MANIFEST`")
            }),
            RunPick::Named(name) => self.show_run(name).await,
        }
    }

    /// A run, with the nearest name as a hint if there is none of this one.
    pub async fn show_run(&self, run: &str) -> Result<RunRow, Failure> {
        match self
            .runs
            .clone()
            .show_run(RunRequest { run: run.to_owned() })
            .await
        {
            Ok(row) => Ok(row.into_inner()),
            Err(status) if status.code() == Code::NotFound || status.code() == Code::InvalidArgument => {
                Err(self.no_such_run(run, &status).await)
            }
            Err(status) => Err(failed(&status)),
        }
    }

    async fn no_such_run(&self, run: &str, status: &Status) -> Failure {
        let failure = failed(status);
        if failure.hint.is_some() {
            return failure;
        }
        let Ok(rows) = self.history("", 200).await else {
            return failure;
        };
        let mut names: Vec<&str> = rows.iter().map(|row| row.run.as_str()).collect();
        names.extend(
            rows.iter()
                .filter_map(|row| row.run.rsplit_once('.'))
                .map(|(manifest, _)| manifest),
        );
        match nearest(run, names) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint("`tidemill history` lists the runs"),
        }
    }

    /// Runs, newest first.
    pub async fn history(&self, manifest: &str, limit: u32) -> Result<Vec<RunRow>, Failure> {
        let request = HistoryRequest {
            manifest: manifest.to_owned(),
            limit,
        };
        collected(self.runs.clone().history(request).await).await
    }

    /// All items of a run that match (an empty pattern: all), in the order of the plan.
    pub async fn items(&self, run: &str, pattern: &str) -> Result<Vec<ItemRow>, Failure> {
        let request = ItemsRequest {
            run: run.to_owned(),
            states: Vec::new(),
            pattern: pattern.to_owned(),
        };
        collected(self.runs.clone().items(request).await).await
    }

    /// One item with its attempts, key and neighbours.
    pub async fn show_item(&self, run: &str, item: &str) -> Result<ItemView, Failure> {
        match self.runs.clone().show_item(item_request(run, item)).await {
            Ok(view) => Ok(view.into_inner()),
            Err(status) => Err(self.item_failure(run, item, &status).await),
        }
    }

    /// Why an item ran, or did not have to.
    pub async fn why(&self, run: &str, item: &str) -> Result<WhyAnswer, Failure> {
        match self.runs.clone().why(item_request(run, item)).await {
            Ok(answer) => Ok(answer.into_inner()),
            Err(status) => Err(self.item_failure(run, item, &status).await),
        }
    }

    /// Bytes of an attempt's log (0: the newest attempt).
    pub async fn log(
        &self,
        run: &str,
        item: &str,
        attempt: u32,
        follow: bool,
    ) -> Result<impl Stream<Item = Result<Vec<u8>, Failure>> + use<>, Failure> {
        let request = LogRequest {
            run: run.to_owned(),
            item: item.to_owned(),
            attempt,
            follow,
        };
        match self.runs.clone().log(request).await {
            Ok(stream) => Ok(stream
                .into_inner()
                .map(|chunk| chunk.map(|chunk| chunk.data).map_err(|status| failed(&status)))),
            Err(status) => Err(self.item_failure(run, item, &status).await),
        }
    }

    async fn item_failure(&self, run: &str, item: &str, status: &Status) -> Failure {
        if status.code() != Code::NotFound {
            return failed(status);
        }
        let failure = failed(status);
        if failure.hint.is_some() {
            return failure;
        }
        let Ok(rows) = self.items(run, "").await else {
            return failure;
        };
        if rows.iter().any(|row| row.address == item) {
            return failure;
        }
        match nearest(item, rows.iter().map(|row| row.address.as_str())) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint(format!("`tidemill show {run}` lists the items")),
        }
    }

    /// First the whole state, then changes, until the run has ended.
    pub async fn watch(&self, run: &str, quiet: bool) -> Result<Streaming<WatchEvent>, Failure> {
        let request = WatchRequest {
            run: run.to_owned(),
            quiet,
        };
        self.runs
            .clone()
            .watch(request)
            .await
            .map(tonic::Response::into_inner)
            .map_err(|status| failed(&status))
    }

    /// Submits a plan; its inputs must be in the store.
    pub async fn submit(&self, header: SubmitHeader, plan: &Plan) -> Result<Submitted, Failure> {
        let submitted = self
            .runs
            .clone()
            .submit(futures::stream::iter(submission(header, plan)))
            .await;
        submitted
            .map(tonic::Response::into_inner)
            .map_err(|status| failed(&status))
    }

    /// What a submission would do now, item by item.
    pub async fn preview(&self, header: SubmitHeader, plan: &Plan) -> Result<Vec<PreviewItem>, Failure> {
        collected(
            self.runs
                .clone()
                .preview(futures::stream::iter(submission(header, plan)))
                .await,
        )
        .await
    }

    /// The plan that was submitted.
    pub async fn plan(&self, run: &str) -> Result<Plan, Failure> {
        let mut pieces = self
            .runs
            .clone()
            .get_plan(run_request(run))
            .await
            .map_err(|status| failed(&status))?
            .into_inner();
        let mut bytes = Vec::new();
        while let Some(piece) = pieces.message().await.map_err(|status| failed(&status))? {
            bytes.extend_from_slice(&piece.plan);
        }
        Plan::decode(bytes.as_slice()).map_err(|error| {
            Failure::unreachable(format!("the coordinator sent a damaged plan of {run}: {error}"))
        })
    }

    /// Stops a run.
    pub async fn stop(&self, run: &str) -> Result<RunRow, Failure> {
        one(self.runs.clone().stop(run_request(run)).await)
    }

    /// Holds a run's ready items back.
    pub async fn pause(&self, run: &str) -> Result<RunRow, Failure> {
        one(self.runs.clone().pause(run_request(run)).await)
    }

    /// Lets a paused run go on.
    pub async fn resume(&self, run: &str) -> Result<RunRow, Failure> {
        one(self.runs.clone().resume(run_request(run)).await)
    }

    /// Changes an open run's priority and share; `None`: it stays.
    pub async fn prefer(
        &self,
        run: &str,
        priority: Option<i32>,
        share: Option<u32>,
    ) -> Result<RunRow, Failure> {
        let request = PreferRequest {
            run: run.to_owned(),
            priority,
            share,
        };
        one(self.runs.clone().prefer(request).await)
    }

    /// Opens an ended run again.
    pub async fn again(&self, run: &str, patterns: &[String], anew: bool) -> Result<RunRow, Failure> {
        let request = AgainRequest {
            run: run.to_owned(),
            patterns: patterns.to_vec(),
            anew,
        };
        one(self.runs.clone().again(request).await)
    }

    /// The agents that are or were here.
    pub async fn agents(&self) -> Result<Vec<AgentRow>, Failure> {
        Ok(one(self.runs.clone().list_agents(AgentsRequest {}).await)?.agents)
    }

    /// What the store holds: the whole, then by run, step and variant.
    pub async fn store_usage(&self) -> Result<Vec<UsageRow>, Failure> {
        collected(self.upkeep.clone().usage(UsageRequest {}).await).await
    }

    /// Reads blobs and compares them with their names.
    pub async fn store_verify(&self, request: VerifyRequest) -> Result<Streaming<VerifyEvent>, Failure> {
        one(self.upkeep.clone().verify(request).await)
    }

    /// Removes what no kept run needs, or says what would go.
    pub async fn store_sweep(&self, request: SweepRequest) -> Result<Streaming<SweepEvent>, Failure> {
        one(self.upkeep.clone().sweep(request).await)
    }

    /// Keeps a run in every sweep, or no longer.
    pub async fn store_pin(&self, request: PinRequest) -> Result<RunRow, Failure> {
        one(self.upkeep.clone().pin(request).await)
    }

    /// Those of `digests` that the store lacks.
    pub async fn missing(&self, digests: &[Digest]) -> Result<Vec<Digest>, Failure> {
        let mut missing = Vec::new();
        // So many digests fit into one message with room to spare.
        for part in digests.chunks(100_000) {
            let request = DigestList {
                digests: part.iter().map(|digest| digest.to_vec()).collect(),
            };
            for digest in one(self.blobs.clone().missing(request).await)?.digests {
                missing.push(
                    Digest::from_slice(&digest).map_err(|error| Failure::unreachable(error.to_string()))?,
                );
            }
        }
        Ok(missing)
    }

    /// Whether a blob that should be in the store cannot be had from it. [`Rpc::missing`] would not say: a copy that
    /// only waits for a commit counts as there.
    pub async fn has_lost(&self, digest: Digest) -> bool {
        let request = BlobRequest {
            digest: digest.to_vec(),
            ..BlobRequest::default()
        };
        let status = match self.blobs.clone().get(request).await {
            Ok(chunks) => chunks.into_inner().message().await.err(),
            Err(status) => Some(status),
        };
        status.is_some_and(|status| matches!(status.code(), Code::NotFound | Code::DataLoss))
    }

    /// Puts one blob; `data` yields its bytes in pieces of at most [`CHUNK_BYTES`].
    pub async fn put(
        &self,
        digest: Digest,
        size: u64,
        data: impl Stream<Item = Bytes> + Send + 'static,
    ) -> Result<(), Status> {
        let header = BlobHeader {
            digest: digest.to_vec(),
            size,
            offset: 0,
        };
        self.blobs.clone().put(self.chunks(header, data)).await?;
        Ok(())
    }

    /// Which ranges of a big blob the store lacks, as offset and length; none: all of it is there.
    pub async fn lacking(&self, digest: Digest, size: u64) -> Result<Vec<(u64, u64)>, Status> {
        let header = BlobHeader {
            digest: digest.to_vec(),
            size,
            offset: 0,
        };
        let ranges = self.blobs.clone().lacking(header).await?.into_inner().ranges;
        Ok(ranges
            .into_iter()
            .map(|range| (range.offset, range.length))
            .collect())
    }

    /// Puts a part of a big blob of `size` bytes; `data` yields what stands from `offset` on, in pieces of at most
    /// [`CHUNK_BYTES`].
    pub async fn put_part(
        &self,
        digest: Digest,
        size: u64,
        offset: u64,
        data: impl Stream<Item = Bytes> + Send + 'static,
    ) -> Result<(), Status> {
        let header = BlobHeader {
            digest: digest.to_vec(),
            size,
            offset,
        };
        self.blobs.clone().put_part(self.chunks(header, data)).await?;
        Ok(())
    }

    fn chunks<S>(&self, header: BlobHeader, data: S) -> impl Stream<Item = BlobChunk> + Send + use<S>
    where
        S: Stream<Item = Bytes> + Send + 'static,
    {
        let header = BlobChunk {
            part: Some(blob_chunk::Part::Header(header)),
        };
        let (packs, mut pays) = (self.packs, None);
        let chunks = data.map(move |data| {
            let pack = *pays.get_or_insert_with(|| packs && packing::pays(&data));
            packing::chunk(data, pack)
        });
        futures::stream::iter([header]).chain(chunks)
    }

    /// Puts many small blobs at once. Gives those whose bytes have another name than announced.
    pub async fn put_whole(&self, blobs: WholeBlobs) -> Result<Vec<Digest>, Status> {
        let misnamed = self.blobs.clone().put_whole(blobs).await?.into_inner().digests;
        let digests = misnamed.iter().map(|bytes| Digest::from_slice(bytes));
        digests
            .collect::<Result<_, _>>()
            .map_err(|error| Status::internal(error.to_string()))
    }

    /// Bytes of a blob, from the start.
    pub async fn get(
        &self,
        digest: Digest,
    ) -> Result<impl Stream<Item = Result<Bytes, Failure>> + use<>, Failure> {
        let request = BlobRequest {
            digest: digest.to_vec(),
            packed: self.packs,
            ..BlobRequest::default()
        };
        let chunks = self
            .blobs
            .clone()
            .get(request)
            .await
            .map_err(|status| failed(&status))?
            .into_inner();
        Ok(chunks
            .map_err(|status| failed(&status))
            .try_filter_map(|chunk| async move {
                Ok(match chunk.part {
                    Some(blob_chunk::Part::Data(data)) => Some(data),
                    Some(blob_chunk::Part::Packed(packed)) => Some(
                        packing::unpack(&packed).map_err(|error| Failure::unreachable(error.to_string()))?,
                    ),
                    _ => None,
                })
            }))
    }
}

/// A call's refusal in the client's words: whose fault it is decides how the process ends.
pub fn failed(status: &Status) -> Failure {
    let text = sentence(status);
    // What the coordinator suggests is shown apart from what happened.
    if let Some((text, near)) = text.split_once("; did you mean ") {
        return failed(&Status::new(status.code(), text)).hint(format!("did you mean {near}"));
    }
    match status.code() {
        Code::NotFound
        | Code::InvalidArgument
        | Code::FailedPrecondition
        | Code::AlreadyExists
        | Code::OutOfRange => Failure::wrong(text),
        Code::DataLoss | Code::ResourceExhausted => Failure::work(text),
        Code::Unavailable | Code::Unknown | Code::Cancelled => {
            Failure::unreachable(format!("the coordinator went away: {text}"))
        }
        _ => Failure::unreachable(text),
    }
}

fn sentence(status: &Status) -> String {
    if status.message().is_empty() {
        return chain(status);
    }
    status.message().trim_end_matches('.').to_owned()
}

fn one<T>(answer: Result<tonic::Response<T>, Status>) -> Result<T, Failure> {
    answer
        .map(tonic::Response::into_inner)
        .map_err(|status| failed(&status))
}

async fn collected<T>(answer: Result<tonic::Response<Streaming<T>>, Status>) -> Result<Vec<T>, Failure> {
    one(answer)?.try_collect().await.map_err(|status| failed(&status))
}

fn run_request(run: &str) -> RunRequest {
    RunRequest { run: run.to_owned() }
}

fn item_request(run: &str, item: &str) -> ItemRequest {
    ItemRequest {
        run: run.to_owned(),
        item: item.to_owned(),
    }
}

/// A plan in pieces, behind its header.
fn submission(header: SubmitHeader, plan: &Plan) -> Vec<SubmitPart> {
    let header = SubmitPart {
        part: Some(submit_part::Part::Header(header)),
    };
    let bytes = plan.encode_to_vec();
    let pieces = bytes.chunks(CHUNK_BYTES).map(|piece| SubmitPart {
        part: Some(submit_part::Part::Plan(piece.to_vec())),
    });
    std::iter::once(header).chain(pieces).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exit::ExitStatus;

    #[test]
    fn a_refusal_is_somebodys_fault() {
        assert_eq!(failed(&Status::not_found("no run `x`.")).message, "no run `x`");
        assert_eq!(
            failed(&Status::failed_precondition("no")).status,
            ExitStatus::Wrong
        );
        assert_eq!(
            failed(&Status::unavailable("gone")).status,
            ExitStatus::Unreachable
        );
        assert_eq!(failed(&Status::data_loss("torn")).status, ExitStatus::ItemsFailed);
    }

    #[test]
    fn a_plan_travels_in_pieces_behind_its_header() {
        let name = "x".repeat(CHUNK_BYTES + 10);
        let parts = submission(
            SubmitHeader::default(),
            &Plan {
                manifest: name.clone(),
                ..Plan::default()
            },
        );
        assert!(matches!(parts[0].part, Some(submit_part::Part::Header(_))));
        let mut bytes = Vec::new();
        for part in &parts[1..] {
            match &part.part {
                Some(submit_part::Part::Plan(piece)) => {
                    assert!(piece.len() <= CHUNK_BYTES);
                    bytes.extend_from_slice(piece);
                }
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(Plan::decode(bytes.as_slice()).unwrap().manifest, name);
    }
}
