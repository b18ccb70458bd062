//! Sizes, durations and moments as people read them.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tidemill_proto::state;
use tidemill_proto::v1::{ItemState, RunRow, RunState, StateCounts};

/// `340 ms`, `4.2 s`, `3 min 5 s`, `2 h 10 min`.
pub fn duration(ms: u64) -> String {
    let seconds = ms / 1000;
    match seconds {
        0 => format!("{ms} ms"),
        1..=9 => format!("{}.{} s", seconds, ms % 1000 / 100),
        10..=59 => format!("{seconds} s"),
        60..=3599 => format!("{} min {} s", seconds / 60, seconds % 60),
        _ => format!("{} h {} min", seconds / 3600, seconds % 3600 / 60),
    }
}

/// `512 B`, `1.5 MiB`.
pub fn size(bytes: u64) -> String {
    let units = ["KiB", "MiB", "GiB", "TiB"];
    let mut value = bytes as f64 / 1024.0;
    if bytes < 1024 {
        return format!("{bytes} B");
    }
    for unit in units {
        if value < 1024.0 || unit == "TiB" {
            return format!("{value:.1} {unit}");
        }
        value /= 1024.0;
    }
    format!("{bytes} B")
}

/// A moment (Unix time in ms) in the local time zone: `2031-05-02 14:07`; empty for 0.
pub fn moment(unix_ms: i64) -> String {
    written(unix_ms, "%Y-%m-%d %H:%M")
}

/// The time of day of a moment: `14:07:31`.
pub fn clock(unix_ms: i64) -> String {
    written(unix_ms, "%H:%M:%S")
}

fn written(unix_ms: i64, form: &str) -> String {
    match Timestamp::from_millisecond(unix_ms) {
        Ok(timestamp) if unix_ms > 0 => timestamp
            .to_zoned_datetime(TimeZone::system())
            .strftime(form)
            .to_string(),
        _ => String::new(),
    }
}

/// A number with thin spaces between thousands where that helps, and no more digits than it needs.
pub fn number(value: f64) -> String {
    if value.fract() == 0.0 && value.abs() < 1e15 {
        let digits = format!("{}", value.abs() as u64);
        let mut text = String::new();
        for (index, digit) in digits.chars().enumerate() {
            if index > 0 && (digits.len() - index).is_multiple_of(3) && digits.len() > 4 {
                text.push('\u{202f}');
            }
            text.push(digit);
        }
        return if value < 0.0 { format!("-{text}") } else { text };
    }
    let shown = format!("{value:.4}");
    shown.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// `open`, `paused` or `ended`.
pub fn run_word(row: &RunRow) -> &'static str {
    match row.state() {
        RunState::Ended => "ended",
        _ if row.paused => "paused",
        _ => "open",
    }
}

/// States that occur, with their counts, in the order in which people want to know: failures first.
pub fn counts(counts: &StateCounts) -> Vec<(ItemState, u32)> {
    use ItemState::{CutOff, Done, Failed, Ready, Reused, Running, Stopped, Waiting};
    [Failed, CutOff, Stopped, Running, Ready, Waiting, Done, Reused]
        .into_iter()
        .map(|of| (of, state::count(counts, of)))
        .filter(|(_, count)| *count > 0)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_read_well() {
        assert_eq!(duration(185_000), "3 min 5 s");
        assert_eq!(
            (size(12), size(1536), size(3 << 30)),
            ("12 B".into(), "1.5 KiB".into(), "3.0 GiB".into())
        );
        assert_eq!(number(5994.0), "5994");
        assert_eq!(number(59_940.0), "59\u{202f}940");
        assert_eq!((number(0.25), number(-1.5)), ("0.25".into(), "-1.5".into()));
    }
}
