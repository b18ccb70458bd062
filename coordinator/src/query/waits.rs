//! When an item waited, and for what: worked out from times that are recorded anyway. Pure.

use tidemill_proto::state;
use tidemill_proto::v1::{ItemState, Wait};

use crate::record::rows::{AttemptRecord, PauseRecord};

const FOR_ROOM: &str = "for an agent with room";
const FOR_UPSTREAM: &str = "for ";
const WHILE_PAUSED: &str = "while the run was paused";

/// The times of one item.
#[derive(Debug, Clone, Copy)]
pub struct Times<'a> {
    /// When its run was submitted.
    pub submitted_ms: i64,
    /// Addresses of the items that it reads from, with the time at which each was finished.
    pub upstream: &'a [(&'a str, Option<i64>)],
    /// Oldest first.
    pub attempts: &'a [AttemptRecord],
    /// Where it stands.
    pub state: ItemState,
    /// Since when.
    pub changed_ms: i64,
    /// When its run was paused, oldest first.
    pub pauses: &'a [PauseRecord],
}

/// All waits, in order of time. The last one is still open if the item is neither running nor finished.
pub fn waits(times: &Times<'_>) -> Vec<Wait> {
    let mut found = Vec::new();
    let mut from_ms = times.submitted_ms;
    let mut until = |until_ms: i64, reason: String| {
        // Moments of two clocks may cross.
        if until_ms > from_ms {
            found.push(Wait {
                from_ms,
                until_ms,
                reason,
            });
            from_ms = until_ms;
        }
    };
    // Upstream items that were run again after the first attempt were not what that one waited for.
    let first_start = times.attempts.first().map(|attempt| attempt.started_ms);
    let known = times
        .upstream
        .iter()
        .filter_map(|(address, at)| Some((*at.as_ref()?, *address)));
    let last = known
        .filter(|(at, _)| first_start.is_none_or(|start| *at <= start))
        .max_by_key(|(at, _)| *at);
    if let Some((at, address)) = last {
        until(at, format!("{FOR_UPSTREAM}{address}"));
    }
    let mut before: Option<&AttemptRecord> = None;
    for attempt in times.attempts {
        let reason = match before {
            None => FOR_ROOM.to_owned(),
            Some(before) => format!("after attempt {} was {}", before.number, before.outcome),
        };
        until(attempt.started_ms, reason);
        until(attempt.ended_ms, String::new());
        before = Some(attempt);
    }
    if state::is_finished(times.state) {
        if times.attempts.is_empty() {
            until(
                times.changed_ms,
                format!("until it was {}", state::word(times.state)),
            );
        }
    } else if times.state != ItemState::Running {
        let lacking = times.upstream.iter().find(|(_, at)| at.is_none());
        let reason = match (lacking, before) {
            (Some((address, _)), _) => format!("{FOR_UPSTREAM}{address}"),
            (None, None) => FOR_ROOM.to_owned(),
            (None, Some(before)) => format!("after attempt {} was {}", before.number, before.outcome),
        };
        found.push(Wait {
            from_ms,
            until_ms: 0,
            reason,
        });
    }
    found.retain(|wait| !wait.reason.is_empty()); // what has no reason is the time of an attempt
    // Of what waits for upstream items, these know whether they waited for a pause.
    let is_ready = |wait: &Wait| wait.reason == FOR_ROOM || !wait.reason.starts_with(FOR_UPSTREAM);
    let pauses = |wait: Wait| match is_ready(&wait) {
        true => without_pauses(wait, times.pauses),
        false => vec![wait],
    };
    found.into_iter().flat_map(pauses).collect()
}

/// A time in which the item was ready, with what of it the run was paused told apart.
fn without_pauses(wait: Wait, pauses: &[PauseRecord]) -> Vec<Wait> {
    let open = |ms: i64| if ms == 0 { i64::MAX } else { ms };
    let closed = |ms: i64| if ms == i64::MAX { 0 } else { ms };
    let end = open(wait.until_ms);
    let (mut parts, mut from_ms) = (Vec::new(), wait.from_ms);
    let mut until = |until_ms: i64, reason: &str, parts: &mut Vec<Wait>| {
        if until_ms > from_ms {
            parts.push(Wait {
                from_ms,
                until_ms: closed(until_ms),
                reason: reason.to_owned(),
            });
            from_ms = until_ms;
        }
    };
    for pause in pauses {
        until(pause.from_ms.min(end), &wait.reason, &mut parts);
        until(open(pause.until_ms).min(end), WHILE_PAUSED, &mut parts);
    }
    until(end, &wait.reason, &mut parts);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn attempt(number: u32, started_ms: i64, ended_ms: i64, outcome: &str) -> AttemptRecord {
        AttemptRecord {
            number,
            started_ms,
            ended_ms,
            outcome: outcome.into(),
            ..AttemptRecord::default()
        }
    }

    fn told(times: &Times<'_>) -> Vec<(i64, i64, String)> {
        let waits = waits(times).into_iter();
        waits
            .map(|wait| (wait.from_ms, wait.until_ms, wait.reason))
            .collect()
    }

    #[test]
    fn a_life_is_upstream_room_attempts_and_what_lay_between_them() {
        let attempts = [attempt(1, 500, 700, "lost"), attempt(2, 900, 1200, "done")];
        let times = Times {
            submitted_ms: 100,
            upstream: &[("a/weathered", Some(300)), ("a/game", Some(400))],
            attempts: &attempts,
            state: ItemState::Done,
            changed_ms: 1200,
            pauses: &[],
        };
        assert_eq!(
            told(&times),
            [
                (100, 400, "for a/game".into()),
                (400, 500, "for an agent with room".into()),
                (700, 900, "after attempt 1 was lost".into()),
            ]
        );
        // Its upstream was made again meanwhile, and it waits anew.
        let again = Times {
            upstream: &[("a/game", None)],
            state: ItemState::Waiting,
            ..times
        };
        assert_eq!(told(&again).last().unwrap(), &(1200, 0, "for a/game".into()));
    }

    #[test]
    fn what_never_ran_waited_until_it_was_decided() {
        let times = Times {
            submitted_ms: 100,
            upstream: &[("a/weathered", Some(300))],
            attempts: &[],
            state: ItemState::Reused,
            changed_ms: 350,
            pauses: &[],
        };
        assert_eq!(
            told(&times),
            [
                (100, 300, "for a/weathered".into()),
                (300, 350, "until it was reused".into())
            ]
        );
        let ready = Times {
            state: ItemState::Ready,
            ..times
        };
        assert_eq!(told(&ready)[1], (300, 0, "for an agent with room".into()));
        let crossed = Times {
            upstream: &[("a/weathered", Some(50))],
            changed_ms: 90,
            ..times
        };
        assert!(told(&crossed).is_empty());
    }

    #[test]
    fn a_wait_for_room_and_one_for_a_pause_are_told_apart() {
        let pause = |from_ms, until_ms| PauseRecord { from_ms, until_ms };
        let attempts = [
            attempt(1, 1000, 1100, "handed-back"),
            attempt(2, 1500, 1600, "done"),
        ];
        let pauses = [
            pause(50, 120),
            pause(200, 320),
            pause(400, 1010),
            pause(1200, 1300),
        ];
        let times = Times {
            submitted_ms: 100,
            upstream: &[("a/weathered", Some(300))],
            attempts: &attempts,
            state: ItemState::Done,
            changed_ms: 1600,
            pauses: &pauses,
        };
        let (room, paused) = (FOR_ROOM.to_owned(), WHILE_PAUSED.to_owned());
        let after = "after attempt 1 was handed-back".to_owned();
        assert_eq!(
            told(&times),
            [
                (100, 300, "for a/weathered".into()),
                (300, 320, paused.clone()),
                (320, 400, room.clone()),
                (400, 1000, paused.clone()),
                (1100, 1200, after.clone()),
                (1200, 1300, paused.clone()),
                (1300, 1500, after),
            ]
        );
        let waiting = Times {
            attempts: &[],
            state: ItemState::Ready,
            pauses: &pauses[1..2],
            ..times
        };
        assert_eq!(
            told(&waiting)[1..],
            [(300, 320, paused.clone()), (320, 0, room.clone())]
        );
        let still = [pause(350, 0)];
        let paused_now = Times {
            pauses: &still,
            ..waiting
        };
        assert_eq!(told(&paused_now)[1..], [(300, 350, room), (350, 0, paused)]);
    }
}
