//! The launcher itself: reads frames, starts items one after the other, looks after each until nothing of it
//! is left. When its input closes, it ends everything and itself.

use std::io::{self, Write};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use super::frame::{self, Ended, FromLauncher, How, Launch, ToLauncher};
use super::limiter::{HEAD_BYTES, Limiter};
use super::watch::{Step, Watch};
use crate::os::{self, Event, Exit, Host, Usage};

/// Runs the launcher on standard input and output until the agent closes them.
pub(crate) fn serve() -> ExitCode {
    let served = os::guard_launcher()
        .and_then(|()| Host::start())
        .and_then(|mut host| {
            let served = Server {
                host: &mut host,
                input: Vec::new(),
                out: io::stdout().lock(),
            }
            .run();
            host.sweep().and(served)
        });
    match served {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("tidemill launcher: {error}");
            ExitCode::FAILURE
        }
    }
}

struct Server<'a, W> {
    host: &'a mut Host,
    /// Not yet whole frames from the agent.
    input: Vec<u8>,
    out: W,
}

/// Whether the agent is still there.
enum Agent {
    There,
    Gone,
}

impl<W: Write> Server<'_, W> {
    fn run(mut self) -> io::Result<()> {
        loop {
            while let Some(message) = frame::take(&mut self.input)? {
                // A request to end an item that has ended by itself meanwhile comes too late.
                if let ToLauncher::Launch(launch) = message
                    && let Agent::Gone = self.look_after(&launch)?
                {
                    return Ok(());
                }
            }
            for event in self.host.wait(None)? {
                match event {
                    Event::Input(bytes) => self.input.extend(bytes),
                    Event::InputClosed => return Ok(()),
                    Event::Log(_) | Event::Exited(_) => {}
                }
            }
        }
    }

    /// Starts one item and stays with it to the end.
    fn look_after(&mut self, launch: &Launch) -> io::Result<Agent> {
        let started = Instant::now();
        let mut watch = Watch::new(launch.time_limit_ms, launch.memory_limit_bytes);
        if let Err(error) = self.host.spawn(launch) {
            let how = How::NotStarted(error.to_string());
            self.say(&[FromLauncher::Ended(ended(
                how,
                &watch,
                started.elapsed(),
                Usage::default(),
                0,
            ))])?;
            return Ok(Agent::There);
        }
        let mut limiter = Limiter::new(HEAD_BYTES);
        loop {
            while let Some(step) = watch.due(started.elapsed()) {
                self.take(step, &mut watch, started)?;
            }
            let pause = watch.next().saturating_sub(started.elapsed());
            for event in self.host.wait(Some(pause))? {
                match event {
                    Event::Input(bytes) => {
                        self.input.extend(bytes);
                        self.read_requests(launch.serial, &mut watch, started)?;
                    }
                    Event::InputClosed => return Ok(Agent::Gone),
                    Event::Log(piece) => self.say(&log_frames(limiter.feed(&piece)))?,
                    Event::Exited(exit) => {
                        let elapsed = started.elapsed();
                        self.finish(&mut watch, limiter, exit, elapsed)?;
                        return Ok(Agent::There);
                    }
                }
            }
        }
    }

    /// While an item runs, all that the agent may say is that it shall end.
    fn read_requests(&mut self, running: u64, watch: &mut Watch, started: Instant) -> io::Result<()> {
        while let Some(message) = frame::take(&mut self.input)? {
            match message {
                ToLauncher::End { serial } if serial == running => {
                    if let Some(step) = watch.asked(started.elapsed()) {
                        self.take(step, watch, started)?;
                    }
                }
                ToLauncher::End { .. } => {}
                ToLauncher::Launch(_) => {
                    return Err(io::Error::new(
                        io::ErrorKind::InvalidData,
                        "a second item for one slot",
                    ));
                }
            }
        }
        Ok(())
    }

    fn take(&mut self, step: Step, watch: &mut Watch, started: Instant) -> io::Result<()> {
        match step {
            Step::Ask => self.host.ask_to_end(),
            Step::Kill => self.host.kill(),
            Step::Sample => {
                let sample = self.host.sample();
                let over = watch.sampled(sample.memory_bytes, started.elapsed());
                let short = sample
                    .shortage
                    .and_then(|shortage| watch.short_of_memory(shortage));
                if let Some(step) = over.or(short) {
                    self.take(step, watch, started)?;
                }
                self.say(&[FromLauncher::Sample {
                    pid: self.host.pid(),
                    memory_bytes: sample.memory_bytes,
                    cpu_ms: whole_ms(sample.cpu),
                }])?;
            }
        }
        Ok(())
    }

    /// The first process has ended: ends the others, sends the rest of the log and the result.
    fn finish(
        &mut self,
        watch: &mut Watch,
        mut limiter: Limiter,
        exit: Exit,
        elapsed: Duration,
    ) -> io::Result<()> {
        let (leftovers, orphans) = self.host.sweep()?;
        let counted = self.host.counted();
        if let Some(shortage) = counted.shortage {
            // Everything is gone already.
            let _ = watch.short_of_memory(shortage);
        }
        let mut frames = Vec::new();
        while let Some(piece) = self.host.rest_of_log()? {
            frames.extend(log_frames(limiter.feed(&piece)));
        }
        frames.extend(log_frames(&limiter.finish()));
        let how = exit.code.map_or(How::Signal(exit.signal), How::Code);
        let mut usage = exit.usage;
        usage.user += orphans.user;
        usage.system += orphans.system;
        let largest = usage.peak_memory_bytes.max(orphans.peak_memory_bytes);
        // Of a single process the system counts shared pages of files too, and of a group what it keeps of files: the truth is between.
        let between = counted.peak_bytes.map(|(least, most)| largest.clamp(least, most));
        usage.peak_memory_bytes = between.unwrap_or(largest);
        frames.push(FromLauncher::Ended(ended(how, watch, elapsed, usage, leftovers)));
        self.say(&frames)
    }

    /// One write for all of them.
    fn say(&mut self, messages: &[FromLauncher]) -> io::Result<()> {
        let mut bytes = Vec::new();
        messages
            .iter()
            .for_each(|message| frame::append(&mut bytes, message));
        self.out.write_all(&bytes)?;
        self.out.flush()
    }
}

fn log_frames(piece: &[u8]) -> Vec<FromLauncher> {
    if piece.is_empty() {
        Vec::new()
    } else {
        vec![FromLauncher::Log(piece.to_vec())]
    }
}

fn ended(how: How, watch: &Watch, elapsed: Duration, usage: Usage, leftovers: u32) -> Ended {
    Ended {
        cause: watch.cause(how == How::Code(0)),
        how,
        elapsed_ms: whole_ms(elapsed),
        user_ms: whole_ms(usage.user),
        system_ms: whole_ms(usage.system),
        peak_memory_bytes: watch.peak_bytes().max(usage.peak_memory_bytes),
        leftovers,
    }
}

fn whole_ms(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}
