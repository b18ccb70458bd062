//! Numbers in text files.

use super::ReadError;

/// A finite number that fits into single precision.
pub(super) fn finite(word: Option<&str>, line: usize, what: &str) -> Result<f32, ReadError> {
    let word = word.ok_or_else(|| ReadError::line(line, format!("{what} is missing")))?;
    match word.parse::<f32>() {
        Ok(number) if number.is_finite() => Ok(number),
        Ok(_) => Err(ReadError::line(
            line,
            format!("{what} is `{word}`, which is not finite"),
        )),
        Err(_) => Err(ReadError::line(
            line,
            format!("{what} is `{word}`, which is no number"),
        )),
    }
}
