//! What agent and launcher say to each other: frames of a length (4 bytes, little-endian, without itself),
//! a kind (1 byte) and a body. Both sides are the same program, so there is no version in it.

use std::ffi::OsString;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::os;

/// Longest frame that is read, in bytes; arguments of a program cannot be longer on any system.
const LONGEST_BYTES: usize = 64 << 20;

/// Starts one item.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Launch {
    /// Counts up; [`ToLauncher::End`] names it, so that a late one never ends the next item.
    pub serial: u64,
    /// Path of the program; never looked up.
    pub program: PathBuf,
    /// Without the program itself.
    pub arguments: Vec<OsString>,
    /// The whole environment.
    pub environment: Vec<(OsString, OsString)>,
    /// Where the program runs.
    pub folder: PathBuf,
    /// Read as standard input; empty: nothing to read.
    pub stdin: PathBuf,
    /// Takes standard output; empty: it goes into the log.
    pub stdout: PathBuf,
    /// 0: none.
    pub time_limit_ms: u64,
    /// Of the whole process tree; 0: none.
    pub memory_limit_bytes: u64,
    /// Control group to make for it ([`super::Groups::path`]); empty: none, and limits are kept by sampling alone.
    pub group: PathBuf,
}

/// From the agent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ToLauncher {
    Launch(Launch),
    /// End the item of this serial number with all that it started.
    End {
        serial: u64,
    },
}

/// From the launcher.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FromLauncher {
    /// A piece of the log.
    Log(Vec<u8>),
    /// How the running item does.
    Sample {
        /// Of its first process.
        pid: u32,
        /// Of the tree, now.
        memory_bytes: u64,
        /// Of the tree's living processes, so far.
        cpu_ms: u64,
    },
    Ended(Ended),
}

/// What became of an item's process.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    pub how: How,
    pub cause: Cause,
    pub elapsed_ms: u64,
    pub user_ms: u64,
    pub system_ms: u64,
    /// Largest sum over the process tree that was seen, and at least the peak of its largest process; in a group that the system
    /// counts, the largest sum at any moment.
    pub peak_memory_bytes: u64,
    /// Processes that were still there when the first had ended, and were ended.
    pub leftovers: u32,
}

/// How the first process ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum How {
    Code(i32),
    Signal(i32),
    /// It could not be started: why.
    NotStarted(String),
}

/// Who ended it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    Itself,
    TimeLimit,
    MemoryLimit,
    Asked,
    /// The system, for lack of memory that was not the item's doing.
    MachineMemory,
}

/// One side's messages, as bytes and back.
pub trait Message: Sized {
    /// Kind and body.
    fn encode(&self) -> (u8, Body);
    fn decode(kind: u8, fields: &mut Fields<'_>) -> Option<Self>;
}

/// Appends the frame of `message` to `out`.
pub fn append<M: Message>(out: &mut Vec<u8>, message: &M) {
    let (kind, body) = message.encode();
    out.extend_from_slice(&((body.0.len() + 1) as u32).to_le_bytes());
    out.push(kind);
    out.extend_from_slice(&body.0);
}

/// Writes one frame with one call.
pub fn write<M: Message>(out: &mut impl Write, message: &M) -> io::Result<()> {
    let mut bytes = Vec::new();
    append(&mut bytes, message);
    out.write_all(&bytes)?;
    out.flush()
}

/// Writes the frame that starts an item, for whoever drives a launcher by hand.
pub fn write_launch(out: &mut impl Write, launch: &Launch) -> io::Result<()> {
    write(out, &ToLauncher::Launch(launch.clone()))
}

/// Reads one frame, waiting for it; `None`: the other side has closed its end between two frames.
pub fn read<M: Message>(input: &mut impl Read) -> io::Result<Option<M>> {
    let mut length = [0; 4];
    match input.read(&mut length[..1])? {
        0 => return Ok(None),
        _ => input.read_exact(&mut length[1..])?,
    }
    let length = u32::from_le_bytes(length) as usize;
    if length == 0 || length > LONGEST_BYTES {
        return Err(damaged());
    }
    let mut frame = vec![0; length];
    input.read_exact(&mut frame)?;
    decode(&frame).map(Some)
}

/// Takes the first whole frame off the front of `buffer`; `None`: more bytes are needed.
pub fn take<M: Message>(buffer: &mut Vec<u8>) -> io::Result<Option<M>> {
    let Some((length, rest)) = buffer.split_first_chunk::<4>() else {
        return Ok(None);
    };
    let length = u32::from_le_bytes(*length) as usize;
    if length == 0 || length > LONGEST_BYTES {
        return Err(damaged());
    }
    let Some(frame) = rest.get(..length) else {
        return Ok(None);
    };
    let message = decode(frame)?;
    buffer.drain(..4 + length);
    Ok(Some(message))
}

fn decode<M: Message>(frame: &[u8]) -> io::Result<M> {
    let (kind, body) = frame.split_first().ok_or_else(damaged)?;
    let mut fields = Fields(body);
    M::decode(*kind, &mut fields)
        .filter(|_| fields.0.is_empty())
        .ok_or_else(damaged)
}

fn damaged() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        "a damaged frame between agent and launcher",
    )
}

/// A body being written.
#[derive(Default)]
pub struct Body(Vec<u8>);

impl Body {
    fn number(mut self, number: u64) -> Self {
        self.0.extend_from_slice(&number.to_le_bytes());
        self
    }
    fn bytes(self, bytes: &[u8]) -> Self {
        let mut body = self.number(bytes.len() as u64);
        body.0.extend_from_slice(bytes);
        body
    }
    fn text(self, text: &OsString) -> Self {
        self.bytes(&os::text_bytes(text))
    }
    fn path(self, path: &Path) -> Self {
        self.bytes(&os::text_bytes(path.as_os_str()))
    }
}

/// A body being read.
pub struct Fields<'a>(&'a [u8]);

impl<'a> Fields<'a> {
    fn number(&mut self) -> Option<u64> {
        let (number, rest) = self.0.split_first_chunk::<8>()?;
        self.0 = rest;
        Some(u64::from_le_bytes(*number))
    }
    fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = usize::try_from(self.number()?).ok()?;
        let (bytes, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(bytes)
    }
    fn text(&mut self) -> Option<OsString> {
        os::text_from_bytes(self.bytes()?)
    }
    fn path(&mut self) -> Option<PathBuf> {
        Some(PathBuf::from(self.text()?))
    }
}

const LAUNCH: u8 = 1;
const END: u8 = 2;
const LOG: u8 = 16;
const SAMPLE: u8 = 17;
const ENDED: u8 = 18;

impl Message for ToLauncher {
    fn encode(&self) -> (u8, Body) {
        let body = Body::default();
        match self {
            Self::End { serial } => (END, body.number(*serial)),
            Self::Launch(launch) => {
                let mut body = body.number(launch.serial).path(&launch.program);
                body = body.number(launch.arguments.len() as u64);
                for argument in &launch.arguments {
                    body = body.text(argument);
                }
                body = body.number(launch.environment.len() as u64);
                for (name, value) in &launch.environment {
                    body = body.text(name).text(value);
                }
                body = body.path(&launch.folder).path(&launch.stdin).path(&launch.stdout);
                (
                    LAUNCH,
                    body.number(launch.time_limit_ms)
                        .number(launch.memory_limit_bytes)
                        .path(&launch.group),
                )
            }
        }
    }

    fn decode(kind: u8, fields: &mut Fields<'_>) -> Option<Self> {
        match kind {
            END => Some(Self::End {
                serial: fields.number()?,
            }),
            LAUNCH => {
                let (serial, program) = (fields.number()?, fields.path()?);
                let arguments = (0..fields.number()?)
                    .map(|_| fields.text())
                    .collect::<Option<_>>()?;
                let environment = (0..fields.number()?)
                    .map(|_| Some((fields.text()?, fields.text()?)))
                    .collect::<Option<_>>()?;
                Some(Self::Launch(Launch {
                    serial,
                    program,
                    arguments,
                    environment,
                    folder: fields.path()?,
                    stdin: fields.path()?,
                    stdout: fields.path()?,
                    time_limit_ms: fields.number()?,
                    memory_limit_bytes: fields.number()?,
                    group: fields.path()?,
                }))
            }
            _ => None,
        }
    }
}

impl Message for FromLauncher {
    fn encode(&self) -> (u8, Body) {
        let body = Body::default();
        match self {
            Self::Log(piece) => (LOG, body.bytes(piece)),
            Self::Sample {
                pid,
                memory_bytes,
                cpu_ms,
            } => (
                SAMPLE,
                body.number((*pid).into()).number(*memory_bytes).number(*cpu_ms),
            ),
            Self::Ended(ended) => {
                let body = match &ended.how {
                    How::Code(code) => body.number(0).number(i64::from(*code) as u64),
                    How::Signal(signal) => body.number(1).number(i64::from(*signal) as u64),
                    How::NotStarted(why) => body.number(2).bytes(why.as_bytes()),
                };
                let cause = match ended.cause {
                    Cause::Itself => 0,
                    Cause::TimeLimit => 1,
                    Cause::MemoryLimit => 2,
                    Cause::Asked => 3,
                    Cause::MachineMemory => 4,
                };
                let body = body.number(cause).number(ended.elapsed_ms).number(ended.user_ms);
                let body = body.number(ended.system_ms).number(ended.peak_memory_bytes);
                (ENDED, body.number(ended.leftovers.into()))
            }
        }
    }

    fn decode(kind: u8, fields: &mut Fields<'_>) -> Option<Self> {
        match kind {
            LOG => Some(Self::Log(fields.bytes()?.to_vec())),
            SAMPLE => Some(Self::Sample {
                pid: u32::try_from(fields.number()?).ok()?,
                memory_bytes: fields.number()?,
                cpu_ms: fields.number()?,
            }),
            ENDED => {
                let how = match fields.number()? {
                    0 => How::Code(fields.number()? as i64 as i32),
                    1 => How::Signal(fields.number()? as i64 as i32),
                    2 => How::NotStarted(String::from_utf8_lossy(fields.bytes()?).into_owned()),
                    _ => return None,
                };
                let cause = match fields.number()? {
                    0 => Cause::Itself,
                    1 => Cause::TimeLimit,
                    2 => Cause::MemoryLimit,
                    3 => Cause::Asked,
                    4 => Cause::MachineMemory,
                    _ => return None,
                };
                Some(Self::Ended(Ended {
                    how,
                    cause,
                    elapsed_ms: fields.number()?,
                    user_ms: fields.number()?,
                    system_ms: fields.number()?,
                    peak_memory_bytes: fields.number()?,
                    leftovers: u32::try_from(fields.number()?).ok()?,
                }))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn launch() -> ToLauncher {
        ToLauncher::Launch(Launch {
            serial: 7,
            program: "/bin/cp".into(),
            arguments: vec!["in/model/model.obj".into(), "".into()],
            environment: vec![("LANG".into(), "C.UTF-8".into())],
            folder: "/data/slots/1".into(),
            time_limit_ms: 600_000,
            group: "/groups/slot-1".into(),
            ..Launch::default()
        })
    }

    #[test]
    fn frames_read_back_however_they_are_cut() {
        let messages = [launch(), ToLauncher::End { serial: 7 }];
        let mut all = Vec::new();
        messages.iter().for_each(|message| append(&mut all, message));
        let (mut buffer, mut found) = (Vec::new(), Vec::new());
        for byte in &all {
            buffer.push(*byte);
            found.extend(take::<ToLauncher>(&mut buffer).unwrap());
        }
        assert_eq!(found, messages);
        let mut input = all.as_slice();
        assert_eq!(read::<ToLauncher>(&mut input).unwrap(), Some(launch()));
        assert_eq!(read(&mut input).unwrap(), Some(ToLauncher::End { serial: 7 }));
        assert_eq!(read::<ToLauncher>(&mut input).unwrap(), None);
    }

    #[test]
    fn the_end_of_an_item_reads_back() {
        for how in [
            How::Code(-1),
            How::Signal(9),
            How::NotStarted("no such file".into()),
        ] {
            let ended = FromLauncher::Ended(Ended {
                how,
                cause: Cause::MemoryLimit,
                elapsed_ms: 5,
                user_ms: 6,
                system_ms: 7,
                peak_memory_bytes: 1 << 33,
                leftovers: 2,
            });
            let mut bytes = Vec::new();
            write(&mut bytes, &ended).unwrap();
            assert_eq!(read(&mut bytes.as_slice()).unwrap(), Some(ended));
        }
    }

    #[test]
    fn a_damaged_frame_is_an_error_and_not_a_wait() {
        let mut bytes = Vec::new();
        append(&mut bytes, &ToLauncher::End { serial: 1 });
        bytes[4] = 99;
        assert!(take::<ToLauncher>(&mut bytes).is_err());
        assert!(take::<ToLauncher>(&mut vec![0, 0, 0, 0, 1]).is_err());
        assert!(read::<ToLauncher>(&mut [255, 255, 255, 255, 1].as_slice()).is_err());
    }
}
