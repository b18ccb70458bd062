//! Between what the engine knows and the rows of the record: all conversions in one place.

use std::collections::HashMap;

use tidemill_proto::Digest;
use tidemill_proto::KeyParts;
use tidemill_proto::v1::{
    Attempt, Finished, Item, ItemState, KeyPart, MadeOutput, Measured, RunState, StateCounts,
};

use super::board::{Outputs, RunBoard};
use crate::record::rows::{
    AttemptRecord, CountsRecord, FixedTool, ItemRecord, ItemReference, MAX_REASON_BYTES, MAX_TAIL_BYTES,
    MeasuredRecord, OutputRecord, ResultRecord, RunRecord, cut_line, cut_tail,
};

/// Counts as the wire has them.
pub fn counts_of(counts: CountsRecord) -> StateCounts {
    let CountsRecord {
        waiting,
        ready,
        running,
        done,
        reused,
        failed,
        cut_off,
        stopped,
    } = counts;
    StateCounts {
        waiting,
        ready,
        running,
        done,
        reused,
        failed,
        cut_off,
        stopped,
    }
}

/// Counts as the record has them.
pub fn counts_record(counts: StateCounts) -> CountsRecord {
    let StateCounts {
        waiting,
        ready,
        running,
        done,
        reused,
        failed,
        cut_off,
        stopped,
    } = counts;
    CountsRecord {
        waiting,
        ready,
        running,
        done,
        reused,
        failed,
        cut_off,
        stopped,
    }
}

/// The exact tool versions that a run fixed, by the tool's name.
pub fn tools_of(record: &RunRecord) -> HashMap<String, String> {
    record
        .tools
        .iter()
        .map(|tool| (tool.name.clone(), tool.exact.clone()))
        .collect()
}

/// Exact tool versions for the record, sorted by name.
pub fn fixed_tools(tools: &HashMap<String, String>) -> Vec<FixedTool> {
    let fixed = |(name, exact): (&String, &String)| FixedTool {
        name: name.clone(),
        exact: exact.clone(),
    };
    let mut tools: Vec<FixedTool> = tools.iter().map(fixed).collect();
    tools.sort_unstable_by(|a, b| a.name.cmp(&b.name));
    tools
}

/// Brings a run's row up to what its board shows.
pub fn refresh_run(record: &mut RunRecord, board: &RunBoard) {
    let moves = board.moves();
    record.counts = Some(counts_record(board.counts()));
    record.cpu_ms = moves.cpu_ms;
    record.attempts = moves.attempts;
    record.stopped_by_person = moves.stopped_by_person;
    record.paused = moves.paused;
    record.priority = moves.priority;
    record.share = moves.share;
}

/// Marks a run's row as ended or open.
pub fn set_ended(record: &mut RunRecord, ended_ms: i64) {
    record.ended_ms = ended_ms;
    record.state = if ended_ms == 0 {
        RunState::Open
    } else {
        RunState::Ended
    } as i32;
}

/// An attempt that an agent reports as ended. It began when its lease was given, by this machine's clock, and took as long
/// as the agent says: the agent's own clock may be hours off. Of the agent its name, and what it lends.
pub fn attempt_record(
    finished: &Finished,
    given_ms: i64,
    number: u32,
    (agent, lent_memory_bytes): (&str, u64),
    charged: bool,
) -> AttemptRecord {
    let took_ms = finished.ended_ms.saturating_sub(finished.started_ms).max(0);
    AttemptRecord {
        number,
        agent: agent.to_owned(),
        started_ms: given_ms,
        ended_ms: given_ms.saturating_add(took_ms),
        outcome: finished.outcome.clone(),
        exit_code: finished.exit_code,
        reason: cut_line(&finished.reason, MAX_REASON_BYTES),
        measured: finished.measured.map(measured_record),
        log: finished.log.clone(),
        log_size: finished.log_size,
        log_tail: cut_tail(&finished.log_tail, MAX_TAIL_BYTES).to_owned(),
        charged,
        log_packed: finished.log_packed,
        lent_memory_bytes,
        findings: Vec::new(),
    }
}

fn measured_record(measured: Measured) -> MeasuredRecord {
    let Measured {
        elapsed_ms,
        user_ms,
        system_ms,
        peak_memory_bytes,
    } = measured;
    MeasuredRecord {
        elapsed_ms,
        user_ms,
        system_ms,
        peak_memory_bytes,
    }
}

/// An attempt as the wire has it.
pub fn attempt_view(record: &AttemptRecord) -> Attempt {
    Attempt {
        number: record.number,
        agent: record.agent.clone(),
        started_ms: record.started_ms,
        ended_ms: record.ended_ms,
        outcome: record.outcome.clone(),
        exit_code: record.exit_code,
        reason: record.reason.clone(),
        measured: record.measured.map(|measured| Measured {
            elapsed_ms: measured.elapsed_ms,
            user_ms: measured.user_ms,
            system_ms: measured.system_ms,
            peak_memory_bytes: measured.peak_memory_bytes,
        }),
        log: record.log.clone(),
        log_tail: record.log_tail.clone(),
        charged: record.charged,
        lent_memory_bytes: record.lent_memory_bytes,
    }
}

/// What a failed attempt found, with the paths that its item declared.
pub fn findings_of(record: &AttemptRecord, item: &Item) -> Vec<MadeOutput> {
    let declared = |finding: &OutputRecord| {
        let output = item.outputs.iter().find(|output| output.name == finding.name)?;
        Some(MadeOutput {
            name: finding.name.clone(),
            digest: finding.digest.clone(),
            size: finding.size,
            path: output.path.clone(),
        })
    };
    record.findings.iter().filter_map(declared).collect()
}

/// An item's row.
pub fn item_record(state: ItemState, reason: &str, attempts: Vec<AttemptRecord>, now_ms: i64) -> ItemRecord {
    ItemRecord {
        state: state as i32,
        charged: attempts.iter().filter(|attempt| attempt.charged).count() as u32,
        attempts,
        reason: cut_line(reason, MAX_REASON_BYTES),
        changed_ms: now_ms,
        ..ItemRecord::default()
    }
}

/// Outputs as rows have them; `parts` by the output's name.
pub fn output_records(item: &Item, outputs: &Outputs, parts: &HashMap<String, Vec<u8>>) -> Vec<OutputRecord> {
    let declared = item.outputs.iter().zip(outputs.iter());
    declared
        .map(|(declared, (digest, size))| OutputRecord {
            name: declared.name.clone(),
            digest: digest.to_vec(),
            size: *size,
            parts: parts.get(&declared.name).cloned().unwrap_or_default(),
        })
        .collect()
}

/// What was made under a key.
pub fn result_record(
    outputs: Vec<OutputRecord>,
    made_by: ItemReference,
    attempt: &AttemptRecord,
    not_repeatable: bool,
    now_ms: i64,
) -> ResultRecord {
    ResultRecord {
        outputs,
        made_by: Some(made_by),
        attempt: attempt.number,
        measured: attempt.measured,
        made_ms: now_ms,
        not_repeatable,
    }
}

/// Digests that stand one after the other.
pub fn parts_of(bytes: &[u8]) -> impl Iterator<Item = Digest> {
    bytes
        .as_chunks::<32>()
        .0
        .iter()
        .map(|chunk| Digest::from_bytes(*chunk))
}

/// Key parts as the wire has them.
pub fn key_parts(parts: &KeyParts) -> Vec<KeyPart> {
    parts
        .iter()
        .map(|(name, value)| KeyPart {
            name: name.to_owned(),
            value: value.to_owned(),
        })
        .collect()
}
