//! What the end of an item's process means. Pure.

use std::time::Duration;

use tidemill_proto::v1::Finished;

use crate::launcher::{Cause, Ended, How};

/// With less free, a disk is full.
const FULL_BELOW_BYTES: u64 = 256 * 1024;

/// The words for [`Finished::outcome`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    Done,
    Failed,
    OverMemory,
    OverTime,
    Stopped,
    /// The machine is at fault, not the item.
    Machine,
}

impl Outcome {
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Failed => "failed",
            Self::OverMemory => "over-memory",
            Self::OverTime => "over-time",
            Self::Stopped => "stopped",
            Self::Machine => "machine",
        }
    }
}

/// Outcome and reason of an item.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Verdict {
    pub outcome: Outcome,
    /// Of the process; 128 + signal where a signal ended it, as shells count.
    pub exit_code: i32,
    /// One line; empty for [`Outcome::Done`].
    pub reason: String,
    /// Blobs that could not be had.
    pub lacking: Vec<Vec<u8>>,
}

impl Verdict {
    pub(crate) fn new(outcome: Outcome, reason: impl Into<String>) -> Self {
        Self {
            outcome,
            exit_code: 0,
            reason: reason.into(),
            lacking: Vec::new(),
        }
    }

    pub(crate) fn machine(reason: impl ToString) -> Self {
        Self::new(Outcome::Machine, reason.to_string())
    }

    pub(crate) fn failed(reason: impl ToString) -> Self {
        Self::new(Outcome::Failed, reason.to_string())
    }

    /// A program that fails on a full disk is hardly to blame: another agent may have room.
    pub(crate) fn on_disk(mut self, free_bytes: Option<u64>) -> Self {
        if self.outcome == Outcome::Failed && free_bytes.is_some_and(|free| free < FULL_BELOW_BYTES) {
            self.outcome = Outcome::Machine;
            self.reason = format!("the agent's disk is full: {}", self.reason);
        }
        self
    }

    /// Writes outcome, exit code, reason and lacking blobs into the message.
    pub(crate) fn put_into(self, finished: &mut Finished) {
        finished.outcome = self.outcome.word().to_owned();
        finished.exit_code = self.exit_code;
        finished.reason = self.reason.replace('\n', " ");
        finished.lacking = self.lacking;
    }
}

/// Judges how the process of an item ended; whether its outputs are there is another question.
pub(crate) fn judge(ended: &Ended, program: &str, time_limit_ms: u64, memory_limit_bytes: u64) -> Verdict {
    let exit_code = match ended.how {
        How::Code(code) => code,
        How::Signal(signal) => 128 + signal,
        How::NotStarted(_) => 0,
    };
    let (outcome, reason) = match (&ended.cause, &ended.how) {
        (Cause::TimeLimit, _) => (
            Outcome::OverTime,
            format!(
                "ran longer than its time limit of {}",
                duration_text(time_limit_ms)
            ),
        ),
        (Cause::MemoryLimit, _) => {
            let (took, limit) = (mib_text(ended.peak_memory_bytes), mib_text(memory_limit_bytes));
            let reason = if ended.peak_memory_bytes > memory_limit_bytes {
                format!("took {took} of memory, more than its limit of {limit}")
            } else {
                // The system did not let it take more.
                format!("wanted more memory than its limit of {limit}")
            };
            (Outcome::OverMemory, reason)
        }
        (Cause::MachineMemory, _) => (
            Outcome::Machine,
            format!("the machine ran out of memory, and the system ended a process of {program}"),
        ),
        (Cause::Asked, _) => (Outcome::Stopped, "it was stopped".to_owned()),
        (Cause::Itself, How::Code(0)) => (Outcome::Done, String::new()),
        (Cause::Itself, How::Code(code)) => {
            (Outcome::Failed, format!("{program} ended with exit code {code}"))
        }
        (Cause::Itself, How::Signal(9)) => (
            Outcome::Failed,
            format!("{program} was killed (signal 9, SIGKILL), perhaps by the system for lack of memory"),
        ),
        (Cause::Itself, How::Signal(signal)) => (
            Outcome::Failed,
            format!("{program} crashed: {}", signal_text(*signal)),
        ),
        // The one refusal that has to do with the item: its arguments are longer than the system takes.
        (Cause::Itself, How::NotStarted(why)) if why.contains("rgument list too long") => (
            Outcome::Failed,
            format!("{program} cannot be started: {why}; use a {{….list}} placeholder"),
        ),
        (Cause::Itself, How::NotStarted(why)) => (
            Outcome::Machine,
            format!("{program} cannot be started here: {why}"),
        ),
    };
    Verdict {
        outcome,
        exit_code,
        reason,
        lacking: Vec::new(),
    }
}

/// Number and name of a signal. Numbers as on Linux x86-64 and arm64 (signal(7)); others by number only.
fn signal_text(signal: i32) -> String {
    let name = match signal {
        1 => "SIGHUP",
        2 => "SIGINT",
        3 => "SIGQUIT",
        4 => "SIGILL",
        5 => "SIGTRAP",
        6 => "SIGABRT",
        7 => "SIGBUS",
        8 => "SIGFPE",
        11 => "SIGSEGV",
        13 => "SIGPIPE",
        14 => "SIGALRM",
        15 => "SIGTERM",
        24 => "SIGXCPU",
        25 => "SIGXFSZ",
        31 => "SIGSYS",
        _ => return format!("signal {signal}"),
    };
    format!("signal {signal}, {name}")
}

fn duration_text(ms: u64) -> String {
    let seconds = Duration::from_millis(ms).as_secs_f64();
    if seconds >= 120.0 {
        format!("{} min", (seconds / 6.0).round() / 10.0)
    } else {
        format!("{seconds} s")
    }
}

/// Memory for people.
pub(crate) fn mib_text(bytes: u64) -> String {
    format!("{} MiB", bytes.div_ceil(1 << 20))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ended(how: How, cause: Cause) -> Ended {
        Ended {
            how,
            cause,
            elapsed_ms: 1,
            user_ms: 1,
            system_ms: 1,
            peak_memory_bytes: (300 << 20) + 1,
            leftovers: 0,
        }
    }

    #[test]
    fn a_failure_on_a_full_disk_is_the_machines() {
        let outcome = |free| Verdict::failed("cp ended with exit code 1").on_disk(free).outcome;
        assert_eq!(outcome(Some(0)), Outcome::Machine);
        assert_eq!(outcome(Some(FULL_BELOW_BYTES)), Outcome::Failed);
        assert_eq!(outcome(None), Outcome::Failed);
        let stopped = Verdict::new(Outcome::Stopped, "").on_disk(Some(0));
        assert_eq!(stopped.outcome, Outcome::Stopped);
    }

    #[test]
    fn every_end_has_its_outcome() {
        let judged = |how, cause| {
            let verdict = judge(&ended(how, cause), "cp", 600_000, 256 << 20);
            (verdict.outcome.word(), verdict.exit_code, verdict.reason)
        };
        let own = Cause::Itself;
        assert_eq!(judged(How::Code(0), own), ("done", 0, String::new()));
        assert_eq!(
            judged(How::Code(3), own),
            ("failed", 3, "cp ended with exit code 3".into())
        );
        assert_eq!(
            judged(How::Signal(11), own),
            ("failed", 139, "cp crashed: signal 11, SIGSEGV".into())
        );
        assert_eq!(
            judged(How::Signal(9), Cause::TimeLimit),
            (
                "over-time",
                137,
                "ran longer than its time limit of 10 min".into()
            )
        );
        assert_eq!(
            judged(How::Signal(9), Cause::MemoryLimit),
            (
                "over-memory",
                137,
                "took 301 MiB of memory, more than its limit of 256 MiB".into()
            )
        );
        assert_eq!(judged(How::Code(0), Cause::Asked).0, "stopped");
        assert_eq!(judged(How::NotStarted("No such file".into()), own).0, "machine");
        assert_eq!(
            judged(How::NotStarted("Argument list too long (os error 7)".into()), own).0,
            "failed"
        );
    }
}
