//! Drawing in a process of its own, at the lowest priority. The parent writes the lengths of a header (4 bytes, little
//! endian) and of the file (8 bytes), the header (JSON) and the file, and keeps the pipe open; the child answers with the number of frames (1 byte, 0: none) and the PNG
//! file, or the reason.

use std::ffi::{OsStr, OsString};
use std::io::{Read as _, Write as _};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::Undrawn;
use super::draw::{Drawing, draw};
use crate::os;

/// The child while it runs, and whether nobody waits for it any more.
#[derive(Default)]
struct Running {
    child: Option<Child>,
    given_up: bool,
}

/// Ends the child, and sees it gone, when nobody waits for its picture any more.
struct EndOnDrop(Arc<Mutex<Running>>);

impl Drop for EndOnDrop {
    fn drop(&mut self) {
        let mut running = lock(&self.0);
        running.given_up = true;
        if let Some(mut child) = running.child.take() {
            // It may have ended by itself.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn lock(running: &Mutex<Running>) -> MutexGuard<'_, Running> {
    running.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Has the child draw, and gives a PNG file with its number of frames. The error says why there is no picture. Dropped, it ends the
/// child.
pub async fn draw_apart(
    program: OsString,
    drawing: Drawing,
    bytes: Vec<u8>,
) -> Result<(Vec<u8>, u32), Undrawn> {
    let running = Arc::new(Mutex::new(Running::default()));
    let _end = EndOnDrop(Arc::clone(&running));
    tokio::task::spawn_blocking(move || draw_in_child(&program, &drawing, &bytes, &running))
        .await
        .unwrap_or_else(|error| Err(Undrawn::NotNow(error.to_string())))
}

fn draw_in_child(
    program: &OsStr,
    drawing: &Drawing,
    bytes: &[u8],
    running: &Mutex<Running>,
) -> Result<(Vec<u8>, u32), Undrawn> {
    let not_now = |what: &str, error: std::io::Error| {
        Undrawn::NotNow(format!("the program that draws {what}: {error}"))
    };
    let header = serde_json::to_vec(drawing).map_err(|error| Undrawn::NotNow(error.to_string()))?;
    let mut command = Command::new(program);
    command
        .arg(crate::special::PAINTER_WORD)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    let (input, output) = {
        let mut running = lock(running);
        if running.given_up {
            return Err(Undrawn::NotNow(
                "nobody waits for the picture any more".to_owned(),
            ));
        }
        let mut child =
            os::spawn_lowest(&mut command).map_err(|error| not_now("cannot be started", error))?;
        let pipes = (child.stdin.take(), child.stdout.take());
        running.child = Some(child);
        pipes
    };
    let (Some(mut input), Some(mut output)) = (input, output) else {
        return Err(Undrawn::NotNow("the program that draws has no pipes".to_owned()));
    };
    let sent = input
        .write_all(&(header.len() as u32).to_le_bytes())
        .and_then(|()| input.write_all(&(bytes.len() as u64).to_le_bytes()))
        .and_then(|()| input.write_all(&header))
        .and_then(|()| input.write_all(bytes));
    let mut answer = Vec::new();
    output
        .read_to_end(&mut answer)
        .map_err(|error| not_now("cannot be read", error))?;
    // Open until here: it ends itself when this process is gone.
    drop(input);
    let child = lock(running).child.take();
    let Some(mut child) = child else {
        return Err(Undrawn::NotNow(
            "nobody waits for the picture any more".to_owned(),
        ));
    };
    let status = child
        .wait()
        .map_err(|error| not_now("cannot be waited for", error))?;
    match (status.success(), answer.split_first(), sent) {
        (true, Some((0, reason)), _) => Err(Undrawn::Never(String::from_utf8_lossy(reason).into_owned())),
        (true, Some((frames, png)), Ok(())) => Ok((png.to_vec(), u32::from(*frames))),
        // A file that it cannot bear would end it again each time that somebody looks.
        _ => Err(Undrawn::Never(format!(
            "the program that draws ended early: {status}"
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
    let mut input = std::io::stdin();
    let short = |_| "the request is cut short".to_owned();
    let (mut header_length, mut file_length) = ([0; 4], [0; 8]);
    input.read_exact(&mut header_length).map_err(short)?;
    input.read_exact(&mut file_length).map_err(short)?;
    let mut header = Vec::new();
    let mut file = Vec::new();
    let part = |length: u64, into: &mut Vec<u8>| -> Result<(), String> {
        let read = std::io::stdin()
            .take(length)
            .read_to_end(into)
            .map_err(|error| error.to_string())?;
        if read as u64 == length {
            Ok(())
        } else {
            Err("the request is cut short".to_owned())
        }
    };
    part(u32::from_le_bytes(header_length).into(), &mut header)?;
    part(u64::from_le_bytes(file_length), &mut file)?;
    // Whoever asked keeps the pipe open until it has the answer: its end is theirs.
    std::thread::spawn(|| {
        let _ = std::io::stdin().read(&mut [0]);
        std::process::exit(1);
    });
    let drawing: Drawing = serde_json::from_slice(&header).map_err(|error| error.to_string())?;
    draw(&drawing, &file)
}
