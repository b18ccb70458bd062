//! One item from its start to its result.

use std::ffi::OsString;
use std::fs;
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use tidemill_ops::ChainReport;
use tidemill_proto::v1::{Finished, Item, Made, Measured, Operations, Program, Start, item};

use super::collect;
use super::folder::SlotFolder;
use super::judge::{self, Outcome, Verdict};
use super::log::ItemLog;
use super::{chain, command, stage};
use crate::blobs::Blobs;
use crate::launcher::{Control, Ended, Launch, Launcher, Said};
use crate::os;
use crate::tools::ToolBox;

/// The worker's job and answer, within the slot's folder.
const CHAIN_FILE: &str = "tmp/chain.json";
const REPORT_FILE: &str = "tmp/report.json";

/// What an item needs beside its slot.
pub(crate) struct Surroundings<'a> {
    pub blobs: &'a Blobs,
    pub tools: &'a ToolBox,
    /// Program and first arguments of the worker.
    pub worker: &'a [OsString],
    /// Where a launcher comes from, and the one that is there.
    pub launcher_command: &'a [OsString],
    pub launcher: &'a mut Option<Launcher>,
    pub folder: &'a mut SlotFolder,
    pub control: &'a Control,
    /// Control group to make for the item; empty: none may be made.
    pub group: &'a Path,
}

/// What is heard of an item before it has finished.
pub(crate) enum Heard {
    Log(Vec<u8>),
    Sample {
        memory_bytes: u64,
        cpu_ms: u64,
    },
    /// All its processes are gone; what they made is collected next.
    ProcessEnded {
        cpu_ms: u64,
    },
}

/// Runs the item. Always gives a result; what went wrong is in its outcome.
pub(crate) fn run(start: &Start, around: &mut Surroundings<'_>, heard: &mut dyn FnMut(Heard)) -> Finished {
    let mut finished = Finished {
        lease: start.lease.clone(),
        started_ms: unix_ms(),
        ..Finished::default()
    };
    let mut log = ItemLog::new();
    let verdict = attempt(start, around, &mut finished, &mut log, heard).unwrap_or_else(|verdict| verdict);
    let verdict = keep_log(&log, around, &mut finished, verdict);
    verdict.put_into(&mut finished);
    finished.ended_ms = unix_ms();
    finished
}

fn attempt(
    start: &Start,
    around: &mut Surroundings<'_>,
    finished: &mut Finished,
    log: &mut ItemLog,
    heard: &mut dyn FnMut(Heard),
) -> Result<Verdict, Verdict> {
    let item = start
        .item
        .as_ref()
        .ok_or_else(|| Verdict::failed("the plan is damaged: a start without an item"))?;
    // Held until the item has ended, since operations read in place.
    let _held = stage::hold_all(around.blobs, &start.inputs, around.control)?;
    let (launch, name) = match item.action.as_ref() {
        Some(item::Action::Operations(operations)) => {
            let name = operations
                .chain
                .last()
                .map_or("the worker", |operation| operation.name.as_str());
            (worker_launch(start, operations, around)?, name)
        }
        Some(item::Action::Program(program)) => (
            program_launch(start, item, program, around)?,
            program_name(start, program),
        ),
        None => return Err(Verdict::failed("the plan is damaged: an item without an action")),
    };
    collect::make_output_folders(item, around.folder)?;
    let launch = Launch {
        folder: around.folder.root().to_owned(),
        time_limit_ms: item.time_limit_ms,
        memory_limit_bytes: start.memory_limit_bytes,
        group: around.group.to_owned(),
        ..launch
    };
    let ended = launch_it(launch, around, log, heard)?;
    heard(Heard::ProcessEnded {
        cpu_ms: ended.user_ms + ended.system_ms,
    });
    finished.measured = Some(measured(&ended));
    if ended.leftovers > 0 {
        say(
            log,
            heard,
            &format!(
                "{} processes were still running at the end; they were ended",
                ended.leftovers
            ),
        );
    }
    let report = match &item.action {
        Some(item::Action::Operations(_)) => worker_report(around.folder),
        _ => None,
    };
    if let Some(report) = &report {
        add_figures(report, log, heard);
    }
    let verdict = judge::judge(&ended, name, item.time_limit_ms, start.memory_limit_bytes);
    if verdict.outcome != Outcome::Done {
        let free = fs4::available_space(around.folder.root()).ok();
        let verdict = with_last_line(verdict.on_disk(free), log);
        if verdict.outcome == Outcome::Failed
            && let Some(report) = &report
        {
            finished.outputs = keep_findings(item, report, around);
        }
        return Err(verdict);
    }
    let found = collect::check(item, around.folder)?;
    if !found.undeclared.is_empty() {
        let names = collect::listed(&found.undeclared);
        say(
            log,
            heard,
            &format!("not declared in `makes`, and dropped: {names}"),
        );
    }
    let (made, digests) = collect::take(item, around.folder, around.blobs)?;
    around
        .blobs
        .hand_over(&digests, around.control)
        .map_err(stage::verdict)?;
    finished.outputs = made;
    Ok(verdict)
}

fn worker_launch(
    start: &Start,
    operations: &Operations,
    around: &mut Surroundings<'_>,
) -> Result<Launch, Verdict> {
    let blobs = stage::paths_in_place(around.blobs, &start.inputs)?;
    let chain = chain::build(start, operations, &blobs, around.folder.root()).map_err(Verdict::failed)?;
    let text = serde_json::to_vec(&chain).map_err(Verdict::failed)?;
    let path = around.folder.path(CHAIN_FILE);
    fs::write(&path, text)
        .map_err(|error| Verdict::machine(format!("cannot write {}: {error}", path.display())))?;
    let (program, arguments) = around
        .worker
        .split_first()
        .ok_or_else(|| Verdict::machine("the agent has no worker program"))?;
    Ok(Launch {
        program: program.into(),
        arguments: arguments.to_vec(),
        environment: os::base_environment(&around.folder.path(super::paths::TMP)),
        stdin: path,
        stdout: around.folder.path(REPORT_FILE),
        ..Launch::default()
    })
}

fn program_launch(
    start: &Start,
    item: &Item,
    program: &Program,
    around: &mut Surroundings<'_>,
) -> Result<Launch, Verdict> {
    let name = program_name(start, program);
    let tool = around.tools.find_again(name).map_err(Verdict::machine)?;
    if let Some(fixed) = start
        .tools
        .iter()
        .find(|tool| tool.name == program.tool || tool.name == name)
        && fixed.exact != tool.exact
    {
        let (here, wanted) = (&tool.exact, &fixed.exact);
        return Err(Verdict::machine(format!(
            "{name} here is {here}, but the run uses {wanted}"
        )));
    }
    let files = stage::copy_in(around.blobs, item, &start.inputs, around.folder)?;
    let line = command::build(program, item, &files).map_err(Verdict::failed)?;
    for (path, text) in &line.lists {
        fs::write(around.folder.path(path), text)
            .map_err(|error| Verdict::machine(format!("cannot write {path}: {error}")))?;
    }
    let mut environment = os::base_environment(&around.folder.path(super::paths::TMP));
    for variable in &item.environment {
        environment.retain(|(name, _)| *name != *variable.name);
        environment.push(((&variable.name).into(), (&variable.value).into()));
    }
    let arguments = line.arguments.into_iter().map(OsString::from).collect();
    Ok(Launch {
        program: tool.path,
        arguments,
        environment,
        ..Launch::default()
    })
}

fn program_name<'a>(start: &'a Start, program: &'a Program) -> &'a str {
    if start.program.is_empty() {
        &program.tool
    } else {
        &start.program
    }
}

fn launch_it(
    launch: Launch,
    around: &mut Surroundings<'_>,
    log: &mut ItemLog,
    heard: &mut dyn FnMut(Heard),
) -> Result<Ended, Verdict> {
    let launcher = match &mut *around.launcher {
        Some(launcher) => launcher,
        none => {
            let started = Launcher::start(around.launcher_command)
                .map_err(|error| Verdict::machine(format!("cannot start the launcher: {error}")))?;
            none.insert(started)
        }
    };
    let ended = launcher.run(launch, around.control, &mut |said| match said {
        Said::Log(piece) => {
            let live = log.add(&piece);
            if !live.is_empty() {
                heard(Heard::Log(live));
            }
        }
        Said::Sample { memory_bytes, cpu_ms } => heard(Heard::Sample { memory_bytes, cpu_ms }),
    });
    ended.map_err(|error| {
        *around.launcher = None;
        Verdict::machine(format!("the launcher was lost: {error}"))
    })
}

/// What the worker said at its end, if it came so far.
fn worker_report(folder: &SlotFolder) -> Option<ChainReport> {
    let text = fs::read_to_string(folder.path(REPORT_FILE)).ok()?;
    serde_json::from_str(text.lines().last()?).ok()
}

/// What a worker wrote although its item failed: the figures of a broken audit. A failure that loses them is still told.
fn keep_findings(item: &Item, report: &ChainReport, around: &Surroundings<'_>) -> Vec<Made> {
    let found = Item {
        outputs: item
            .outputs
            .iter()
            .filter(|output| report.findings.contains(&output.name))
            .cloned()
            .collect(),
        ..Item::default()
    };
    let taken = collect::check(&found, around.folder)
        .and_then(|_| collect::take(&found, around.folder, around.blobs))
        .and_then(|(made, digests)| {
            let handed = around.blobs.hand_over(&digests, around.control);
            handed.map(|()| made).map_err(stage::verdict)
        });
    taken.unwrap_or_else(|verdict| {
        tracing::warn!(
            reason = verdict.reason,
            "findings of a failed item could not be kept"
        );
        Vec::new()
    })
}

/// What a worker measured, for the log: the error that a reduction reached, and the like.
fn add_figures(report: &ChainReport, log: &mut ItemLog, heard: &mut dyn FnMut(Heard)) {
    for (operation, figures) in &report.figures {
        let figures: Vec<String> = figures
            .iter()
            .map(|(name, value)| format!("{name} {value}"))
            .collect();
        if !figures.is_empty() {
            say(log, heard, &format!("{operation}: {}", figures.join(", ")));
        }
    }
}

/// People see the reason first: what the program said last is often the reason.
fn with_last_line(mut verdict: Verdict, log: &ItemLog) -> Verdict {
    let tail = log.tail();
    let last = tail
        .lines()
        .rev()
        .find(|line| !line.trim().is_empty() && !line.starts_with("[tidemill]"));
    if verdict.outcome == Outcome::Failed
        && let Some(last) = last
    {
        let last: String = last.trim().chars().take(200).collect();
        verdict.reason = format!("{}: {last}", verdict.reason);
    }
    verdict
}

/// Puts the log into the store. If that fails, the result says so: a failed disk is a failed machine.
fn keep_log(log: &ItemLog, around: &Surroundings<'_>, finished: &mut Finished, verdict: Verdict) -> Verdict {
    finished.log_tail = log.tail();
    if log.bytes().is_empty() {
        return verdict;
    }
    let (bytes, is_packed) = log.packed();
    let kept = around.blobs.take_bytes(&bytes).and_then(|staged| {
        around.blobs.hand_over(&[staged.digest], around.control)?;
        Ok(staged)
    });
    match kept {
        Ok(staged) => {
            finished.log = staged.digest.to_vec();
            finished.log_size = log.bytes().len() as u64;
            finished.log_packed = is_packed;
            verdict
        }
        Err(error) if verdict.outcome == Outcome::Done => {
            finished.outputs.clear();
            stage::verdict(error)
        }
        Err(error) => {
            tracing::warn!(%error, lease = finished.lease, "a log could not be kept");
            verdict
        }
    }
}

fn say(log: &mut ItemLog, heard: &mut dyn FnMut(Heard), text: &str) {
    let live = log.remark(text);
    if !live.is_empty() {
        heard(Heard::Log(live));
    }
}

fn measured(ended: &Ended) -> Measured {
    Measured {
        elapsed_ms: ended.elapsed_ms,
        user_ms: ended.user_ms,
        system_ms: ended.system_ms,
        peak_memory_bytes: ended.peak_memory_bytes,
    }
}

/// Now, as Unix time in ms.
pub(crate) fn unix_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}
