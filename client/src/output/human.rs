//! Sizes, durations and moments as people read them. Pure, apart from the moment's time zone.

/// `512 B`, `1.5 MiB`.
pub fn size(bytes: u64) -> String {
    bytesize::ByteSize::b(bytes).display().iec().to_string()
}

/// `340 ms`, `4.2 s`, `3 min 5 s`, `2 h 10 min`, `3 d 4 h`.
pub fn duration(ms: u64) -> String {
    let seconds = ms / 1000;
    match seconds {
        0 => format!("{ms} ms"),
        1..=9 => format!("{}.{} s", seconds, ms % 1000 / 100),
        10..=59 => format!("{seconds} s"),
        60..=3599 => two(seconds / 60, "min", seconds % 60, "s"),
        3600..=86_399 => two(seconds / 3600, "h", seconds % 3600 / 60, "min"),
        _ => two(seconds / 86_400, "d", seconds % 86_400 / 3600, "h"),
    }
}

fn two(large: u64, large_unit: &str, small: u64, small_unit: &str) -> String {
    match small {
        0 => format!("{large} {large_unit}"),
        _ => format!("{large} {large_unit} {small} {small_unit}"),
    }
}

/// `4 cores`, `0.5 cores`, `1 core`.
pub fn cores(millicores: u32) -> String {
    match millicores {
        1000 => "1 core".to_owned(),
        whole if whole.is_multiple_of(1000) => format!("{} cores", whole / 1000),
        part => format!("{:.1} cores", f64::from(part) / 1000.0),
    }
}

/// `1 item`, `3 items`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    if n == 1 {
        format!("1 {one}")
    } else {
        format!("{n} {many}")
    }
}

/// `priority 5, share 2`: how a run stands beside others; empty where it stands as all runs do.
pub fn preference(priority: i32, share: u32) -> String {
    let mut words = Vec::new();
    if priority != 0 {
        words.push(format!("priority {priority}"));
    }
    if share > 1 {
        words.push(format!("share {share}"));
    }
    words.join(", ")
}

/// A moment (Unix time in ms) in the local time zone: `2031-05-02 14:07`; empty for 0.
pub fn moment(unix_ms: i64) -> String {
    moment_in(unix_ms, &jiff::tz::TimeZone::system())
}

fn moment_in(unix_ms: i64, zone: &jiff::tz::TimeZone) -> String {
    match jiff::Timestamp::from_millisecond(unix_ms) {
        Ok(timestamp) if unix_ms > 0 => timestamp
            .to_zoned_datetime(zone.clone())
            .strftime("%Y-%m-%d %H:%M")
            .to_string(),
        _ => String::new(),
    }
}

/// Now, as Unix time in ms.
pub fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_unlike_other_runs_is_said() {
        assert_eq!(preference(0, 1), "");
        assert_eq!(preference(-3, 1), "priority -3");
        assert_eq!(preference(5, 2), "priority 5, share 2");
    }

    #[test]
    fn durations_keep_two_units() {
        let cases = [
            (340, "340 ms"),
            (4200, "4.2 s"),
            (59_999, "59 s"),
            (60_000, "1 min"),
            (185_000, "3 min 5 s"),
        ];
        for (ms, text) in cases {
            assert_eq!(duration(ms), text);
        }
        assert_eq!(duration(7_800_000), "2 h 10 min");
        assert_eq!(duration(273_600_000), "3 d 4 h");
    }

    #[test]
    fn sizes_and_cores_carry_their_unit() {
        assert_eq!(size(1536), "1.5 KiB");
        assert_eq!(size(12), "12 B");
        assert_eq!(
            (cores(1000), cores(2000), cores(500)),
            ("1 core".into(), "2 cores".into(), "0.5 cores".into())
        );
    }

    #[test]
    fn moments_are_minutes_of_a_day() {
        assert_eq!(
            moment_in(86_400_000 + 3_660_000, &jiff::tz::TimeZone::UTC),
            "1970-01-02 01:01"
        );
        assert_eq!(moment_in(0, &jiff::tz::TimeZone::UTC), "");
    }
}
