//! Power cuts in a loop: `cargo run --release -p tidemill-coordinator --example power_cut -- [ROUNDS]`.
//!
//! A child process commits blobs and rows through the committer on a loop-mounted ext4. While it works, the
//! file system is shut down without writing out its log, which is what a power cut leaves (it does not model
//! a disk's own write cache). Mounted again, every commit that was acknowledged before the cut must be there
//! whole, blobs and rows, and every blob must match its name. Exit code 1 if not.
//!
//! Needs Linux, root, loop devices and `mkfs.ext4`; a long check for a person to start, no part of the tests.

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn main() {
    eprintln!("power_cut shuts a file system down in a way that only Linux offers");
    std::process::exit(2);
}

#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["commit", folder] => linux::commit_until_cut(folder.as_ref()),
        [] => linux::cut_again_and_again(10),
        [rounds] => linux::cut_again_and_again(rounds.parse()?),
        _ => anyhow::bail!("usage: power_cut [ROUNDS]"),
    }
}

#[cfg(all(target_os = "linux", target_env = "gnu"))]
mod linux {
    use std::fs::{self, File};
    use std::io::{BufRead, BufReader, Write};
    use std::os::fd::AsRawFd;
    use std::path::{Path, PathBuf};
    use std::process::{Command, Stdio};
    use std::sync::Arc;
    use std::sync::atomic::{AtomicU64, Ordering};
    use std::thread;
    use std::time::Duration;

    use anyhow::{Context, Result, bail, ensure};
    use tidemill_coordinator::record::{Committer, Op, Record, Scan, SledRecord, Submission};
    use tidemill_store::{Digest, Store};

    /// `_IOR('X', 125, __u32)`, FS_IOC_SHUTDOWN of Linux (from memory of the kernel's headers).
    const SHUTDOWN: libc::c_ulong = 0x8004_587D;
    /// Of its argument: write nothing out, not even the log.
    const WITHOUT_LOG: u32 = 2;
    const BLOBS: u64 = 3;
    /// Commits that may wait at a time; enough for groups to form.
    const WAITING: u64 = 100;

    pub fn cut_again_and_again(rounds: u64) -> Result<()> {
        let work = tempfile::tempdir()?;
        let image = work.path().join("disk");
        let mounted = work.path().join("mounted");
        fs::create_dir(&mounted)?;
        File::create(&image)?.set_len(1024 * 1024 * 1024)?;
        run(
            "mkfs.ext4",
            &[
                "-q".as_ref(),
                "-F".as_ref(),
                "-i".as_ref(),
                "4096".as_ref(),
                image.as_os_str(),
            ],
        )?;
        let mut acknowledged = 0;
        for round in 1..=rounds {
            {
                let disk = Mounted::new(&image, &mounted)?;
                acknowledged =
                    work_and_cut(&disk, Duration::from_millis(200 + round * 137 % 900))?.max(acknowledged);
            }
            let disk = Mounted::new(&image, &mounted)?;
            let there = check(&disk.folder, acknowledged).with_context(|| format!("round {round}"))?;
            println!("round {round}: {acknowledged} commits acknowledged, {there} there, all whole");
        }
        Ok(())
    }

    /// Gives the number of the last commit whose acknowledgement was read before the cut.
    fn work_and_cut(disk: &Mounted, pause: Duration) -> Result<u64> {
        let handle = File::open(&disk.folder)?;
        let mut child = Command::new(std::env::current_exe()?)
            .arg("commit")
            .arg(&disk.folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let lines = BufReader::new(child.stdout.take().context("the child has no output")?).lines();
        let last = Arc::new(AtomicU64::new(0));
        let reader = thread::spawn({
            let last = last.clone();
            move || {
                for number in lines.map_while(Result::ok).filter_map(|line| line.parse().ok()) {
                    last.store(number, Ordering::SeqCst);
                }
            }
        });
        thread::sleep(pause);
        let acknowledged = last.load(Ordering::SeqCst);
        // SAFETY: the handle is open, and the request reads one u32 through the pointer.
        let outcome = unsafe { libc::ioctl(handle.as_raw_fd(), SHUTDOWN, &WITHOUT_LOG) };
        let error = std::io::Error::last_os_error();
        child.kill()?;
        child.wait()?;
        let _ = reader.join();
        ensure!(outcome == 0, "the file system could not be shut down: {error}");
        Ok(acknowledged)
    }

    fn check(folder: &Path, acknowledged: u64) -> Result<u64> {
        let record = SledRecord::open(&folder.join("record"))?;
        let store = Store::open_owner(&folder.join("store"))?;
        for entry in store.iter()? {
            store.verify(&entry?.digest)?;
        }
        let rows = record.scan_prefix(b"")?;
        for (number, (key, value)) in (1..).zip(&rows) {
            ensure!(
                key[..] == u64::to_be_bytes(number),
                "commit {number} is not there"
            );
            for digest in value.chunks(32).map(Digest::from_slice) {
                let digest = digest?;
                ensure!(
                    store.contains(&digest)?,
                    "commit {number} names the blob {digest}, which is lost"
                );
            }
        }
        let there = rows.len() as u64;
        ensure!(
            there >= acknowledged,
            "{acknowledged} commits were acknowledged, {there} are there"
        );
        Ok(there)
    }

    /// Every other process commits rows without blobs: the store's syncs reach the record's file as well, and
    /// would hide that the record does not sync it itself.
    pub fn commit_until_cut(folder: &Path) -> Result<()> {
        let record = Arc::new(SledRecord::open(&folder.join("record"))?);
        let store = Store::open_owner(&folder.join("store"))?;
        let last = record.scan(&Scan::of([]).reverse().limit(1))?;
        let last = match last.first() {
            Some((key, _)) => u64::from_be_bytes(key[..].try_into()?),
            None => 0,
        };
        let blobs_each = if last.is_multiple_of(2) { 0 } else { BLOBS };
        let committer = Committer::start(record, store.clone())?;
        let done = Arc::new(AtomicU64::new(last));
        for number in last + 1.. {
            let mut blobs = Vec::new();
            for blob in 0..blobs_each {
                let bytes = format!("{number} {blob} ").repeat(1 + (number * 31 + blob * 7) as usize % 400);
                blobs.push(store.stage_bytes(bytes.as_bytes())?.digest);
            }
            let value = blobs.iter().flat_map(|digest| digest.to_vec()).collect();
            let put = Op::Put {
                key: number.to_be_bytes().to_vec(),
                value,
            };
            let told = done.clone();
            committer.submit(Submission::then(blobs, vec![put], move |outcome| match outcome {
                Ok(()) => {
                    told.store(number, Ordering::SeqCst);
                    let mut out = std::io::stdout().lock();
                    let _ = writeln!(out, "{number}").and_then(|()| out.flush());
                }
                Err(_) => std::process::exit(1),
            }))?;
            while number - done.load(Ordering::SeqCst) > WAITING {
                thread::sleep(Duration::from_micros(200));
            }
        }
        Ok(())
    }

    /// A mounted image, unmounted on drop.
    struct Mounted {
        folder: PathBuf,
    }

    impl Mounted {
        fn new(image: &Path, folder: &Path) -> Result<Self> {
            run(
                "mount",
                &[
                    "-o".as_ref(),
                    "loop".as_ref(),
                    image.as_os_str(),
                    folder.as_os_str(),
                ],
            )?;
            Ok(Self {
                folder: folder.to_owned(),
            })
        }
    }

    impl Drop for Mounted {
        fn drop(&mut self) {
            if let Err(error) = run("umount", &[self.folder.as_os_str()]) {
                eprintln!("{error:#}");
            }
        }
    }

    fn run(program: &str, arguments: &[&std::ffi::OsStr]) -> Result<()> {
        let output = Command::new(program)
            .args(arguments)
            .output()
            .with_context(|| format!("start {program}"))?;
        if !output.status.success() {
            bail!("{program}: {}", String::from_utf8_lossy(&output.stderr).trim());
        }
        Ok(())
    }
}
