//! Drawing in a process of its own, at the lowest priority. The parent writes the length of a header (4 bytes, little
//! endian), the header (JSON) and the file; the child answers with the number of frames (1 byte, 0: none) and the PNG
//! file, or the reason.

use std::ffi::OsStr;
use std::io::{Read as _, Write as _};
use std::process::{Command, ExitCode, Stdio};

use super::Undrawn;
use super::draw::{Drawing, draw};
use crate::os;

/// Runs the child and gives a PNG file with its number of frames. Blocks. The error says why there is no picture.
pub fn draw_in_child(program: &OsStr, drawing: &Drawing, bytes: &[u8]) -> Result<(Vec<u8>, u32), Undrawn> {
    let header = serde_json::to_vec(drawing).map_err(|error| Undrawn::NotNow(error.to_string()))?;
    let mut command = Command::new(program);
    command
        .arg(crate::special::PAINTER_WORD)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    let mut child = os::spawn_lowest(&mut command)
        .map_err(|error| Undrawn::NotNow(format!("the program that draws cannot be started: {error}")))?;
    let mut input = child.stdin.take();
    let sent = input.as_mut().map_or(Ok(()), |input| {
        input.write_all(&(header.len() as u32).to_le_bytes())?;
        input.write_all(&header)?;
        input.write_all(bytes)
    });
    drop(input);
    let output = child
        .wait_with_output()
        .map_err(|error| Undrawn::NotNow(format!("the program that draws cannot be read: {error}")))?;
    match (output.status.success(), output.stdout.split_first(), sent) {
        (true, Some((0, reason)), _) => Err(Undrawn::Never(String::from_utf8_lossy(reason).into_owned())),
        (true, Some((frames, png)), Ok(())) => Ok((png.to_vec(), u32::from(*frames))),
        // A file that it cannot bear would end it again each time that somebody looks.
        _ => Err(Undrawn::Never(format!(
            "the program that draws ended early: {}",
            output.status
        ))),
    }
}

/// The child's `main`.
pub fn painter_main() -> ExitCode {
    let answer = match read_and_draw() {
        Ok((png, frames)) => [&[u8::try_from(frames).unwrap_or(1)], png.as_slice()].concat(),
        Err(reason) => [&[0], reason.as_bytes()].concat(),
    };
    let mut stdout = std::io::stdout().lock();
    match stdout.write_all(&answer).and_then(|()| stdout.flush()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(_) => ExitCode::FAILURE, // the parent is gone
    }
}

fn read_and_draw() -> Result<(Vec<u8>, u32), String> {
    let mut input = Vec::new();
    std::io::stdin()
        .lock()
        .read_to_end(&mut input)
        .map_err(|error| error.to_string())?;
    let short = || "the request is cut short".to_owned();
    let (length, rest) = input.split_first_chunk::<4>().ok_or_else(short)?;
    let length = u32::from_le_bytes(*length) as usize;
    let (header, bytes) = rest.split_at_checked(length).ok_or_else(short)?;
    let drawing: Drawing = serde_json::from_slice(header).map_err(|error| error.to_string())?;
    draw(&drawing, bytes)
}
