//! The objects that `store …` prints with `--json`; the promises of [`super::json`] hold for them too.

use schemars::JsonSchema;
use serde::Serialize;
use tidemill_coordinator::upkeep::thin::Thinned;
use tidemill_proto::v1::{SweepEvent, UsageRow, VerifyEvent, usage_row};

use super::json::digest;
use crate::exit::ExitStatus;

/// `kind = "usage"`: what a part of the store takes; `of` is all, unneeded, incoming, aside, run, step or variant.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Usage<'a> {
    #[schemars(extend("const" = "usage"))]
    kind: &'static str,
    of: &'static str,
    name: &'a str,
    blobs: u64,
    bytes: u64,
    alone_bytes: u64,
    pinned: bool,
}

impl<'a> Usage<'a> {
    /// Of a row.
    pub fn of(row: &'a UsageRow) -> Self {
        let of = match row.of() {
            usage_row::Of::All => "all",
            usage_row::Of::Unneeded => "unneeded",
            usage_row::Of::Run => "run",
            usage_row::Of::Step => "step",
            usage_row::Of::Variant => "variant",
            usage_row::Of::Incoming => "incoming",
            usage_row::Of::Aside => "aside",
        };
        Self {
            kind: "usage",
            of,
            name: &row.name,
            blobs: row.blobs,
            bytes: row.bytes,
            alone_bytes: row.alone_bytes,
            pinned: row.pinned,
        }
    }
}

/// `kind = "thinned"`: what `store thin` forgot, or without `--remove` would forget.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ThinnedObject {
    #[schemars(extend("const" = "thinned"))]
    kind: &'static str,
    removed: bool,
    runs: u64,
    items: u64,
    attempts: u64,
    logs: u64,
    before_bytes: u64,
    after_bytes: u64,
}

impl ThinnedObject {
    /// Of what came of it.
    pub fn of(thinned: &Thinned, removed: bool) -> Self {
        Self {
            kind: "thinned",
            removed,
            runs: thinned.runs,
            items: thinned.items,
            attempts: thinned.attempts,
            logs: thinned.logs,
            before_bytes: thinned.before_bytes,
            after_bytes: thinned.after_bytes,
        }
    }
}

/// `kind = "bad-blob"`: a blob that is damaged, lost or unreadable, and the items that made or read it.
#[derive(Debug, Serialize, JsonSchema)]
pub struct BadBlob<'a> {
    #[schemars(extend("const" = "bad-blob"))]
    kind: &'static str,
    digest: String,
    problem: &'a str,
    detail: &'a str,
    items: &'a [String],
}

impl<'a> BadBlob<'a> {
    /// Of the coordinator's.
    pub fn of(bad: &'a tidemill_proto::v1::BadBlob) -> Self {
        Self {
            kind: "bad-blob",
            digest: digest(&bad.digest),
            problem: &bad.problem,
            detail: &bad.detail,
            items: &bad.items,
        }
    }
}

/// `kind = "verified"`: the last line of `store verify`.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Verified {
    #[schemars(extend("const" = "verified"))]
    kind: &'static str,
    checked_blobs: u64,
    checked_bytes: u64,
    damaged_blobs: u64,
    lost_blobs: u64,
    unreadable_blobs: u64,
    exit: u8,
}

impl Verified {
    /// Of the last event.
    pub fn of(event: &VerifyEvent, status: ExitStatus) -> Self {
        Self {
            kind: "verified",
            checked_blobs: event.checked_blobs,
            checked_bytes: event.checked_bytes,
            damaged_blobs: event.damaged_blobs,
            lost_blobs: event.lost_blobs,
            unreadable_blobs: event.unreadable_blobs,
            exit: status.code(),
        }
    }
}

/// `kind = "swept"`: the last line of `store sweep`; `removed` is false if only figures were asked for.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Swept {
    #[schemars(extend("const" = "swept"))]
    kind: &'static str,
    removed: bool,
    resumed: bool,
    kept_runs: u64,
    dropped_runs: u64,
    freed_blobs: u64,
    freed_bytes: u64,
    dropped_results: u64,
    /// Files and puts that writers left which died half-way, and the room they take.
    left_over: u64,
    left_over_bytes: u64,
}

impl Swept {
    /// Of the last event.
    pub fn of(event: &SweepEvent, removed: bool) -> Self {
        Self {
            kind: "swept",
            removed,
            resumed: event.resumed,
            kept_runs: event.kept_runs,
            dropped_runs: event.dropped_runs,
            freed_blobs: event.freed_blobs,
            freed_bytes: event.freed_bytes,
            dropped_results: event.dropped_results,
            left_over: event.left_over,
            left_over_bytes: event.left_over_bytes,
        }
    }
}
