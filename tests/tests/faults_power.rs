//! The coordinator's machine loses its power in the middle of a run. Its data lies on a file system of its own (ext4 in a file,
//! loop-mounted), which is shut down without writing out its log: what was not synced is gone, as after a power cut (but for a
//! disk's own write cache, which this does not model). Linux, root and `mkfs.ext4`; elsewhere the test says that it did nothing.
//!
//! Twenty rounds when asked for: `TIDEMILL_SLOW=1 cargo test -p tidemill-tests --test faults_power`; else two.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(target_os = "linux")]

use std::collections::BTreeSet;
use std::fs::File;
use std::os::fd::AsRawFd as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use tidemill_tests::faults::{BALES, ITEMS, is_slow_wanted, quayside, skip, starts, submit};
use tidemill_tests::sandbox::{finish, start};
use tidemill_tests::studio::Studio;

/// A file system that can lose its power.
struct Disk {
    image: PathBuf,
    folder: PathBuf,
}

impl Disk {
    /// Made and mounted at `folder`; `None`: not to be had here, which is said.
    fn make(image: &Path, folder: &Path) -> Option<Self> {
        File::create(image).unwrap().set_len(512 << 20).unwrap();
        std::fs::create_dir_all(folder).unwrap();
        let mut make = Command::new("mkfs.ext4");
        make.args(["-q", "-F"]).arg(image);
        if !make.output().is_ok_and(|output| output.status.success()) {
            skip("there is no mkfs.ext4 (Debian's package e2fsprogs)");
            return None;
        }
        let disk = Self {
            image: image.to_owned(),
            folder: folder.to_owned(),
        };
        if let Err(problem) = disk.mount() {
            skip(&format!("a file cannot be mounted here: {problem}"));
            return None;
        }
        Some(disk)
    }

    fn mount(&self) -> Result<(), String> {
        let mut mount = Command::new("mount");
        mount.args(["-o", "loop"]).arg(&self.image).arg(&self.folder);
        let outcome = finish(mount);
        (outcome.code == 0).then_some(()).ok_or(outcome.stderr)
    }

    /// From now on nothing reaches the disk, and what did not reach it is lost.
    fn lose_power(&self) {
        // `_IOR('X', 125, __u32)`, FS_IOC_SHUTDOWN, and its flag for leaving the log unwritten (from memory of Linux' headers).
        const SHUTDOWN: libc::c_ulong = 0x8004_587D;
        const WITHOUT_LOG: u32 = 2;
        let folder = File::open(&self.folder).unwrap();
        // SAFETY: the descriptor is open and the argument points to a live u32, as this request wants.
        let outcome = unsafe { libc::ioctl(folder.as_raw_fd(), SHUTDOWN, &WITHOUT_LOG) };
        assert_eq!(outcome, 0, "{}", std::io::Error::last_os_error());
    }

    /// The machine starts again: the file system replays its log.
    fn start_again(&self) {
        self.unmount();
        self.mount().unwrap();
    }

    fn unmount(&self) {
        // A process that was just killed takes a moment to let go.
        for _ in 0..200 {
            let mut unmount = Command::new("umount");
            unmount.arg(&self.folder);
            if finish(unmount).code == 0 {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        panic!("{} stays in use", self.folder.display());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // Lazily: a process of a failed test may still be on it.
        let _ = Command::new("umount").arg("--lazy").arg(&self.folder).status();
    }
}

#[test]
fn nothing_that_was_acknowledged_is_lost_when_the_coordinators_power_is_cut() {
    let sandbox = quayside(0.1);
    let Some(disk) = Disk::make(&sandbox.root().join("disk.ext4"), &sandbox.root().join("studio")) else {
        return;
    };
    let mut studio = Studio::open(&sandbox, &[]);
    for name in ["ash", "elm"] {
        // On another machine, which does not see the coordinator's disk: they get at blobs through the coordinator only.
        let agent = studio.agent_command(name, &["--at", &studio.address]);
        let mut elsewhere = Command::new("unshare");
        elsewhere
            .args(["--mount", "sh", "-c", "umount \"$0\" && exec \"$@\""])
            .arg(studio.data())
            .arg(agent.get_program())
            .args(agent.get_args());
        studio.start_agent_by(name, elsewhere);
    }
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let rounds = if is_slow_wanted() { 20 } else { 2 };
    for round in 0..rounds {
        // New models: nothing of earlier rounds can be reused.
        for number in 0..BALES {
            sandbox.write(
                &format!("base/bale-{number:02}.txt"),
                format!("bale {number} of the invented cargo of round {round}\n"),
            );
        }
        let _ = std::fs::remove_file(sandbox.root().join("notes"));
        let run = submit(&studio);
        // What somebody was told is done, line by line, until the power goes at another moment in each round.
        let mut watch = start(sandbox.command(&["--at", &studio.address, "watch", &run, "--json"]));
        let lines = std::io::BufReader::new(watch.stdout.take().unwrap());
        let wanted = 1 + round * 5 % (ITEMS - 2);
        let mut told = BTreeSet::new();
        for line in std::io::BufRead::lines(lines).map_while(Result::ok) {
            let object: serde_json::Value = serde_json::from_str(&line).unwrap();
            if object["kind"] == "item" && object["state"] == "done" {
                told.insert(object["address"].as_str().unwrap().to_owned());
            }
            if told.len() >= wanted {
                break;
            }
        }
        // The machine stops all at once: no process of it may see its disk fail first, and say so to agents.
        let coordinator = studio.coordinator.as_ref().unwrap().id().cast_signed();
        // SAFETY: plain numbers; the process is a child of this test that was not waited for, so the number is its own.
        assert_eq!(unsafe { libc::kill(coordinator, libc::SIGSTOP) }, 0);
        disk.lose_power();
        studio.kill_coordinator();
        let _ = watch.kill();
        let _ = watch.wait();
        assert!(told.len() >= wanted, "{told:?} of {wanted}\n{}", studio.logs());
        disk.start_again();
        studio.start_coordinator();
        studio.wait_until_reachable();
        let rows = studio.tidemill(&["show", &run, "--json"]).objects("item");
        assert_eq!(rows.len(), ITEMS, "the run is there as a whole");
        let done: BTreeSet<String> = rows
            .iter()
            .filter(|row| row["state"] == "done")
            .map(|row| row["address"].as_str().unwrap().to_owned())
            .collect();
        assert!(done.is_superset(&told), "told {told:?}, there {done:?}");
        let ended = studio.tidemill(&["watch", &run, "--json"]);
        assert_eq!(
            (ended.code, ended.count("done")),
            (0, ITEMS as u64),
            "{ended:?}\n{}",
            studio.logs()
        );
        // The agents lived on with what they had made, and the coordinator awaited them: nothing ran again.
        let most = starts(&sandbox).into_values().max();
        assert_eq!(
            most,
            Some(1),
            "round {round}: {:?}\n{}",
            starts(&sandbox),
            studio.logs()
        );
        let delivered = studio.tidemill(&["deliver", &run, "--json"]);
        assert_eq!(delivered.code, 0, "{delivered:?}");
        for number in 0..BALES {
            assert_eq!(
                sandbox.read(&format!("out/bale-{number:02}.sealed.txt")),
                format!("first half of bale {number} of the invented cargo of round {round}\n")
            );
        }
    }
    // The store is whole: every blob matches its name.
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
}
