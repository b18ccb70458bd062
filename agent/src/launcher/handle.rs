//! The agent's side of a launcher. It blocks: each slot has a thread of its own.

use std::ffi::OsString;
use std::io::{self, BufReader};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::frame::{self, Cause, Ended, FromLauncher, How, Launch, ToLauncher};
use crate::os;

/// How long a launcher may take to end what it runs, once its input is closed.
const FAREWELL: Duration = Duration::from_secs(12);

/// A launcher process that waits for items.
///
/// Must be started by a thread that outlives it: the system ends the launcher with that thread.
#[derive(Debug)]
pub struct Launcher {
    child: Child,
    input: Arc<Mutex<Option<ChildStdin>>>,
    output: BufReader<ChildStdout>,
    serial: u64,
}

/// What is heard of an item while it runs.
#[derive(Debug)]
pub enum Said {
    /// A piece of its output.
    Log(Vec<u8>),
    /// What its process tree takes now.
    Sample {
        /// Bytes.
        memory_bytes: u64,
        /// Of its living processes, so far.
        cpu_ms: u64,
    },
}

/// Asks one item to end, from any thread, at any time: before its process starts, or while it runs.
#[derive(Debug, Clone, Default)]
pub struct Control(Arc<Mutex<Asked>>);

#[derive(Debug, Default)]
struct Asked {
    end: bool,
    running: Option<(Arc<Mutex<Option<ChildStdin>>>, u64)>,
}

impl Control {
    /// Ends the item, or keeps it from starting.
    pub fn end(&self) {
        let mut asked = lock(&self.0);
        if std::mem::replace(&mut asked.end, true) {
            return;
        }
        if let Some((input, serial)) = &asked.running
            && let Some(input) = lock(input).as_mut()
        {
            // If the launcher is gone, whoever waits for the item hears of it.
            let _ = frame::write(input, &ToLauncher::End { serial: *serial });
        }
    }

    /// Whether somebody asked.
    pub fn is_asked(&self) -> bool {
        lock(&self.0).end
    }
}

impl Launcher {
    /// Starts the process: `command` is a program and its first arguments.
    pub fn start(command: &[OsString]) -> io::Result<Self> {
        let (program, arguments) = command
            .split_first()
            .ok_or_else(|| io::Error::other("no launcher program is set"))?;
        let mut command = Command::new(program);
        command
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped());
        // Ctrl-C at a terminal is for the agent alone, which then ends its items in order.
        os::own_group(&mut command);
        let mut child = command.spawn()?;
        let (Some(input), Some(output)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(io::Error::other("the launcher has no pipes"));
        };
        let output = BufReader::with_capacity(128 << 10, output);
        Ok(Self {
            child,
            input: Arc::new(Mutex::new(Some(input))),
            output,
            serial: 0,
        })
    }

    /// Process number of the launcher.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Runs one item to its end. An error means that the launcher is lost, and what it ran with it; it must
    /// not be used again.
    pub fn run(
        &mut self,
        mut launch: Launch,
        control: &Control,
        heard: &mut dyn FnMut(Said),
    ) -> io::Result<Ended> {
        self.serial += 1;
        launch.serial = self.serial;
        {
            let mut asked = lock(&control.0);
            if asked.end {
                return Ok(never_started());
            }
            let mut input = lock(&self.input);
            let input = input.as_mut().ok_or_else(lost)?;
            frame::write(input, &ToLauncher::Launch(launch))?;
            asked.running = Some((Arc::clone(&self.input), self.serial));
        }
        let mut first_pid = 0;
        let ended = loop {
            match frame::read(&mut self.output) {
                Ok(Some(FromLauncher::Log(piece))) => heard(Said::Log(piece)),
                Ok(Some(FromLauncher::Sample {
                    pid,
                    memory_bytes,
                    cpu_ms,
                })) => {
                    first_pid = pid;
                    heard(Said::Sample { memory_bytes, cpu_ms });
                }
                Ok(Some(FromLauncher::Ended(ended))) => break Ok(ended),
                Ok(None) => break Err(lost()),
                Err(error) => break Err(error),
            }
        };
        lock(&control.0).running = None;
        if ended.is_err() {
            os::end_group(first_pid);
        }
        ended
    }
}

impl Drop for Launcher {
    fn drop(&mut self) {
        // Closing its input is what makes it end everything.
        lock(&self.input).take();
        let started = Instant::now();
        let mut pause = Duration::from_micros(500);
        while started.elapsed() < FAREWELL {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(pause);
            pause = (pause * 2).min(Duration::from_millis(50));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn lost() -> io::Error {
    io::Error::new(
        io::ErrorKind::UnexpectedEof,
        "the launcher has ended unexpectedly",
    )
}

fn never_started() -> Ended {
    Ended {
        how: How::NotStarted("it was asked to end before it started".to_owned()),
        cause: Cause::Asked,
        elapsed_ms: 0,
        user_ms: 0,
        system_ms: 0,
        peak_memory_bytes: 0,
        leftovers: 0,
    }
}

/// What is guarded stays whole between any two statements, so a panic elsewhere is no reason to stop.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
