//! Stretches of time as people write them: a word, a day or month, or an interval of ISO 8601 (start/end, start/duration,
//! duration/end). Pure, given what time it is.

use jiff::civil::{Date, DateTime};
use jiff::{Span, ToSpan as _, ZonedDateTime};

use crate::failure::Failure;

/// From (inclusive) and to (exclusive) as Unix time in ms.
pub type Stretch = (i64, i64);

/// Reads a stretch of time in the time zone of `now`.
pub fn stretch(text: &str, now: &ZonedDateTime) -> Result<Stretch, Failure> {
    read(text.trim(), now)
        .ok_or_else(|| {
            Failure::wrong(format!("`{text}` is no stretch of time")).hint(
                "write today, yesterday, \"last 7 days\", a month (2031-05), a day (2031-05-02), or an interval of ISO 8601 \
                 such as 2031-05-02/2031-05-04, 2031-05-02T18:00/PT12H or P1W/2031-05-09",
            )
        })
        .and_then(|(from, to)| {
            if from < to {
                Ok((from.timestamp().as_millisecond(), to.timestamp().as_millisecond()))
            } else {
                Err(Failure::wrong(format!("`{text}` ends before it begins")).hint("write the earlier time first"))
            }
        })
}

fn read(text: &str, now: &ZonedDateTime) -> Option<(ZonedDateTime, ZonedDateTime)> {
    let today = now.start_of_day().ok()?;
    let days = |from: i64, to: i64| Some((plus_days(&today, from)?, plus_days(&today, to)?));
    match text.to_lowercase().as_str() {
        "today" => return days(0, 1),
        "yesterday" => return days(-1, 0),
        _ => {}
    }
    if let Some(rest) = text.to_lowercase().strip_prefix("last ") {
        let words: Vec<&str> = rest.split_whitespace().collect();
        let (count, unit) = match words.as_slice() {
            [unit] => (1, *unit),
            [count, unit] => (
                count.parse().ok().filter(|count| (1..100_000).contains(count))?,
                *unit,
            ),
            _ => return None,
        };
        let span = match unit.trim_end_matches('s') {
            "hour" => count.hours(),
            "day" => count.days(),
            "week" => count.weeks(),
            "month" => count.months(),
            "year" => count.years(),
            _ => return None,
        };
        return Some((now.checked_sub(span).ok()?, now.clone()));
    }
    let Some((first, second)) = text.split_once('/') else {
        return whole(text, now);
    };
    match (duration(first), duration(second)) {
        (Some(span), None) => {
            let to = moment(second, now)?;
            Some((to.checked_sub(span).ok()?, to))
        }
        (None, Some(span)) => {
            let from = moment(first, now)?;
            let to = from.checked_add(span).ok()?;
            Some((from, to))
        }
        (None, None) => Some((moment(first, now)?, end(&completed(first, second), now)?)),
        (Some(_), Some(_)) => None,
    }
}

/// A whole month or day, or from a moment on.
fn whole(text: &str, now: &ZonedDateTime) -> Option<(ZonedDateTime, ZonedDateTime)> {
    let zone = now.time_zone().clone();
    if let Ok(first) = format!("{text}-01").parse::<Date>() {
        let from = first.to_zoned_datetime(zone).ok()?;
        let to = from.checked_add(1.month()).ok()?;
        return Some((from, to));
    }
    if let Some(span) = duration(text) {
        return Some((now.checked_sub(span).ok()?, now.clone()));
    }
    Some((moment(text, now)?, end(text, now)?))
}

/// What the end of an interval leaves out is that of its beginning: `2031-05-02T18:00/21:00`, `2031-05-02/04` (ISO 8601-1,
/// 5.5.2.3).
fn completed(first: &str, second: &str) -> String {
    let left_out = first
        .len()
        .checked_sub(second.len())
        .and_then(|at| first.get(..at));
    match left_out {
        Some(begin) if second.parse::<DateTime>().is_err() && second.parse::<jiff::Timestamp>().is_err() => {
            format!("{begin}{second}")
        }
        _ => second.to_owned(),
    }
}

/// The end of an interval: a day counts whole.
fn end(text: &str, now: &ZonedDateTime) -> Option<ZonedDateTime> {
    let at = moment(text, now)?;
    match text.parse::<Date>() {
        Ok(_) if !text.contains(['T', ' ']) => plus_days(&at, 1),
        _ => Some(at),
    }
}

fn moment(text: &str, now: &ZonedDateTime) -> Option<ZonedDateTime> {
    if let Ok(instant) = text.parse::<jiff::Timestamp>() {
        return Some(instant.to_zoned_datetime(now.time_zone().clone()));
    }
    let local: DateTime = text.parse().ok()?;
    local.to_zoned_datetime(now.time_zone().clone()).ok()
}

/// Only the form of ISO 8601: `P1DT2H`.
fn duration(text: &str) -> Option<Span> {
    let span: Span = text.starts_with(['P', 'p']).then(|| text.parse().ok())??;
    (!span.is_negative() && !span.is_zero()).then_some(span)
}

fn plus_days(at: &ZonedDateTime, days: i64) -> Option<ZonedDateTime> {
    at.checked_add(days.days()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<(String, String), Failure> {
        let now: ZonedDateTime = "2031-05-09T10:30:00[UTC]".parse().unwrap();
        let show = |ms: i64| {
            jiff::Timestamp::from_millisecond(ms)
                .unwrap()
                .strftime("%m-%d %H:%M")
                .to_string()
        };
        stretch(text, &now).map(|(from, to)| (show(from), show(to)))
    }

    fn reads(text: &str, from: &str, to: &str) {
        assert_eq!(read(text).unwrap(), (from.to_owned(), to.to_owned()), "{text}");
    }

    #[test]
    fn words_days_and_intervals() {
        reads("today", "05-09 00:00", "05-10 00:00");
        reads("Yesterday", "05-08 00:00", "05-09 00:00");
        reads("last 7 days", "05-02 10:30", "05-09 10:30");
        reads("last week", "05-02 10:30", "05-09 10:30");
        reads("2031-05", "05-01 00:00", "06-01 00:00");
        reads("2031-05-02", "05-02 00:00", "05-03 00:00");
        reads("2031-05-02/2031-05-04", "05-02 00:00", "05-05 00:00");
        reads("2031-05-02T18:00/PT12H", "05-02 18:00", "05-03 06:00");
        reads("P1W/2031-05-09", "05-02 00:00", "05-09 00:00");
        reads(
            "2031-05-02T18:00Z/2031-05-03T09:00+01:00",
            "05-02 18:00",
            "05-03 08:00",
        );
        reads("2031-05-02T18:00/21:30", "05-02 18:00", "05-02 21:30");
        reads("2031-05-02/04", "05-02 00:00", "05-05 00:00");
        reads("P2D", "05-07 10:30", "05-09 10:30");
    }

    #[test]
    fn what_is_no_time_says_what_is() {
        for text in [
            "",
            "tomorrowish",
            "last",
            "last 0 days",
            "P1D/P1D",
            "2031-13",
            "last 3 tides",
            "2031-05-02/tide",
        ] {
            assert!(
                read(text).unwrap_err().hint.unwrap().contains("ISO 8601"),
                "{text}"
            );
        }
        assert!(
            read("2031-05-04/2031-05-02")
                .unwrap_err()
                .message
                .contains("ends before")
        );
    }
}
