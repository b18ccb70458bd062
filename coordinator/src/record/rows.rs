//! The rows as messages. Written by hand, apart from the wire, so that either can change alone.
//!
//! Tags are never given a second meaning; a field that is no longer needed keeps its tag. Digests and keys are
//! 32 bytes or empty; times are Unix milliseconds, 0 when there is none. Use [`super::pack`] to turn rows into
//! values and back.

use prost::Message;
use tidemill_proto::v1::{ItemState, RunState};

/// The format that this program writes and reads.
pub const RECORD_FORMAT: u32 = 1;

/// What this program gathers of an ended run.
pub const RUN_INDEX_FORMAT: u32 = 1;

/// Most bytes of a log's end that an attempt keeps in its row.
pub const MAX_TAIL_BYTES: usize = 1024;
/// Most bytes of a reason that a row keeps.
pub const MAX_REASON_BYTES: usize = 512;

/// What holds for the whole record.
#[derive(Clone, PartialEq, Message)]
pub struct MetaRecord {
    /// [`RECORD_FORMAT`] of the program that wrote it.
    #[prost(uint32, tag = "1")]
    pub format: u32,
    /// How many coordinators have started on it.
    #[prost(uint64, tag = "2")]
    pub starts: u64,
    /// The last serial given to a run.
    #[prost(uint64, tag = "3")]
    pub last_run_serial: u64,
}

/// The last run number of one manifest.
#[derive(Clone, PartialEq, Message)]
pub struct CounterRecord {
    /// Numbers count from 1 and never recur.
    #[prost(uint32, tag = "1")]
    pub last_number: u32,
}

/// From a run's name to its serial.
#[derive(Clone, PartialEq, Message)]
pub struct RunNameRecord {
    /// See [`super::keys::run`].
    #[prost(uint64, tag = "1")]
    pub serial: u64,
}

/// One run. Written at submission, when it ends, and when a person acts on it.
#[derive(Clone, PartialEq, Message)]
pub struct RunRecord {
    /// Its place among all runs.
    #[prost(uint64, tag = "1")]
    pub serial: u64,
    /// `[manifest].name`.
    #[prost(string, tag = "2")]
    pub manifest: String,
    /// From 1; with `manifest` the run's name.
    #[prost(uint32, tag = "3")]
    pub number: u32,
    /// Digest of the encoded plan.
    #[prost(bytes = "vec", tag = "4")]
    pub plan: Vec<u8>,
    /// Digest of the manifest's text.
    #[prost(bytes = "vec", tag = "5")]
    pub manifest_text: Vec<u8>,
    /// When it was submitted.
    #[prost(int64, tag = "6")]
    pub submitted_ms: i64,
    /// When it ended; 0: open.
    #[prost(int64, tag = "7")]
    pub ended_ms: i64,
    /// Who submitted it.
    #[prost(string, tag = "8")]
    pub person: String,
    /// Where the manifest stood.
    #[prost(string, tag = "9")]
    pub folder: String,
    /// Open or ended.
    #[prost(enumeration = "RunState", tag = "10")]
    pub state: i32,
    /// As of the last write of this row; of an open run the items' rows know better.
    #[prost(message, optional, tag = "11")]
    pub counts: Option<CountsRecord>,
    /// The exact versions that the run fixed, sorted by name.
    #[prost(message, repeated, tag = "12")]
    pub tools: Vec<FixedTool>,
    /// Submitted by the process that owned the record.
    #[prost(bool, tag = "13")]
    pub embedded: bool,
    /// A person stopped it.
    #[prost(bool, tag = "14")]
    pub stopped_by_person: bool,
    /// Address patterns to run in spite of a record.
    #[prost(string, repeated, tag = "15")]
    pub anew: Vec<String>,
    /// Processor time of all attempts, as of the last write.
    #[prost(uint64, tag = "16")]
    pub cpu_ms: u64,
    /// Attempts that ended, as of the last write.
    #[prost(uint64, tag = "17")]
    pub attempts: u64,
    /// Ready items are held back.
    #[prost(bool, tag = "18")]
    pub paused: bool,
    /// The plan's, kept here for the history.
    #[prost(bool, tag = "19")]
    pub draft: bool,
    /// The plan's, kept here for the history.
    #[prost(string, tag = "20")]
    pub until: String,
    /// Number of items in the plan.
    #[prost(uint32, tag = "21")]
    pub items: u32,
    /// When it was paused, oldest first; the last [`PAUSES_KEPT`].
    #[prost(message, repeated, tag = "22")]
    pub pauses: Vec<PauseRecord>,
    /// Runs of a higher one are served first.
    #[prost(sint32, tag = "23")]
    pub priority: i32,
    /// Of the cores, beside runs of its priority; 0 counts as 1.
    #[prost(uint32, tag = "24")]
    pub share: u32,
}

/// Pauses of a run that are kept: its row stays short.
pub const PAUSES_KEPT: usize = 32;

/// A time in which a run was paused.
#[derive(Clone, Copy, PartialEq, Eq, Message)]
pub struct PauseRecord {
    /// Unix time in milliseconds, by the coordinator's clock.
    #[prost(int64, tag = "1")]
    pub from_ms: i64,
    /// The same; 0: it is still paused.
    #[prost(int64, tag = "2")]
    pub until_ms: i64,
}

impl RunRecord {
    /// The run was paused or resumed.
    pub fn note_pause(&mut self, paused: bool, now_ms: i64) {
        let open = self.pauses.last_mut().filter(|pause| pause.until_ms == 0);
        match (open, paused) {
            (Some(pause), false) => pause.until_ms = now_ms,
            (None, true) => {
                if self.pauses.len() == PAUSES_KEPT {
                    self.pauses.remove(0);
                }
                self.pauses.push(PauseRecord {
                    from_ms: now_ms,
                    until_ms: 0,
                });
            }
            _ => {}
        }
    }
}

/// A count for every item state.
#[derive(Clone, Copy, PartialEq, Message)]
pub struct CountsRecord {
    /// Items in that state; so on for each.
    #[prost(uint32, tag = "1")]
    pub waiting: u32,
    #[prost(uint32, tag = "2")]
    pub ready: u32,
    #[prost(uint32, tag = "3")]
    pub running: u32,
    #[prost(uint32, tag = "4")]
    pub done: u32,
    #[prost(uint32, tag = "5")]
    pub reused: u32,
    #[prost(uint32, tag = "6")]
    pub failed: u32,
    #[prost(uint32, tag = "7")]
    pub cut_off: u32,
    #[prost(uint32, tag = "8")]
    pub stopped: u32,
}

/// The exact version of a tool that a run uses throughout.
#[derive(Clone, PartialEq, Message)]
pub struct FixedTool {
    /// The tool's name in the plan.
    #[prost(string, tag = "1")]
    pub name: String,
    /// As agents report it.
    #[prost(string, tag = "2")]
    pub exact: String,
}

/// One item of one run.
#[derive(Clone, PartialEq, Message)]
pub struct ItemRecord {
    /// Where it stands.
    #[prost(enumeration = "ItemState", tag = "1")]
    pub state: i32,
    /// Its key; empty while inputs are unknown.
    #[prost(bytes = "vec", tag = "2")]
    pub key: Vec<u8>,
    /// Oldest first.
    #[prost(message, repeated, tag = "3")]
    pub attempts: Vec<AttemptRecord>,
    /// One line for people, at most [`MAX_REASON_BYTES`].
    #[prost(string, tag = "4")]
    pub reason: String,
    /// For a reused item: the item that made the result.
    #[prost(message, optional, tag = "5")]
    pub reused_from: Option<ItemReference>,
    /// When the state changed last.
    #[prost(int64, tag = "6")]
    pub changed_ms: i64,
    /// What it made or reuses, in the order of the plan's outputs.
    #[prost(message, repeated, tag = "7")]
    pub outputs: Vec<OutputRecord>,
    /// Attempts that used up a retry since the item was last set to wait anew.
    #[prost(uint32, tag = "8")]
    pub charged: u32,
    /// Memory that earlier attempts have shown to be too little; 0: none.
    #[prost(uint64, tag = "9")]
    pub memory_floor_bytes: u64,
}

/// An item of any run.
#[derive(Clone, Copy, PartialEq, Eq, Message)]
pub struct ItemReference {
    /// Of its run.
    #[prost(uint64, tag = "1")]
    pub run_serial: u64,
    /// In that run's plan.
    #[prost(uint32, tag = "2")]
    pub index: u32,
}

/// One attempt at an item.
#[derive(Clone, PartialEq, Message)]
pub struct AttemptRecord {
    /// From 1.
    #[prost(uint32, tag = "1")]
    pub number: u32,
    /// Name of the agent.
    #[prost(string, tag = "2")]
    pub agent: String,
    /// When the process started.
    #[prost(int64, tag = "3")]
    pub started_ms: i64,
    /// When it ended; 0: it runs.
    #[prost(int64, tag = "4")]
    pub ended_ms: i64,
    /// done, failed, over-memory, over-time, handed-back, lost, stopped; empty: it runs.
    #[prost(string, tag = "5")]
    pub outcome: String,
    /// Of the process.
    #[prost(sint32, tag = "6")]
    pub exit_code: i32,
    /// One line for people, at most [`MAX_REASON_BYTES`].
    #[prost(string, tag = "7")]
    pub reason: String,
    /// What it took.
    #[prost(message, optional, tag = "8")]
    pub measured: Option<MeasuredRecord>,
    /// Digest of the whole log; empty: no output.
    #[prost(bytes = "vec", tag = "9")]
    pub log: Vec<u8>,
    /// Size of the whole log in bytes.
    #[prost(uint64, tag = "10")]
    pub log_size: u64,
    /// Its last lines, at most [`MAX_TAIL_BYTES`].
    #[prost(string, tag = "11")]
    pub log_tail: String,
    /// Used up a retry.
    #[prost(bool, tag = "12")]
    pub charged: bool,
    /// The log's blob is compressed with zstd.
    #[prost(bool, tag = "13")]
    pub log_packed: bool,
    /// What the agent lent when it ended, in bytes; 0: not known.
    #[prost(uint64, tag = "14")]
    pub lent_memory_bytes: u64,
    /// JSON that a failed attempt wrote all the same: the figures of a broken audit.
    #[prost(message, repeated, tag = "15")]
    pub findings: Vec<OutputRecord>,
}

/// What an attempt took.
#[derive(Clone, Copy, PartialEq, Eq, Message)]
pub struct MeasuredRecord {
    /// Wall clock.
    #[prost(uint64, tag = "1")]
    pub elapsed_ms: u64,
    /// Processor time in the program.
    #[prost(uint64, tag = "2")]
    pub user_ms: u64,
    /// Processor time in the system.
    #[prost(uint64, tag = "3")]
    pub system_ms: u64,
    /// Highest sum over the process tree.
    #[prost(uint64, tag = "4")]
    pub peak_memory_bytes: u64,
}

/// One output of a result.
#[derive(Clone, PartialEq, Eq, Message)]
pub struct OutputRecord {
    /// As declared.
    #[prost(string, tag = "1")]
    pub name: String,
    /// Of the blob, or of the tree for a folder.
    #[prost(bytes = "vec", tag = "2")]
    pub digest: Vec<u8>,
    /// In bytes.
    #[prost(uint64, tag = "3")]
    pub size: u64,
    /// For a folder: digests of the blobs that the tree names, 32 bytes each, one after the other.
    #[prost(bytes = "vec", tag = "4")]
    pub parts: Vec<u8>,
}

/// What was made under a key; written once, and again only by a run that was asked to make it anew.
#[derive(Clone, PartialEq, Message)]
pub struct ResultRecord {
    /// Sorted by name.
    #[prost(message, repeated, tag = "1")]
    pub outputs: Vec<OutputRecord>,
    /// The item that made it.
    #[prost(message, optional, tag = "2")]
    pub made_by: Option<ItemReference>,
    /// Number of the attempt that made it.
    #[prost(uint32, tag = "3")]
    pub attempt: u32,
    /// What making it took.
    #[prost(message, optional, tag = "4")]
    pub measured: Option<MeasuredRecord>,
    /// When it was made.
    #[prost(int64, tag = "5")]
    pub made_ms: i64,
    /// Made again with different bytes: the step is not repeatable.
    #[prost(bool, tag = "6")]
    pub not_repeatable: bool,
}

/// A run that every sweep keeps.
#[derive(Clone, Copy, PartialEq, Eq, Message)]
pub struct PinRecord {
    /// Since when.
    #[prost(int64, tag = "1")]
    pub pinned_ms: i64,
}

/// The last measured attempts of one step signature.
#[derive(Clone, PartialEq, Message)]
pub struct EstimateRecord {
    /// Oldest first.
    #[prost(message, repeated, tag = "1")]
    pub samples: Vec<SampleRecord>,
}

/// One measured attempt.
#[derive(Clone, Copy, PartialEq, Eq, Message)]
pub struct SampleRecord {
    /// Of all inputs together.
    #[prost(uint64, tag = "1")]
    pub input_bytes: u64,
    /// Highest sum over the process tree.
    #[prost(uint64, tag = "2")]
    pub peak_memory_bytes: u64,
    /// Wall clock; absent for an attempt that did not run to its end.
    #[prost(uint64, optional, tag = "3")]
    pub elapsed_ms: Option<u64>,
}

/// An agent that has joined at some time.
#[derive(Clone, PartialEq, Message)]
pub struct AgentRecord {
    /// Its own id.
    #[prost(string, tag = "1")]
    pub uuid: String,
    /// For people.
    #[prost(string, tag = "2")]
    pub name: String,
    /// Of its program.
    #[prost(string, tag = "3")]
    pub version: String,
    /// When it first joined.
    #[prost(int64, tag = "4")]
    pub first_seen_ms: i64,
    /// When it was last heard of, as of the last write.
    #[prost(int64, tag = "5")]
    pub seen_ms: i64,
    /// Of the machine.
    #[prost(uint32, tag = "6")]
    pub cores: u32,
    /// Of the machine.
    #[prost(uint64, tag = "7")]
    pub memory_bytes: u64,
    /// Items finished there, as of the last write.
    #[prost(uint64, tag = "8")]
    pub finished_items: u64,
    /// It gave its lent cores and memory back for good.
    #[prost(bool, tag = "9")]
    pub retired: bool,
    /// It has joined and was not heard leaving, as of the last write: after a restart it is worth waiting for.
    #[prost(bool, tag = "10")]
    pub here: bool,
}

/// What the history asks of an ended run, gathered from its items behind the hot path; made anew when it is lost or old.
#[derive(Clone, PartialEq, Message)]
pub struct RunIndexRecord {
    /// Of the run when this was gathered; another end makes it old.
    #[prost(int64, tag = "1")]
    pub ended_ms: i64,
    /// Names of its variants, one a line, compressed with zstd.
    #[prost(bytes = "vec", tag = "2")]
    pub variants: Vec<u8>,
    /// Its steps, in plan order.
    #[prost(message, repeated, tag = "3")]
    pub steps: Vec<StepIndexRecord>,
    /// Names of agents that ran something, sorted.
    #[prost(string, repeated, tag = "4")]
    pub agents: Vec<String>,
    /// Of outputs that were made.
    #[prost(uint64, tag = "5")]
    pub made_bytes: u64,
    /// [`RUN_INDEX_FORMAT`] of the program that gathered it; another makes it old.
    #[prost(uint32, tag = "6")]
    pub format: u32,
    /// For each variant in plan order 8 bytes: the beginning of a digest over its outputs, zeros if an item has none.
    #[prost(bytes = "vec", tag = "7")]
    pub seen: Vec<u8>,
}

/// What one step of a run took.
#[derive(Clone, PartialEq, Message)]
pub struct StepIndexRecord {
    /// The step's name.
    #[prost(string, tag = "1")]
    pub name: String,
    /// Of all its items.
    #[prost(uint32, tag = "2")]
    pub attempts: u32,
    /// Of its attempts.
    #[prost(uint64, tag = "3")]
    pub median_ms: u64,
    /// Of its attempts.
    #[prost(uint64, tag = "4")]
    pub longest_ms: u64,
    /// Of its attempts, together.
    #[prost(uint64, tag = "5")]
    pub cpu_ms: u64,
    /// Of its attempts.
    #[prost(uint64, tag = "6")]
    pub peak_memory_bytes: u64,
    /// Items that were reused.
    #[prost(uint32, tag = "7")]
    pub reused: u32,
}

/// What a person decided about a variant.
#[derive(Clone, PartialEq, Message)]
pub struct SignOffRecord {
    /// False: rejected.
    #[prost(bool, tag = "1")]
    pub approved: bool,
    /// The person's words.
    #[prost(string, tag = "2")]
    pub note: String,
    /// Who decided.
    #[prost(string, tag = "3")]
    pub person: String,
    /// When.
    #[prost(int64, tag = "4")]
    pub decided_ms: i64,
    /// Name of the run that was looked at.
    #[prost(string, tag = "5")]
    pub run: String,
    /// All outputs that the variant had in that run, sorted by name.
    #[prost(message, repeated, tag = "6")]
    pub outputs: Vec<SeenOutput>,
}

/// One output as it was when somebody looked at it.
#[derive(Clone, PartialEq, Eq, Message)]
pub struct SeenOutput {
    /// `step.output`.
    #[prost(string, tag = "1")]
    pub name: String,
    /// Of its bytes.
    #[prost(bytes = "vec", tag = "2")]
    pub digest: Vec<u8>,
}

/// The end of a text within `max_bytes`, from the start of a line if one starts there, and never within a character.
pub fn cut_tail(text: &str, max_bytes: usize) -> &str {
    if text.len() <= max_bytes {
        return text;
    }
    let mut start = text.len() - max_bytes;
    while !text.is_char_boundary(start) {
        start += 1;
    }
    let tail = &text[start..];
    match tail.find('\n') {
        Some(end_of_line) if end_of_line + 1 < tail.len() => &tail[end_of_line + 1..],
        _ => tail,
    }
}

/// A text of at most `max_bytes`, with `…` where the rest was left out.
pub fn cut_line(text: &str, max_bytes: usize) -> String {
    if text.len() <= max_bytes {
        return text.to_owned();
    }
    let mut end = max_bytes.saturating_sub('…'.len_utf8());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    format!("{}…", &text[..end])
}
