//! Full disks: an agent's and the coordinator's, each on a small file system in memory that the test mounts. Needs Linux
//! and root; elsewhere it says that it did nothing.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(target_os = "linux")]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use tidemill_tests::faults::{check, quayside, skip, started, submit};
use tidemill_tests::studio::Studio;

/// A mounted file system of a few MiB, unmounted on drop.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn mount(folder: &Path, mebibytes: u32) -> Option<Self> {
        std::fs::create_dir_all(folder).unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={mebibytes}m"), "tmpfs"])
            .arg(folder)
            .output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(folder.to_owned())),
            _ => {
                skip("a small file system can only be mounted by root");
                None
            }
        }
    }

    fn filler(&self) -> PathBuf {
        self.0.join("filler")
    }

    /// Writes until there is no room for one byte more.
    fn fill(&self) {
        use std::io::Write as _;
        let mut file = std::fs::File::options()
            .create(true)
            .append(true)
            .open(self.filler())
            .unwrap();
        for size in [1 << 20, 4096, 1] {
            while file.write_all(&vec![0; size]).is_ok() {}
        }
    }

    /// Writes until only so much is free.
    fn leave(&self, mebibytes: u64) {
        use std::io::Write as _;
        let mut file = std::fs::File::create(self.filler()).unwrap();
        while fs4::available_space(&self.0).unwrap() > mebibytes << 20 {
            file.write_all(&vec![0; 1 << 20]).unwrap();
        }
    }

    fn make_room(&self) {
        std::fs::remove_file(self.filler()).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a process of a failed test may still be on it.
        let _ = Command::new("umount").arg("--lazy").arg(&self.0).status();
    }
}

#[test]
fn an_agents_disk_is_full() {
    let sandbox = quayside(0.5);
    let Some(disk) = SmallDisk::mount(&sandbox.root().join("ash"), 16) else {
        return;
    };
    let mut studio = Studio::open(&sandbox, &[]);
    studio.start_agent("ash");
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let run = submit(&studio);
    studio.wait_for("items to start", || started(&sandbox) >= 3);
    disk.fill();
    std::thread::sleep(Duration::from_secs(2));
    disk.make_room();
    // Each attempt that the full disk ended is one more.
    check(&studio, &sandbox, &run, 16);
}

#[test]
fn the_coordinators_disk_is_full() {
    let sandbox = quayside(0.5);
    let Some(disk) = SmallDisk::mount(&sandbox.root().join("studio"), 64) else {
        return;
    };
    // Without what is kept back it would stop placing, and might just get by.
    let mut studio = Studio::open(&sandbox, &["--lost-grace", "2", "--keep-disk", "0 B"]);
    studio.start_agent("ash");
    studio.start_agent("elm");
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let run = submit(&studio);
    studio.wait_for("items to start", || started(&sandbox) >= 3);
    disk.fill();
    // It cannot keep its promises any more, and says so instead of going on.
    let mut coordinator = studio.coordinator.take().unwrap();
    studio.wait_for("the coordinator to end", || coordinator.has_ended());
    assert!(
        studio.logs().contains("make room if its disk is full"),
        "{}",
        studio.logs()
    );
    disk.make_room();
    // As a service manager does.
    studio.start_coordinator();
    studio.wait_until_reachable();
    check(&studio, &sandbox, &run, 16);
}

#[test]
fn the_coordinators_disk_gets_short_and_it_holds_back_until_there_is_room() {
    let sandbox = quayside(0.8);
    let Some(disk) = SmallDisk::mount(&sandbox.root().join("studio"), 64) else {
        return;
    };
    let mut studio = Studio::open(&sandbox, &["--keep-disk", "16 MiB"]);
    studio.start_agent("ash");
    studio.wait_for("an agent", || studio.agent_rows().len() == 1);
    let run = submit(&studio);
    studio.wait_for("items to start", || started(&sandbox) >= 2);
    disk.leave(8);
    let waiting = |address: &str| {
        let shown = studio.tidemill(&["show", &run, address, "--json"]);
        shown.objects("item")[0]["waits_for"].clone()
    };
    let why = "nothing is started: the coordinator's disk under";
    let says_why = |text: &serde_json::Value| {
        text.as_str()
            .is_some_and(|text| text.starts_with(why) && text.ends_with("and 16.0 MiB are kept back"))
    };
    studio.wait_for("the last item to say why it waits", || {
        says_why(&waiting("bale-07/load"))
    });
    studio.wait_for("what runs to end", || {
        studio.agent_rows()[0]["running"].as_array().unwrap().is_empty()
    });
    let rows = studio.agent_rows();
    assert!(says_why(&rows[0]["note"]), "{rows:?}");
    let so_far = started(&sandbox);
    assert!(so_far < 8, "{so_far} items have started already");
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(started(&sandbox), so_far, "nothing starts meanwhile");
    assert!(studio.logs().contains(why), "{}", studio.logs());
    assert!(!studio.coordinator.as_mut().unwrap().has_ended());
    disk.make_room();
    // By itself: nobody tells it.
    check(&studio, &sandbox, &run, 0);
}
