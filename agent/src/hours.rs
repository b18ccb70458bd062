//! When a workstation is lent: a weekly timetable in its own time zone, such as
//! `Mon-Fri 19:00-07:30, Sat-Sun all day`. Pure: the time comes in with every question.
//!
//! A span begins on each of its days at the time before the dash and ends at the time behind it, on the next day if
//! that is not later. Both are read off the wall clock: on the night in which clocks go forward a span is an hour
//! shorter, and on the night in which they go back an hour longer. A time that the clocks leave out counts as the
//! moment they jump; of one that comes twice, the first counts.

use std::fmt;
use std::str::FromStr;

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{Timestamp, ToSpan as _};

/// Days as they are written, in the order of the week.
const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const DAY_MINUTES: u16 = 24 * 60;
/// A timetable repeats after seven days; a day more on each side covers spans over midnight and clock changes.
const DAYS_AHEAD: i64 = 9;

/// A weekly timetable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hours {
    spans: Vec<Span>,
    /// As its owner wrote it.
    text: String,
}

/// One span on each of some days.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Span {
    /// Monday first.
    days: [bool; 7],
    from_minute: u16,
    /// Of the day on which it begins: beyond 24 h it is the next morning.
    to_minute: u16,
}

/// What is wrong with a timetable, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{problem} in {part:?}: write hours as in \"Mon-Fri 19:00-07:30, Sat-Sun all day\"")]
pub struct HoursError {
    /// The part between two commas.
    pub part: String,
    /// What about it.
    pub problem: String,
}

/// Now and next: whether the machine is lent, and when that changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Opening {
    /// It is lent.
    pub open: bool,
    /// When that changes; `None`: never.
    pub changes_at: Option<Timestamp>,
}

impl Hours {
    /// Whether the machine is lent at a moment.
    pub fn is_open(&self, at: Timestamp, zone: &TimeZone) -> bool {
        self.at(at, zone).open
    }

    /// When [`Hours::is_open`] changes next; `None`: it never does.
    pub fn next_change(&self, at: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
        self.at(at, zone).changes_at
    }

    /// Both of these at once.
    pub fn at(&self, at: Timestamp, zone: &TimeZone) -> Opening {
        let lent = self.lent_around(at, zone);
        let here = lent.iter().find(|(from, to)| *from <= at && at < *to);
        // A timetable without a gap reaches the end of what was looked at.
        let horizon = lent.last().map(|(_, to)| *to);
        match here {
            Some((_, to)) => Opening {
                open: true,
                changes_at: Some(*to).filter(|to| Some(*to) != horizon || !self.has_no_gap()),
            },
            None => Opening {
                open: false,
                changes_at: lent.iter().map(|(from, _)| *from).find(|from| *from > at),
            },
        }
    }

    /// When the machine is lent in the week from `at` on: spans in milliseconds from then, in order.
    pub fn ahead_ms(&self, at: Timestamp, zone: &TimeZone) -> Vec<(u64, u64)> {
        let since =
            |moment: Timestamp| u64::try_from(moment.as_millisecond() - at.as_millisecond()).unwrap_or(0);
        let week_ms = 7 * u64::from(DAY_MINUTES) * 60_000;
        let lent = self.lent_around(at, zone).into_iter();
        lent.map(|(from, to)| (since(from), since(to).min(week_ms)))
            .filter(|(from, to)| from < to)
            .collect()
    }

    /// The longest time that the machine is lent without a break, as clocks show it; `None`: around the clock.
    pub fn longest_ms(&self) -> Option<u64> {
        if self.has_no_gap() {
            return None;
        }
        let longest = merged(self.minutes_of_two_weeks())
            .iter()
            .map(|(from, to)| to - from)
            .max();
        Some(longest.unwrap_or(0) * 60_000)
    }

    fn has_no_gap(&self) -> bool {
        let lent = merged(self.minutes_of_two_weeks());
        let week = 7 * u64::from(DAY_MINUTES);
        lent.iter().any(|(from, to)| *from <= week && *to >= 2 * week)
    }

    /// Minutes from a Monday's midnight on, over two weeks, so that a span over Sunday's midnight is whole.
    fn minutes_of_two_weeks(&self) -> Vec<(u64, u64)> {
        let mut minutes = Vec::new();
        for day in 0..14_u64 {
            for span in self.spans.iter().filter(|span| span.days[(day % 7) as usize]) {
                let midnight = day * u64::from(DAY_MINUTES);
                minutes.push((
                    midnight + u64::from(span.from_minute),
                    midnight + u64::from(span.to_minute),
                ));
            }
        }
        minutes
    }

    /// All lent spans from the day before to more than a week after, in order, without overlap.
    fn lent_around(&self, at: Timestamp, zone: &TimeZone) -> Vec<(Timestamp, Timestamp)> {
        let today = zone.to_datetime(at).date();
        let mut spans = Vec::new();
        for offset in -2..DAYS_AHEAD {
            let Ok(day) = today.checked_add(offset.days()) else {
                continue; // beyond the calendar
            };
            let weekday = usize::from(day.weekday().to_monday_zero_offset().unsigned_abs());
            for span in self.spans.iter().filter(|span| span.days[weekday]) {
                let ends = (
                    moment(day, span.from_minute, zone),
                    moment(day, span.to_minute, zone),
                );
                if let (Some(from), Some(to)) = ends {
                    spans.push((from, to));
                }
            }
        }
        merged(spans)
    }
}

/// Joins what touches or overlaps.
fn merged<T: Ord + Copy>(mut spans: Vec<(T, T)>) -> Vec<(T, T)> {
    spans.sort_unstable();
    let mut joined: Vec<(T, T)> = Vec::with_capacity(spans.len());
    for (from, to) in spans {
        match joined.last_mut() {
            Some((_, end)) if from <= *end => *end = to.max(*end),
            _ if from < to => joined.push((from, to)),
            _ => {} // clocks left all of it out
        }
    }
    joined
}

/// The moment at which the clocks of a zone show a minute of a day.
fn moment(day: Date, minute: u16, zone: &TimeZone) -> Option<Timestamp> {
    let day = day.checked_add(i64::from(minute / DAY_MINUTES).days()).ok()?;
    let minute = minute % DAY_MINUTES;
    let time = Time::new((minute / 60) as i8, (minute % 60) as i8, 0, 0).ok()?;
    let ambiguous = zone.to_ambiguous_zoned_datetime(DateTime::from_parts(day, time));
    // In a gap both readings miss by its width; the earlier and the later meet at the jump itself.
    if matches!(ambiguous.offset(), AmbiguousOffset::Gap { .. }) {
        let early = ambiguous.clone().earlier().ok()?.timestamp();
        let jump = zone.following(early.checked_sub(1.second()).ok()?).next()?;
        return Some(jump.timestamp());
    }
    ambiguous.earlier().ok().map(|zoned| zoned.timestamp())
}

impl FromStr for Hours {
    type Err = HoursError;

    fn from_str(text: &str) -> Result<Self, HoursError> {
        let spans = text.split(',').map(span).collect::<Result<Vec<_>, _>>()?;
        Ok(Self {
            spans,
            text: text.trim().to_owned(),
        })
    }
}

impl fmt::Display for Hours {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.text)
    }
}

fn span(part: &str) -> Result<Span, HoursError> {
    let bad = |problem: String| HoursError {
        part: part.trim().to_owned(),
        problem,
    };
    let words: Vec<&str> = part.split_whitespace().collect();
    let (days, times) = match words.as_slice() {
        ["daily", times @ ..] => ([true; 7], times),
        [days, times @ ..] if days.starts_with(char::is_alphabetic) && *days != "all" => {
            (read_days(days).map_err(bad)?, times)
        }
        times => ([true; 7], times),
    };
    let (from_minute, to_minute) = match times {
        ["all", "day"] => (0, DAY_MINUTES),
        [times] => {
            let (from, to) = times
                .split_once('-')
                .ok_or_else(|| bad(format!("{times} is no span of time")))?;
            let (from, to) = (minute(from).map_err(bad)?, minute(to).map_err(bad)?);
            if from == to {
                return Err(bad("a span that is empty, or is it \"all day\"?".to_owned()));
            }
            if from == DAY_MINUTES {
                return Err(bad("no day begins at 24:00".to_owned()));
            }
            (from, if to > from { to } else { to + DAY_MINUTES })
        }
        [] => return Err(bad("no time".to_owned())),
        _ => return Err(bad("more than one span".to_owned())),
    };
    Ok(Span {
        days,
        from_minute,
        to_minute,
    })
}

/// `Mon` or `Mon-Fri`; `Sat-Mon` goes over the end of the week.
fn read_days(text: &str) -> Result<[bool; 7], String> {
    let number = |name: &str| {
        DAYS.iter()
            .position(|day| day.eq_ignore_ascii_case(name))
            .ok_or_else(|| format!("{name} is no day ({})", DAYS.join(", ")))
    };
    let (first, last) = match text.split_once('-') {
        Some((first, last)) => (number(first)?, number(last)?),
        None => (number(text)?, number(text)?),
    };
    let mut days = [false; 7];
    let mut day = first;
    loop {
        days[day] = true;
        if day == last {
            return Ok(days);
        }
        day = (day + 1) % 7;
    }
}

/// `07:30` as minutes from midnight; `24:00` is the end of the day.
fn minute(text: &str) -> Result<u16, String> {
    let bad = || format!("{text} is no time of day");
    let (hours, minutes) = text.split_once(':').ok_or_else(bad)?;
    let number = |text: &str| {
        let digits = !text.is_empty() && text.len() <= 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        digits.then(|| text.parse::<u16>().ok()).flatten().ok_or_else(bad)
    };
    let (hours, minutes) = (number(hours)?, number(minutes)?);
    let minute = hours * 60 + minutes;
    if minutes > 59 || minute > DAY_MINUTES {
        return Err(bad());
    }
    Ok(minute)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Central European Time by directive 2000/84/EC: forward on the last Sunday of March, back on the last Sunday of
    /// October, both at 01:00 UTC.
    const EUROPE: &str = "CET-1CEST,M3.5.0/2,M10.5.0/3";
    /// Eastern Time by the Energy Policy Act of 2005 (15 U.S.C. 260a): forward on the second Sunday of March, back on
    /// the first Sunday of November, both at 02:00 by the clock before the change.
    const NEW_YORK: &str = "EST5EDT,M3.2.0/2,M11.1.0/2";

    fn zone(rule: &str) -> TimeZone {
        TimeZone::posix(rule).unwrap()
    }

    fn hours(text: &str) -> Hours {
        text.parse().unwrap()
    }

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn nights_and_weekends_are_lent() {
        let (hours, zone) = (hours("Mon-Fri 19:00-07:30, Sat-Sun all day"), TimeZone::UTC);
        // 2026-06-01 is a Monday.
        for (at, open, next) in [
            ("2026-06-01T07:29:59Z", false, "2026-06-01T19:00:00Z"),
            ("2026-06-01T19:00:00Z", true, "2026-06-02T07:30:00Z"),
            ("2026-06-02T07:30:00Z", false, "2026-06-02T19:00:00Z"),
            ("2026-06-05T18:59:00Z", false, "2026-06-05T19:00:00Z"),
            // From Friday evening to Sunday midnight without a break.
            ("2026-06-05T20:00:00Z", true, "2026-06-08T00:00:00Z"),
            ("2026-06-08T00:00:00Z", false, "2026-06-08T19:00:00Z"),
        ] {
            let opening = hours.at(utc(at), &zone);
            assert_eq!(
                (opening.open, opening.changes_at),
                (open, Some(utc(next))),
                "{at}"
            );
        }
        assert_eq!(
            hours.longest_ms(),
            Some((5 + 48) * 3_600_000),
            "Friday 19:00 to Sunday 24:00"
        );
    }

    #[test]
    fn a_night_is_shorter_or_longer_when_the_clocks_change() {
        for (rule, evening, morning, length_hours) in [
            // 2026-03-28 is the Saturday before the last Sunday of March.
            (EUROPE, "2026-03-28T18:00:00Z", "2026-03-29T05:30:00Z", 11.5),
            (EUROPE, "2026-10-24T17:00:00Z", "2026-10-25T06:30:00Z", 13.5),
            (EUROPE, "2026-06-06T17:00:00Z", "2026-06-07T05:30:00Z", 12.5),
            // 2026-03-08 is the second Sunday of March, 2026-11-01 the first of November.
            (NEW_YORK, "2026-03-08T00:00:00Z", "2026-03-08T11:30:00Z", 11.5),
            (NEW_YORK, "2026-10-31T23:00:00Z", "2026-11-01T12:30:00Z", 13.5),
        ] {
            let (hours, zone) = (hours("Sat 19:00-07:30"), zone(rule));
            let (evening, morning) = (utc(evening), utc(morning));
            let just_before = evening.checked_sub(1.second()).unwrap();
            assert!(!hours.is_open(just_before, &zone), "{rule}");
            assert_eq!(hours.next_change(just_before, &zone), Some(evening), "{rule}");
            assert!(hours.is_open(evening, &zone));
            assert_eq!(hours.next_change(evening, &zone), Some(morning), "{rule}");
            assert!(!hours.is_open(morning, &zone));
            let length = morning.duration_since(evening).as_secs_f64() / 3600.0;
            assert!((length - length_hours).abs() < 1e-9, "{length}");
        }
    }

    #[test]
    fn a_time_that_the_clocks_leave_out_is_the_jump_and_one_that_comes_twice_the_first() {
        let zone = zone(EUROPE);
        // 02:30 does not exist on 2026-03-29: the clocks jump from 02:00 to 03:00 at 01:00 UTC.
        let jump = utc("2026-03-29T01:00:00Z");
        let from = hours("Sun 02:30-05:00");
        assert_eq!(from.next_change(utc("2026-03-29T00:00:00Z"), &zone), Some(jump));
        let to = hours("Sun 00:30-02:30");
        assert_eq!(to.next_change(utc("2026-03-29T00:00:00Z"), &zone), Some(jump));
        let inside = hours("Sun 02:10-02:50");
        assert!(!inside.is_open(jump, &zone), "all of it is left out");
        // 02:30 comes twice on 2026-10-25, first at 00:30 UTC.
        let first = utc("2026-10-25T00:30:00Z");
        assert_eq!(from.next_change(utc("2026-10-24T22:00:00Z"), &zone), Some(first));
    }

    #[test]
    fn named_zones_follow_the_same_published_rules() {
        for (name, rule) in [("Europe/Berlin", EUROPE), ("America/New_York", NEW_YORK)] {
            let (named, ruled) = (TimeZone::get(name).unwrap(), zone(rule));
            let hours = hours("Mon-Fri 19:00-07:30, Sat-Sun 01:30-02:30");
            let mut at = utc("2026-01-01T00:00:00Z");
            for _ in 0..365 * 4 {
                assert_eq!(hours.at(at, &named), hours.at(at, &ruled), "{name} at {at}");
                at = at.checked_add(6.hours()).unwrap();
            }
        }
    }

    #[test]
    fn around_the_clock_never_changes() {
        for text in [
            "daily all day",
            "Mon-Sun 00:00-24:00",
            "all day",
            "daily 06:00-18:00, daily 18:00-06:00",
        ] {
            let hours = hours(text);
            let opening = hours.at(utc("2026-03-29T00:59:00Z"), &zone(EUROPE));
            assert_eq!((opening.open, opening.changes_at), (true, None), "{text}");
            assert_eq!(hours.longest_ms(), None, "{text}");
        }
    }

    #[test]
    fn the_week_ahead_is_told_from_now_on() {
        let hour = 3_600_000;
        let ahead = hours("Mon-Tue 19:00-07:00").ahead_ms(utc("2026-06-01T23:00:00Z"), &TimeZone::UTC);
        assert_eq!(
            ahead,
            [(0, 8 * hour), (20 * hour, 32 * hour), (164 * hour, 168 * hour)]
        );
    }

    #[test]
    fn a_span_over_the_end_of_the_week_is_one() {
        let hours = hours("Sun-Mon 12:00-11:59");
        assert!(hours.is_open(utc("2026-06-08T01:00:00Z"), &TimeZone::UTC));
        assert_eq!(hours.longest_ms(), Some((24 * 60 - 1) * 60_000));
    }

    #[test]
    fn errors_say_what_and_how() {
        for (text, wanted) in [
            ("", "no time"),
            ("Mon-Fri", "no time"),
            ("Mon-Fri 19:00", "19:00 is no span"),
            ("Mon-Fry 19:00-20:00", "Fry is no day"),
            ("Mon 25:00-26:00", "25:00 is no time"),
            ("Mon 9-17", "9 is no time"),
            ("Mon 19:00-19:00", "all day"),
            ("Mon 24:00-01:00", "24:00"),
            ("Mon 9:00-12:00 13:00-17:00", "more than one span"),
            ("Mon all day, Tue 7:61-8:00", "\"Tue 7:61-8:00\""),
        ] {
            let error = text.parse::<Hours>().unwrap_err().to_string();
            assert!(
                error.contains(wanted) && error.contains("write hours as in"),
                "{text}: {error}"
            );
        }
    }
}
