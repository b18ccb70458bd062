//! What was delivered into a folder: one file of JSON lines for each manifest, `.<manifest>.tidemill-delivered`,
//! in the folder of the delivery itself. So it is known there whichever coordinator made the files and whichever
//! machine delivers the next time.
//!
//! A line is added before a unit is written (`begun`) and after (`delivered` or `given-up`), so that a delivery
//! that was cut off can be taken back. Fields are only ever added; a torn last line is a line that was not written.

use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::io::{self, Seek as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use tidemill_proto::Digest;

use crate::failure::io_words;
use crate::os;

const ENDING: &str = ".tidemill-delivered";
/// A file that is larger than this is written anew with what still counts.
const TIDY_ABOVE_BYTES: u64 = 4 * 1024 * 1024;
/// So many earlier contents of a file are known as Tidemill's own: somebody may have brought an older one back.
const EARLIER: usize = 8;
/// How long a delivery waits for another one of the same manifest into the same folder.
const WAIT: Duration = Duration::from_secs(60);

/// One file of a unit that is being written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Entry {
    /// Relative to the folder, `/` between parts.
    pub(super) path: String,
    /// BLAKE3 of its bytes, 64 hexadecimal digits.
    pub(super) digest: String,
    /// There was a file of this name before.
    #[serde(default)]
    pub(super) replaces: bool,
}

impl Entry {
    pub(super) fn digest(&self) -> Option<Digest> {
        self.digest.parse().ok()
    }
}

/// One line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
enum Line {
    Begun {
        run: String,
        unit: String,
        at_ms: i64,
        files: Vec<Entry>,
    },
    Delivered {
        run: String,
        unit: String,
        at_ms: i64,
        files: Vec<Entry>,
    },
    GivenUp {
        unit: String,
        at_ms: i64,
    },
    Removed {
        run: String,
        path: String,
        at_ms: i64,
    },
    /// Of a later version.
    #[serde(other)]
    Unknown,
}

/// What is known of one delivered file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Known {
    /// Contents that Tidemill gave it, oldest first.
    pub(super) digests: Vec<Digest>,
    /// The run that the newest is from; empty while it was never wholly delivered.
    pub(super) run: String,
    unit: String,
    at_ms: i64,
}

#[derive(Debug, Default)]
struct Lines {
    files: BTreeMap<String, Known>,
    /// Begun and not ended, by unit.
    open: BTreeMap<String, Vec<Entry>>,
}

/// The record of one manifest's deliveries into one folder. Shared by the units that are written at once.
#[derive(Debug)]
pub(super) struct Ledger {
    /// Paths that other manifests delivered into the same folder, with the contents that they gave them.
    others: HashMap<String, Known>,
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    lines: Lines,
    path: PathBuf,
    file: Option<File>,
    /// Ends with a torn line, to be cut off.
    whole_bytes: u64,
}

impl Ledger {
    /// Reads what was delivered into `folder`. Waits for another delivery of the same manifest into it.
    pub(super) async fn open(folder: &Path, manifest: &str) -> Result<Self, String> {
        let path = folder.join(file_name(manifest));
        let begun = Instant::now();
        let file = loop {
            match open_locked(&path) {
                Ok(Some(file)) => break Some(file),
                Ok(None) if begun.elapsed() > WAIT => {
                    return Err(format!(
                        "another process delivers {manifest} into {}; try again when it has ended",
                        folder.display()
                    ));
                }
                Ok(None) => tokio::time::sleep(Duration::from_millis(50)).await,
                // No folder yet, or one that cannot be written: said when there is something to write.
                Err(_) => break None,
            }
        };
        let text = std::fs::read(&path).unwrap_or_default();
        let (lines, whole_bytes) = read(&text);
        let mut inner = Inner {
            lines,
            path,
            file,
            whole_bytes,
        };
        if text.len() as u64 > TIDY_ABOVE_BYTES {
            inner.tidy();
        }
        Ok(Self {
            others: others(folder, manifest),
            inner: Mutex::new(inner),
        })
    }

    /// Whether Tidemill gave this content to the file of this name.
    pub(super) fn is_ours(&self, path: &str, content: &Digest) -> bool {
        let of_others = self.others.get(path);
        of_others.is_some_and(|known| known.digests.contains(content))
            || self
                .inner()
                .lines
                .files
                .get(path)
                .is_some_and(|known| known.digests.contains(content))
    }

    /// The run that delivered a file last, if any did.
    pub(super) fn run_of(&self, path: &str) -> Option<String> {
        let inner = self.inner();
        let known = inner.lines.files.get(path).or_else(|| self.others.get(path))?;
        (!known.run.is_empty()).then(|| known.run.clone())
    }

    /// Whether another manifest delivers a file of this name here.
    pub(super) fn is_of_others(&self, path: &str) -> bool {
        self.others.contains_key(path)
    }

    /// All that this manifest delivered here and did not remove.
    pub(super) fn files(&self) -> Vec<(String, Known)> {
        let inner = self.inner();
        let files = inner.lines.files.iter();
        files.map(|(path, known)| (path.clone(), known.clone())).collect()
    }

    /// Units that were begun and never ended.
    pub(super) fn cut_off(&self) -> Vec<(String, Vec<Entry>)> {
        let inner = self.inner();
        let open = inner.lines.open.iter();
        open.map(|(unit, files)| (unit.clone(), files.clone())).collect()
    }

    /// Before the first file of a unit is written.
    pub(super) fn begin(&self, run: &str, unit: &str, files: Vec<Entry>) -> Result<(), String> {
        let (run, unit, at_ms) = (run.to_owned(), unit.to_owned(), now_ms());
        self.inner().add(Line::Begun {
            run,
            unit,
            at_ms,
            files,
        })
    }

    /// When all of them are in their places.
    pub(super) fn delivered(&self, run: &str, unit: &str, files: Vec<Entry>) -> Result<(), String> {
        let (run, unit, at_ms) = (run.to_owned(), unit.to_owned(), now_ms());
        self.inner().add(Line::Delivered {
            run,
            unit,
            at_ms,
            files,
        })
    }

    /// When everything was taken back.
    pub(super) fn given_up(&self, unit: &str) -> Result<(), String> {
        let (unit, at_ms) = (unit.to_owned(), now_ms());
        self.inner().add(Line::GivenUp { unit, at_ms })
    }

    /// When a file is gone.
    pub(super) fn removed(&self, run: &str, path: &str) -> Result<(), String> {
        let (run, path, at_ms) = (run.to_owned(), path.to_owned(), now_ms());
        self.inner().add(Line::Removed { run, path, at_ms })
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn add(&mut self, line: Line) -> Result<(), String> {
        let problem = |path: &Path, error: &io::Error| {
            format!(
                "cannot note in {} what is delivered: {}",
                path.display(),
                io_words(error)
            )
        };
        if self.file.is_none() {
            let opened = open_locked(&self.path).map_err(|error| problem(&self.path, &error))?;
            self.file = Some(opened.ok_or_else(|| "another process delivers the same files".to_owned())?);
        }
        let Some(file) = &mut self.file else {
            return Err("the record of deliveries is closed".to_owned());
        };
        let mut text = serde_json::to_vec(&line).map_err(|error| error.to_string())?;
        text.push(b'\n');
        // Behind the last whole line: what stands there otherwise is torn.
        file.set_len(self.whole_bytes)
            .and_then(|()| file.seek(io::SeekFrom::Start(self.whole_bytes)))
            .and_then(|_| file.write_all(&text))
            .map_err(|error| problem(&self.path, &error))?;
        self.whole_bytes += text.len() as u64;
        self.lines.take(line);
        Ok(())
    }

    /// Writes the file anew with what still counts. One that cannot be is left as it is.
    fn tidy(&mut self) {
        if self.file.is_none() {
            return;
        }
        let fresh = self.path.with_extension("tidemill-part");
        let write = || -> io::Result<(File, u64)> {
            let mut text = Vec::new();
            for line in self.lines.condensed() {
                serde_json::to_writer(&mut text, &line)?;
                text.push(b'\n');
            }
            std::fs::write(&fresh, &text)?;
            let file = File::options().write(true).open(&fresh)?;
            file.sync_all()?;
            // Locked before anybody else can open it under its name.
            let _ = file.try_lock();
            std::fs::rename(&fresh, &self.path)?;
            Ok((file, text.len() as u64))
        };
        match write() {
            Ok((file, bytes)) => {
                self.file = Some(file);
                self.whole_bytes = bytes;
            }
            Err(error) => {
                let _ = std::fs::remove_file(&fresh);
                tracing::warn!(%error, path = %self.path.display(), "could not shorten the record of deliveries");
            }
        }
    }
}

impl Lines {
    fn take(&mut self, line: Line) {
        match line {
            Line::Begun {
                run: _,
                unit,
                at_ms,
                files,
            } => {
                for file in &files {
                    self.note(file, "", &unit, at_ms);
                }
                self.open.insert(unit, files);
            }
            Line::Delivered {
                run,
                unit,
                at_ms,
                files,
            } => {
                for file in &files {
                    self.note(file, &run, &unit, at_ms);
                }
                self.open.remove(&unit);
            }
            Line::GivenUp { unit, .. } => {
                self.open.remove(&unit);
            }
            Line::Removed { path, .. } => {
                self.files.remove(&path);
            }
            Line::Unknown => {}
        }
    }

    fn note(&mut self, file: &Entry, run: &str, unit: &str, at_ms: i64) {
        let Some(digest) = file.digest() else { return };
        let known = self.files.entry(file.path.clone()).or_insert_with(|| Known {
            digests: Vec::new(),
            run: String::new(),
            unit: String::new(),
            at_ms: 0,
        });
        known.digests.retain(|earlier| *earlier != digest);
        known.digests.push(digest);
        if known.digests.len() > EARLIER {
            known.digests.remove(0);
        }
        if !run.is_empty() {
            known.run = run.to_owned();
            known.unit = unit.to_owned();
            known.at_ms = at_ms;
        }
    }

    /// Fewest lines that read the same.
    fn condensed(&self) -> impl Iterator<Item = Line> {
        let files = self.files.iter().flat_map(|(path, known)| {
            known.digests.iter().map(|digest| Line::Delivered {
                run: known.run.clone(),
                unit: known.unit.clone(),
                at_ms: known.at_ms,
                files: vec![Entry {
                    path: path.clone(),
                    digest: digest.to_string(),
                    replaces: true,
                }],
            })
        });
        let open = self.open.iter().map(|(unit, files)| Line::Begun {
            run: String::new(),
            unit: unit.clone(),
            at_ms: 0,
            files: files.clone(),
        });
        files.chain(open)
    }
}

/// Lines that can be read, and where the last whole one ends.
fn read(text: &[u8]) -> (Lines, u64) {
    let mut lines = Lines::default();
    let whole = text
        .iter()
        .rposition(|byte| *byte == b'\n')
        .map_or(0, |end| end + 1);
    for line in text[..whole].split(|byte| *byte == b'\n') {
        // A line that a merge of version control tore is no reason to deliver nothing.
        if let Ok(line) = serde_json::from_slice(line) {
            lines.take(line);
        }
    }
    (lines, whole as u64)
}

/// Opens the file for this process alone; `None` while another one has it.
fn open_locked(path: &Path) -> io::Result<Option<File>> {
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(path)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => return Ok(None),
        // Some network shares have no locks.
        Err(std::fs::TryLockError::Error(_)) => {}
    }
    // Whoever had it before may have written it anew: then this is no longer the file of that name.
    let (opened, named) = (file.metadata()?, std::fs::metadata(path)?);
    Ok((os::file_identity(&opened).number == os::file_identity(&named).number).then_some(file))
}

fn file_name(manifest: &str) -> String {
    let plain = |letter: char| match letter {
        'a'..='z' | 'A'..='Z' | '0'..='9' | '-' | '_' => letter,
        _ => '_',
    };
    format!(".{}{ENDING}", manifest.chars().map(plain).collect::<String>())
}

/// What other manifests delivered into the folder.
fn others(folder: &Path, manifest: &str) -> HashMap<String, Known> {
    let own = file_name(manifest);
    let mut found: HashMap<String, Known> = HashMap::new();
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in entries {
        let name = entry.file_name();
        let is_ledger = name
            .to_str()
            .is_some_and(|name| name.ends_with(ENDING) && name != own);
        if !is_ledger {
            continue;
        }
        let (lines, _) = read(&std::fs::read(entry.path()).unwrap_or_default());
        for (path, known) in lines.files {
            match found.entry(path) {
                std::collections::hash_map::Entry::Vacant(slot) => {
                    slot.insert(known);
                }
                std::collections::hash_map::Entry::Occupied(mut slot) => {
                    slot.get_mut().digests.extend(known.digests);
                }
            }
        }
    }
    found
}

fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(path: &str, content: &str) -> Entry {
        Entry {
            path: path.into(),
            digest: Digest::of(content.as_bytes()).to_string(),
            replaces: false,
        }
    }

    fn of(content: &str) -> Digest {
        Digest::of(content.as_bytes())
    }

    #[tokio::test]
    async fn what_was_delivered_is_known_the_next_time_and_to_other_manifests() {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        ledger.begin("quay.1", "a", vec![entry("out/a", "one")]).unwrap();
        ledger
            .delivered("quay.1", "a", vec![entry("out/a", "one")])
            .unwrap();
        ledger.begin("quay.2", "a", vec![entry("out/a", "two")]).unwrap();
        drop(ledger);
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        assert!(ledger.is_ours("out/a", &of("one")) && ledger.is_ours("out/a", &of("two")));
        assert!(!ledger.is_ours("out/a", &of("three")) && !ledger.is_ours("out/b", &of("one")));
        assert_eq!(ledger.run_of("out/a").as_deref(), Some("quay.1"));
        assert_eq!(ledger.cut_off(), [("a".to_owned(), vec![entry("out/a", "two")])]);
        drop(ledger);
        let other = Ledger::open(folder.path(), "pier").await.unwrap();
        assert!(other.is_ours("out/a", &of("two")) && other.files().is_empty());
    }

    #[tokio::test]
    async fn a_torn_last_line_was_not_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(file_name("quay"));
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        ledger
            .delivered("quay.1", "a", vec![entry("out/a", "one")])
            .unwrap();
        drop(ledger);
        let mut text = std::fs::read(&path).unwrap();
        text.extend_from_slice(b"{\"kind\":\"deliv");
        std::fs::write(&path, text).unwrap();
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        ledger.removed("quay.2", "out/a").unwrap();
        drop(ledger);
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(text.lines().count(), 2, "{text}");
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        assert!(ledger.files().is_empty());
    }

    #[tokio::test]
    async fn a_long_file_is_shortened_and_reads_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        let files: Vec<Entry> = (0..400).map(|n| entry(&format!("out/{n}"), "same")).collect();
        while ledger.inner().whole_bytes <= TIDY_ABOVE_BYTES {
            ledger.delivered("quay.7", "a", files.clone()).unwrap();
        }
        let before = ledger.files();
        drop(ledger);
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        assert_eq!(ledger.files(), before);
        assert!(ledger.inner().whole_bytes < 200_000);
        assert!(
            open_locked(&folder.path().join(file_name("quay")))
                .unwrap()
                .is_none(),
            "it is still locked"
        );
        ledger.removed("quay.8", "out/3").unwrap();
        drop(ledger);
        let ledger = Ledger::open(folder.path(), "quay").await.unwrap();
        assert_eq!(ledger.files().len(), 399);
    }
}
