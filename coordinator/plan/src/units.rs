//! Amounts as people write them: memory, time, colours, lengths.

use bytesize::ByteSize;

/// Factor from a length unit to metres.
pub(crate) fn metres_per(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" => 0.001,
        "cm" => 0.01,
        "m" => 1.0,
        "in" => 0.0254,
        "ft" => 0.3048,
        _ => return None,
    })
}

/// The length units there are.
pub(crate) const LENGTH_UNITS: [&str; 5] = ["mm", "cm", "m", "in", "ft"];

/// Least and most memory that a step may ask for, in bytes.
const MEMORY_BYTES: std::ops::RangeInclusive<u64> = 1 << 20..=1 << 46;

/// `1 GiB`, `512 MiB`, `1.5 GB`: bytes, or what is wrong with it.
pub(crate) fn memory_bytes(text: &str) -> Result<u64, String> {
    if !text.trim_end().ends_with(|c: char| c.is_ascii_alphabetic()) {
        return Err(format!("`{text}` is no amount of memory: a unit is missing"));
    }
    let amount: ByteSize = text
        .parse()
        .map_err(|_| format!("`{text}` is no amount of memory"))?;
    if MEMORY_BYTES.contains(&amount.as_u64()) {
        Ok(amount.as_u64())
    } else {
        Err(format!("`{text}` is not between 1 MiB and 64 TiB"))
    }
}

/// Longest time that a step may ask for, in milliseconds: thirty days.
const LONGEST_MS: f64 = 30.0 * 24.0 * 3_600_000.0;

/// `10 min`, `1h 30m`, `90 s`: milliseconds, or what is wrong with it.
pub(crate) fn time_ms(text: &str) -> Result<u64, String> {
    let bad = |why: &str| format!("`{text}` is no span of time: {why}");
    let mut total = 0.0;
    let mut rest = text.trim();
    if rest.is_empty() {
        return Err(bad("it is empty"));
    }
    while !rest.is_empty() {
        let digits = rest
            .find(|c: char| !c.is_ascii_digit() && c != '.')
            .unwrap_or(rest.len());
        let amount: f64 = rest[..digits].parse().map_err(|_| bad("a number is missing"))?;
        rest = rest[digits..].trim_start();
        let letters = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
        let unit_ms = match &rest[..letters] {
            "ms" => 1.0,
            "s" | "sec" | "second" | "seconds" => 1000.0,
            "m" | "min" | "minute" | "minutes" => 60_000.0,
            "h" | "hour" | "hours" => 3_600_000.0,
            "d" | "day" | "days" => 24.0 * 3_600_000.0,
            "" => return Err(bad("a unit is missing")),
            unit => return Err(bad(&format!("there is no unit `{unit}`"))),
        };
        total += amount * unit_ms;
        rest = rest[letters..].trim_start_matches([' ', ',']);
    }
    if (1.0..=LONGEST_MS).contains(&total) {
        Ok(total.round() as u64)
    } else {
        Err(bad("it must be between 1 ms and 30 days"))
    }
}

/// `#E69F00`: 0xRRGGBB.
pub(crate) fn color(text: &str) -> Option<u32> {
    let digits = text.strip_prefix('#')?;
    let hexadecimal = digits.len() == 6 && digits.bytes().all(|c| c.is_ascii_hexdigit());
    if hexadecimal {
        u32::from_str_radix(digits, 16).ok()
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory() {
        assert_eq!(memory_bytes("1 GiB"), Ok(1 << 30));
        assert_eq!(memory_bytes("512MiB"), Ok(512 << 20));
        assert_eq!(memory_bytes("1.5 GB"), Ok(1_500_000_000));
        for bad in [
            "", "1", "1024", "GiB", "-1 GiB", "1 GiBi", "1 XiB", "1 KiB", "100 TiB",
        ] {
            assert!(memory_bytes(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn time() {
        assert_eq!(time_ms("10 min"), Ok(600_000));
        assert_eq!(time_ms("1h 30m"), Ok(5_400_000));
        assert_eq!(time_ms("1 hour, 1 second"), Ok(3_601_000));
        assert_eq!(time_ms("1.5s"), Ok(1_500));
        for bad in [
            "",
            "10",
            "min",
            "10 fortnights",
            "0 s",
            "31 days",
            "1..2 s",
            "-3 s",
            "1h30",
        ] {
            assert!(time_ms(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn colors() {
        assert_eq!(color("#E69F00"), Some(0xE6_9F00));
        for bad in ["", "E69F00", "#E69F0", "#E69F0G", "#+69F00", "#E69F0000"] {
            assert_eq!(color(bad), None, "{bad}");
        }
    }
}
