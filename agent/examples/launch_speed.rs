//! Items per second that copy one small file through a real process: launchers against `xargs -P2`, in one
//! run. `cargo run --release -p tidemill-agent --example launch_speed [ITEMS]`

use std::ffi::OsString;
use std::io::Write;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use tidemill_agent::launcher::{Control, How, Launch, Launcher};

const SLOTS: usize = 2;

fn main() -> ExitCode {
    if let Some(code) = tidemill_agent::special_main() {
        return code;
    }
    match measure() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("launch_speed: {error}");
            ExitCode::FAILURE
        }
    }
}

fn measure() -> Result<(), Box<dyn std::error::Error>> {
    let items: usize = std::env::args().nth(1).map_or(Ok(4000), |text| text.parse())?;
    let folder = tempfile::tempdir()?;
    std::fs::write(folder.path().join("model.obj"), "v 0 0 0\n")?;
    for round in 1..=3 {
        let ours = by_launchers(folder.path(), items)?;
        let theirs = by_xargs(folder.path(), items)?;
        let rate = |time: Duration| items as f64 / time.as_secs_f64();
        println!(
            "round {round}: launchers {:.0}/s, xargs {:.0}/s, ratio {:.2}",
            rate(ours),
            rate(theirs),
            rate(ours) / rate(theirs)
        );
    }
    Ok(())
}

fn by_launchers(folder: &Path, items: usize) -> Result<Duration, Box<dyn std::error::Error>> {
    let command: [OsString; 2] = [
        std::env::current_exe()?.into(),
        tidemill_agent::special::LAUNCHER_WORD.into(),
    ];
    let started = Instant::now();
    std::thread::scope(|scope| {
        let command = &command;
        let slots: Vec<_> = (0..SLOTS)
            .map(|slot| scope.spawn(move || one_slot(command, folder, slot, items)))
            .collect();
        for slot in slots {
            slot.join().map_err(|_| "a slot's thread panicked")??;
        }
        Ok::<(), Box<dyn std::error::Error>>(())
    })?;
    Ok(started.elapsed())
}

fn one_slot(command: &[OsString], folder: &Path, slot: usize, items: usize) -> std::io::Result<()> {
    let mut launcher = Launcher::start(command)?;
    for n in (slot..items).step_by(SLOTS) {
        let launch = Launch {
            program: "/bin/cp".into(),
            arguments: vec!["model.obj".into(), format!("ours-{n}").into()],
            environment: vec![("LANG".into(), "C.UTF-8".into())],
            folder: folder.into(),
            ..Launch::default()
        };
        let ended = launcher.run(launch, &Control::default(), &mut |_| ())?;
        if ended.how != How::Code(0) {
            return Err(std::io::Error::other(format!("cp ended with {:?}", ended.how)));
        }
    }
    Ok(())
}

fn by_xargs(folder: &Path, items: usize) -> Result<Duration, Box<dyn std::error::Error>> {
    let started = Instant::now();
    let mut xargs = Command::new("xargs")
        .args(["-P2", "-I@", "/bin/cp", "model.obj", "theirs-@"])
        .current_dir(folder)
        .stdin(Stdio::piped())
        .spawn()?;
    let mut input = xargs.stdin.take().ok_or("xargs has no input")?;
    for n in 0..items {
        writeln!(input, "{n}")?;
    }
    drop(input);
    if !xargs.wait()?.success() {
        return Err("xargs failed".into());
    }
    Ok(started.elapsed())
}
