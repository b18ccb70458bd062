//! The objects that `--json` prints, one a line. Their fields are a promise to scripts: fields may be added,
//! never renamed or taken away. Times are Unix time in milliseconds, 0 stands for "not yet"; digests are 64
//! hexadecimal digits.
//!
//! These types stand apart from the wire messages, so that a change on the wire never changes a script's input.

use schemars::JsonSchema;
use serde::{Serialize, Serializer};
use serde_json::{Map, Value};
use tidemill_proto::v1::{
    AgentRow, Attempt, Estimate, ItemInput, ItemRow, ItemView, MadeOutput, RunRow, RunState, SignOffRow,
    StateCounts, Wait, WhyAnswer,
};
use tidemill_proto::{Digest, state};

use crate::exit::ExitStatus;
use crate::failure::Failure;

/// `kind = "error"`: why the command could not do its work.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Error<'a> {
    #[schemars(extend("const" = "error"))]
    kind: &'static str,
    message: &'a str,
    hint: Option<&'a str>,
    exit: u8,
}

impl<'a> Error<'a> {
    /// Of a failure.
    pub fn of(failure: &'a Failure) -> Self {
        Self {
            kind: "error",
            message: &failure.message,
            hint: failure.hint.as_deref(),
            exit: failure.status.code(),
        }
    }
}

/// `kind = "joined"`: a studio's coordinator that this user has joined.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Joined<'a> {
    #[schemars(extend("const" = "joined"))]
    kind: &'static str,
    at: &'a str,
    name: &'a str,
    expires_ms: i64,
}

impl<'a> Joined<'a> {
    /// With the address for `--at`, the name that was certified, and when the certificate ends.
    pub fn new(at: &'a str, name: &'a str, expires_ms: i64) -> Self {
        Self {
            kind: "joined",
            at,
            name,
            expires_ms,
        }
    }
}

/// A count for every item state by its own word, zero included, in the order of [`state::ALL`].
#[derive(Debug)]
pub struct Counts(StateCounts);

impl From<&StateCounts> for Counts {
    fn from(counts: &StateCounts) -> Self {
        Self(*counts)
    }
}

impl Serialize for Counts {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(state::ALL.map(|state| (state::word(state), state::count(&self.0, state))))
    }
}

/// `kind = "run"`: one run as it stands.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Run<'a> {
    #[schemars(extend("const" = "run"))]
    kind: &'static str,
    run: &'a str,
    state: &'static str,
    #[serde(flatten)]
    counts: Counts,
    submitted_ms: i64,
    ended_ms: i64,
    finish_estimate_ms: i64,
    person: &'a str,
    folder: &'a str,
    cpu_ms: u64,
    attempts: u64,
    stopped_by_person: bool,
    paused: bool,
    priority: i32,
    share: u32,
    note: &'a str,
    draft: bool,
    until: &'a str,
}

impl<'a> From<&'a RunRow> for Run<'a> {
    fn from(row: &'a RunRow) -> Self {
        Self {
            kind: "run",
            run: &row.run,
            state: run_word(row),
            counts: Counts::from(&row.counts.unwrap_or_default()),
            submitted_ms: row.submitted_ms,
            ended_ms: row.ended_ms,
            finish_estimate_ms: row.finish_estimate_ms,
            person: &row.person,
            folder: &row.folder,
            cpu_ms: row.cpu_ms,
            attempts: row.attempts,
            stopped_by_person: row.stopped_by_person,
            paused: row.paused,
            priority: row.priority,
            share: row.share,
            note: &row.note,
            draft: row.draft,
            until: &row.until,
        }
    }
}

/// `open`, `paused` or `ended`.
pub fn run_word(row: &RunRow) -> &'static str {
    match row.state() {
        RunState::Ended => "ended",
        _ if row.paused => "paused",
        _ => "open",
    }
}

/// One output that an item made.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Output<'a> {
    name: &'a str,
    path: &'a str,
    digest: String,
    size: u64,
}

impl<'a> From<&'a MadeOutput> for Output<'a> {
    fn from(made: &'a MadeOutput) -> Self {
        Self {
            name: &made.name,
            path: &made.path,
            digest: digest(&made.digest),
            size: made.size,
        }
    }
}

/// `kind = "item"`: one item as it stands.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Item<'a> {
    #[schemars(extend("const" = "item"))]
    kind: &'static str,
    run: &'a str,
    address: &'a str,
    state: &'static str,
    attempts: u32,
    agent: &'a str,
    elapsed_ms: u64,
    peak_memory_bytes: u64,
    reason: &'a str,
    changed_ms: i64,
    outputs: Vec<Output<'a>>,
    /// Of a failed item: JSON that it wrote all the same, such as the figures of a broken audit.
    findings: Vec<Output<'a>>,
    #[serde(flatten)]
    more: Option<ItemMore<'a>>,
}

impl<'a> Item<'a> {
    /// Of a row.
    pub fn row(run: &'a str, row: &'a ItemRow) -> Self {
        Self {
            kind: "item",
            run,
            address: &row.address,
            state: state::word(row.state()),
            attempts: row.attempts,
            agent: &row.agent,
            elapsed_ms: row.elapsed_ms,
            peak_memory_bytes: row.peak_memory_bytes,
            reason: &row.reason,
            changed_ms: row.changed_ms,
            outputs: row.outputs.iter().map(Output::from).collect(),
            findings: row.findings.iter().map(Output::from).collect(),
            more: None,
        }
    }

    /// Of a whole view, which adds attempts, key, estimates and neighbours.
    pub fn view(run: &'a str, row: &'a ItemRow, view: &'a ItemView) -> Self {
        let more = ItemMore {
            key: digest(&view.key),
            key_parts: view
                .key_parts
                .iter()
                .map(|part| (part.name.clone(), Value::from(part.value.as_str())))
                .collect(),
            attempts_made: view.attempts_made.iter().map(AttemptMade::from).collect(),
            declared: view.declared.as_ref().map(Needed::from),
            learned: view.learned.as_ref().map(Needed::from),
            booked: view.booked.as_ref().map(Needed::from),
            upstream: &view.upstream,
            downstream: &view.downstream,
            waits_for: &view.waits_for,
            made_by: &view.made_by,
            inputs: view.inputs.iter().map(InputRead::from).collect(),
            waits: view.waits.iter().map(Waited::from).collect(),
        };
        Self {
            more: Some(more),
            ..Self::row(run, row)
        }
    }
}

#[derive(Debug, Serialize, JsonSchema)]
struct ItemMore<'a> {
    key: String,
    key_parts: Map<String, Value>,
    attempts_made: Vec<AttemptMade<'a>>,
    declared: Option<Needed>,
    learned: Option<Needed>,
    booked: Option<Needed>,
    upstream: &'a [String],
    downstream: &'a [String],
    waits_for: &'a str,
    made_by: &'a str,
    inputs: Vec<InputRead<'a>>,
    waits: Vec<Waited<'a>>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct InputRead<'a> {
    name: &'a str,
    /// A path of the manifest's folder, or the item and output that makes it.
    from: &'a str,
    /// Of a companion of the file: its name.
    beside: &'a str,
    label: &'a str,
    size: u64,
    digest: String,
}

impl<'a> From<&'a ItemInput> for InputRead<'a> {
    fn from(input: &'a ItemInput) -> Self {
        Self {
            name: &input.name,
            from: &input.from,
            beside: &input.beside,
            label: &input.label,
            size: input.size,
            digest: digest(&input.digest),
        }
    }
}

#[derive(Debug, Serialize, JsonSchema)]
struct Waited<'a> {
    from_ms: i64,
    /// 0: it waits still.
    until_ms: i64,
    reason: &'a str,
}

impl<'a> From<&'a Wait> for Waited<'a> {
    fn from(wait: &'a Wait) -> Self {
        Self {
            from_ms: wait.from_ms,
            until_ms: wait.until_ms,
            reason: &wait.reason,
        }
    }
}

#[derive(Debug, Serialize, JsonSchema)]
struct AttemptMade<'a> {
    number: u32,
    agent: &'a str,
    started_ms: i64,
    ended_ms: i64,
    outcome: &'a str,
    exit_code: i32,
    reason: &'a str,
    elapsed_ms: u64,
    user_ms: u64,
    system_ms: u64,
    peak_memory_bytes: u64,
    log: String,
    log_tail: &'a str,
    charged: bool,
}

impl<'a> From<&'a Attempt> for AttemptMade<'a> {
    fn from(attempt: &'a Attempt) -> Self {
        let measured = attempt.measured.unwrap_or_default();
        Self {
            number: attempt.number,
            agent: &attempt.agent,
            started_ms: attempt.started_ms,
            ended_ms: attempt.ended_ms,
            outcome: &attempt.outcome,
            exit_code: attempt.exit_code,
            reason: &attempt.reason,
            elapsed_ms: measured.elapsed_ms,
            user_ms: measured.user_ms,
            system_ms: measured.system_ms,
            peak_memory_bytes: measured.peak_memory_bytes,
            log: digest(&attempt.log),
            log_tail: &attempt.log_tail,
            charged: attempt.charged,
        }
    }
}

#[derive(Debug, Serialize, JsonSchema)]
struct Needed {
    memory_bytes: u64,
    millicores: u32,
    elapsed_ms: u64,
}

impl From<&Estimate> for Needed {
    fn from(estimate: &Estimate) -> Self {
        Self {
            memory_bytes: estimate.memory_bytes,
            millicores: estimate.millicores,
            elapsed_ms: estimate.elapsed_ms,
        }
    }
}

/// `kind = "why"`: why an item ran, or why it did not have to.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Why<'a> {
    #[schemars(extend("const" = "why"))]
    kind: &'static str,
    run: &'a str,
    item: &'a str,
    state: &'static str,
    sentence: &'a str,
    compared_with: &'a str,
    changes: Vec<Change<'a>>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Change<'a> {
    name: &'a str,
    before: &'a str,
    after: &'a str,
    cause: &'a str,
}

impl<'a> Why<'a> {
    /// Of the coordinator's answer.
    pub fn of(run: &'a str, item: &'a str, answer: &'a WhyAnswer) -> Self {
        let changes = answer.changes.iter().map(|change| Change {
            name: &change.name,
            before: &change.before,
            after: &change.after,
            cause: &change.cause,
        });
        Self {
            kind: "why",
            run,
            item,
            state: state::word(answer.state()),
            sentence: &answer.sentence,
            compared_with: &answer.compared_with,
            changes: changes.collect(),
        }
    }
}

/// `kind = "agent"`: one agent and what it lends.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Agent<'a> {
    #[schemars(extend("const" = "agent"))]
    kind: &'static str,
    name: &'a str,
    state: &'a str,
    version: &'a str,
    cores: u32,
    memory_bytes: u64,
    lent_millicores: u32,
    booked_millicores: u32,
    lent_memory_bytes: u64,
    booked_memory_bytes: u64,
    load_cores: f32,
    running: &'a [String],
    finished_items: u64,
    note: &'a str,
    seen_ms: i64,
}

impl<'a> From<&'a AgentRow> for Agent<'a> {
    fn from(row: &'a AgentRow) -> Self {
        Self {
            kind: "agent",
            name: &row.name,
            state: &row.state,
            version: &row.version,
            cores: row.cores,
            memory_bytes: row.memory_bytes,
            lent_millicores: row.lent_millicores,
            booked_millicores: row.booked_millicores,
            lent_memory_bytes: row.lent_memory_bytes,
            booked_memory_bytes: row.booked_memory_bytes,
            load_cores: row.load_cores,
            running: &row.running,
            finished_items: row.finished_items,
            note: &row.note,
            seen_ms: row.seen_ms,
        }
    }
}

/// `kind = "delivered"`: one file that is now in its place; `kind = "held"`: a unit that is not delivered;
/// `kind = "removed"`: a file of an earlier delivery that is gone; `kind = "kept"`: one that had to stay.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Delivered<'a> {
    #[schemars(extend("enum" = ["delivered", "held", "removed", "kept"]))]
    kind: &'static str,
    run: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    path: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    written: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
}

impl<'a> Delivered<'a> {
    /// A file in its place; `written` is false if it was there already.
    pub fn file(run: &'a str, unit: &'a str, path: &'a str, written: bool) -> Self {
        Self {
            kind: "delivered",
            run,
            unit: Some(unit),
            path: Some(path),
            written: Some(written),
            reason: None,
        }
    }

    /// A unit that is held back.
    pub fn held(run: &'a str, unit: &'a str, reason: &'a str) -> Self {
        Self {
            kind: "held",
            run,
            unit: Some(unit),
            path: None,
            written: None,
            reason: Some(reason),
        }
    }

    /// A file of an earlier delivery that is gone.
    pub fn removed(run: &'a str, path: &'a str) -> Self {
        Self {
            kind: "removed",
            run,
            unit: None,
            path: Some(path),
            written: None,
            reason: None,
        }
    }

    /// A file of an earlier delivery that had to stay.
    pub fn kept(run: &'a str, path: &'a str, reason: &'a str) -> Self {
        Self {
            kind: "kept",
            reason: Some(reason),
            ..Self::removed(run, path)
        }
    }
}

/// `kind = "report"`: the file that `report` wrote.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ReportFile<'a> {
    #[schemars(extend("const" = "report"))]
    kind: &'static str,
    run: &'a str,
    path: String,
    size: usize,
    pictures: usize,
}

impl<'a> ReportFile<'a> {
    /// Of a run.
    pub fn of(run: &'a str, path: &std::path::Path, size: usize, pictures: usize) -> Self {
        Self {
            kind: "report",
            run,
            path: path.to_string_lossy().into_owned(),
            size,
            pictures,
        }
    }
}

/// `kind = "sign-off"`: where a variant stands.
#[derive(Debug, Serialize, JsonSchema)]
pub struct SignOff<'a> {
    #[schemars(extend("const" = "sign-off"))]
    kind: &'static str,
    run: &'a str,
    variant: &'a str,
    state: &'a str,
    note: &'a str,
    person: &'a str,
    decided_ms: i64,
    decided_in: &'a str,
    changed: &'a [String],
    earlier: &'a str,
}

impl<'a> SignOff<'a> {
    /// Of the coordinator's row about a variant of `run`.
    pub fn of(run: &'a str, row: &'a SignOffRow) -> Self {
        Self {
            kind: "sign-off",
            run,
            variant: &row.variant,
            state: &row.state,
            note: &row.note,
            person: &row.person,
            decided_ms: row.decided_ms,
            decided_in: &row.run,
            changed: &row.changed,
            earlier: &row.earlier,
        }
    }
}

/// `kind = "summary"`: the last line of `run`, `again`, `watch` and `deliver`.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Summary<'a> {
    /// Always `summary`.
    #[schemars(extend("const" = "summary"))]
    pub kind: &'static str,
    /// Name of the run.
    pub run: &'a str,
    /// By the states' own words.
    #[serde(flatten)]
    pub counts: Counts,
    /// Files that are in their place, written now or unchanged.
    pub delivered: usize,
    /// Of these, files that had to be written.
    pub written: usize,
    /// Units (variants or groups) that were not delivered.
    pub held: usize,
    /// Files of earlier deliveries that were removed.
    pub removed: usize,
    /// From submission to end.
    pub elapsed_ms: u64,
    /// The process's exit code.
    pub exit: u8,
}

impl<'a> Summary<'a> {
    /// Of a run as it stands at the end.
    pub fn of(row: &'a RunRow, status: ExitStatus) -> Self {
        Self {
            kind: "summary",
            run: &row.run,
            counts: Counts::from(&row.counts.unwrap_or_default()),
            delivered: 0,
            written: 0,
            held: 0,
            removed: 0,
            elapsed_ms: elapsed_ms(row),
            exit: status.code(),
        }
    }
}

/// From submission to end, 0 while the run is open.
pub fn elapsed_ms(row: &RunRow) -> u64 {
    match row.ended_ms {
        0 => 0,
        ended => u64::try_from(ended - row.submitted_ms).unwrap_or(0),
    }
}

pub(super) fn digest(bytes: &[u8]) -> String {
    Digest::from_slice(bytes)
        .map(|digest| digest.to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(value: &impl Serialize) -> Vec<String> {
        match serde_json::to_value(value).unwrap() {
            Value::Object(map) => map.keys().cloned().collect(),
            other => panic!("{other}"),
        }
    }

    #[test]
    fn a_summary_counts_every_state_by_its_word() {
        let row = RunRow {
            run: "harbour-dock.12".into(),
            counts: Some(StateCounts {
                done: 9,
                cut_off: 2,
                ..StateCounts::default()
            }),
            submitted_ms: 1000,
            ended_ms: 4500,
            ..RunRow::default()
        };
        let summary = serde_json::to_value(Summary::of(&row, ExitStatus::ItemsFailed)).unwrap();
        let expected = serde_json::json!({
            "kind": "summary", "run": "harbour-dock.12",
            "waiting": 0, "ready": 0, "running": 0, "done": 9, "reused": 0, "failed": 0, "cut-off": 2, "stopped": 0,
            "delivered": 0, "written": 0, "held": 0, "removed": 0, "elapsed_ms": 3500, "exit": 1,
        });
        assert_eq!(summary, expected);
    }

    #[test]
    fn every_object_starts_with_its_kind() {
        let failure = Failure::wrong("no");
        assert_eq!(keys(&Error::of(&failure)), ["exit", "hint", "kind", "message"]);
        let run = serde_json::to_string(&Run::from(&RunRow::default())).unwrap();
        assert!(run.starts_with(r#"{"kind":"run","run":"""#), "{run}");
        let item = serde_json::to_string(&Item::row("dock.1", &ItemRow::default())).unwrap();
        assert!(item.starts_with(r#"{"kind":"item","run":"dock.1""#), "{item}");
    }

    #[test]
    fn an_item_view_adds_to_the_row() {
        let row = ItemRow {
            address: "a/game".into(),
            ..ItemRow::default()
        };
        let view = ItemView {
            attempts_made: vec![Attempt::default()],
            ..ItemView::default()
        };
        let value = serde_json::to_value(Item::view("dock.1", &row, &view)).unwrap();
        assert_eq!(value["address"], "a/game");
        assert_eq!(value["attempts_made"].as_array().map(Vec::len), Some(1));
        assert_eq!(value["attempts"], 0);
    }
}
