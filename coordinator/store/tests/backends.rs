//! One suite for every place that several machines use at once: a folder share, and a bucket behind a real
//! S3-compatible server (crates `s3s` and `s3s-fs`).
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

#[path = "common/bucket.rs"]
mod bucket;
mod common;

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io::{BufRead as _, BufReader, Read, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Barrier, Mutex};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use bucket::{BUCKET, KEY, Server};
use tidemill_store::backend::{Address, Backend, Body, Bucket, LeftOver, Place, Share, Shared, read_all};
use tidemill_store::{Digest, ExportMode, Store, StoreError, Take, blob_name, id_name};

/// Opens a place once more, as another machine would.
type Open<'a> = &'a (dyn Fn() -> (Arc<dyn Backend>, Address) + Sync);

/// Calls a test with each place.
fn with_each(test: impl Fn(Open<'_>, &Path)) {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("share");
    std::fs::create_dir(&root).unwrap();
    let near = folder.path().join("near-share");
    test(
        &|| {
            (
                Arc::new(Share::open(&root).unwrap()),
                Address::Share(Shared {
                    folder: root.clone(),
                    seen_within_seconds: Some(0),
                }),
            )
        },
        &near,
    );
    let server = Server::start(&folder.path().join("server"));
    let near = folder.path().join("near-bucket");
    test(
        &|| (Arc::new(server.bucket("mill/one")), server.address("mill/one")),
        &near,
    );
}

#[test]
fn what_is_put_is_there_under_its_name_and_nothing_else() {
    with_each(|open, _| {
        let (backend, _) = open();
        let (_, address) = open();
        assert!(backend.place().starts_with(&address.to_string()[..4]));
        assert_eq!(backend.size("blobs/ab/none").unwrap(), None);
        assert!(backend.open("blobs/ab/none", 0).unwrap().is_none());
        let mut expected = BTreeMap::new();
        for (number, length) in [0, 1, 5000, 70_000, 9 * 1024 * 1024 + 17].into_iter().enumerate() {
            let bytes = common::noise(number as u64, length);
            let name = format!("blobs/ab/{number}");
            backend.put(&name, Body::Bytes(&bytes)).unwrap();
            assert_eq!(backend.size(&name).unwrap(), Some(length as u64));
            assert_eq!(read_all(&*backend, &name).unwrap().unwrap(), bytes);
            for from in [0, length as u64 / 3, length as u64] {
                let mut opened = backend.open(&name, from).unwrap().unwrap();
                assert_eq!(opened.size, length as u64);
                let mut rest = Vec::new();
                opened.bytes.read_to_end(&mut rest).unwrap();
                assert!(rest == bytes[from as usize..], "{name} from {from}");
            }
            expected.insert(name, length as u64);
        }
        backend.put("ids/x", Body::Bytes(b"x")).unwrap();
        let mut listed = BTreeMap::new();
        backend
            .list("blobs/", &mut |object| {
                assert!(object.changed_ms > 1_500_000_000_000);
                listed.insert(object.name, object.size);
                Ok(())
            })
            .unwrap();
        assert_eq!(listed, expected);
        backend.put("ids/x", Body::Bytes(b"another")).unwrap();
        assert_eq!(read_all(&*backend, "ids/x").unwrap().unwrap(), b"another");
        backend.delete("ids/x").unwrap();
        backend.delete("ids/x").unwrap();
        assert_eq!(read_all(&*backend, "ids/x").unwrap(), None);
        backend.list("ids/", &mut |object| panic!("{object:?}")).unwrap();
    });
}

#[test]
fn a_big_file_goes_and_comes_in_parts() {
    with_each(big_file);
}

/// 40 MiB are five parts, and ten ranges.
fn big_file(open: Open<'_>, near: &Path) {
    let (backend, _) = open();
    std::fs::create_dir_all(near).unwrap();
    let path = near.join("big");
    let bytes = common::noise(7, 40 * 1024 * 1024 + 5);
    std::fs::write(&path, &bytes).unwrap();
    backend.put("blobs/big", Body::File(&path)).unwrap();
    assert!(read_all(&*backend, "blobs/big").unwrap().unwrap() == bytes);
    let mut opened = backend.open("blobs/big", 30_000_001).unwrap().unwrap();
    let mut rest = Vec::new();
    opened.bytes.read_to_end(&mut rest).unwrap();
    assert!(rest == bytes[30_000_001..]);
}

#[test]
fn a_store_there_does_what_a_store_in_a_folder_does() {
    with_each(|open, near| {
        let (backend, address) = open();
        let store = Store::open_far(backend.clone(), address.clone(), near).unwrap();
        assert_eq!(store.address(), address);
        assert!(backend.size(&id_name(store.id())).unwrap().is_some());

        // Whole blobs.
        let all: Vec<Vec<u8>> = (0..20)
            .map(|seed| common::noise(seed, seed as usize * 700))
            .collect();
        let digests: Vec<Digest> = all
            .iter()
            .map(|bytes| store.stage_bytes(bytes).unwrap().digest)
            .collect();
        assert_eq!(store.missing(&digests).unwrap(), []);
        assert!(!store.contains(&digests[3]).unwrap());
        let lacking = Digest::of(b"nobody has this");
        let report = store.commit(&[&digests[..], &[lacking]].concat()).unwrap();
        assert_eq!((report.committed, report.missing), (20, vec![lacking]));
        assert_eq!(store.commit(&digests).unwrap().present, 20);
        for (digest, bytes) in digests.iter().zip(&all) {
            assert_eq!(store.read_blob(digest).unwrap(), *bytes);
            assert_eq!(store.verify(digest).unwrap(), bytes.len() as u64);
        }
        assert_eq!(common::names_in(&near.join("incoming")), [""; 0]);
        let listed: BTreeSet<Digest> = store.iter().unwrap().map(|entry| entry.unwrap().digest).collect();
        assert_eq!(listed, digests.iter().copied().collect());
        assert!(matches!(
            store.read_blob(&lacking),
            Err(StoreError::Absent { .. })
        ));

        // What somebody else put under its name only has to be looked for.
        let direct = common::noise(99, 5000);
        let name = Digest::of(&direct);
        open().0.put(&blob_name(&name), Body::Bytes(&direct)).unwrap();
        assert_eq!(store.commit(&[name]).unwrap().present, 1);

        // Trees and files.
        let work = near.join("work");
        std::fs::create_dir_all(work.join("in/deep")).unwrap();
        std::fs::write(work.join("in/a.obj"), b"bollard").unwrap();
        std::fs::write(work.join("in/deep/b.obj"), b"crate").unwrap();
        let tree = store.stage_tree(&work.join("in"), Take::Copy).unwrap();
        assert_eq!(store.commit(&tree.digests()).unwrap().missing, []);
        store
            .export_tree(&tree.tree.digest, &work.join("out"), ExportMode::Synced)
            .unwrap();
        assert_eq!(std::fs::read(work.join("out/deep/b.obj")).unwrap(), b"crate");
        store
            .export(&digests[9], &work.join("nine"), ExportMode::Synced)
            .unwrap();
        assert_eq!(std::fs::read(work.join("nine")).unwrap(), all[9]);

        // Damage is noticed, set aside, and the blob can be put again.
        let usage = store.usage().unwrap();
        let mut damaged = all[5].clone();
        damaged[17] ^= 4;
        backend
            .put(&blob_name(&digests[5]), Body::Bytes(&damaged))
            .unwrap();
        assert!(matches!(
            store.verify(&digests[5]),
            Err(StoreError::Corrupt { .. })
        ));
        assert!(!store.contains(&digests[5]).unwrap());
        assert_eq!(store.aside().unwrap().len(), 1);
        assert_eq!(store.usage().unwrap().aside.bytes, all[5].len() as u64);
        store.stage_bytes(&all[5]).unwrap();
        assert_eq!(store.commit(&[digests[5]]).unwrap().committed, 1);
        assert_eq!(store.read_blob(&digests[5]).unwrap(), all[5]);
        assert_eq!(store.usage().unwrap().blobs, usage.blobs);

        // A sweep.
        store.doom(&digests[..4], 17).unwrap();
        assert!(!store.contains(&digests[0]).unwrap());
        assert_eq!(store.read_blob(&digests[0]).unwrap(), all[0]);
        store.stage_bytes(&all[1]).unwrap();
        assert_eq!(store.commit(&[digests[1]]).unwrap().missing, []);
        let swept = store.remove_doomed(&mut |_| {}).unwrap();
        assert_eq!(
            (swept.files, swept.bytes),
            (3, (all[0].len() + all[2].len() + all[3].len()) as u64)
        );
        assert!(store.contains(&digests[1]).unwrap());
        assert!(!store.contains(&digests[2]).unwrap());
    });
}

#[test]
fn two_coordinators_write_at_once_and_no_name_ever_lies() {
    with_each(write_at_once);
}

/// As many names as there are in a run, written by the threads of two coordinators at once, a third of them by both;
/// beside them readers that look at everything that has a name.
fn write_at_once(open: Open<'_>, near: &Path) {
    const EACH: u64 = 60;
    let ended = AtomicBool::new(false);
    let coordinators: Vec<Store> = (0..2)
        .map(|number| {
            let (backend, address) = open();
            Store::open_far(backend, address, &near.join(number.to_string())).unwrap()
        })
        .collect();
    assert_ne!(coordinators[0].id(), coordinators[1].id());
    let read = thread::scope(|scope| {
        let writers: Vec<_> = (0..4_u64)
            .map(|writer| {
                let store = &coordinators[writer as usize % 2];
                scope.spawn(move || {
                    let mut group = Vec::new();
                    for number in 0..EACH {
                        let seed = if number % 3 == 0 {
                            number
                        } else {
                            number + writer * 10_000
                        };
                        let bytes = common::noise(seed, 1 + (seed as usize % 50) * 900);
                        group.push(store.stage_bytes(&bytes).unwrap().digest);
                        if group.len() == 10 {
                            assert_eq!(store.commit(&group).unwrap().missing, []);
                            for digest in group.drain(..) {
                                store.verify(&digest).unwrap();
                            }
                        }
                    }
                })
            })
            .collect();
        let reader = scope.spawn(|| {
            let (backend, _) = open();
            let mut read = 0_u64;
            while !ended.load(Ordering::Relaxed) || read < 200 {
                let mut names = Vec::new();
                backend
                    .list("blobs/", &mut |object| {
                        names.push(object.name);
                        Ok(())
                    })
                    .unwrap();
                for name in names {
                    let bytes = read_all(&*backend, &name).unwrap().unwrap();
                    assert_eq!(blob_name(&Digest::of(&bytes)), name, "a partial or wrong read");
                    read += 1;
                }
            }
            read
        });
        writers.into_iter().for_each(|writer| writer.join().unwrap());
        ended.store(true, Ordering::Relaxed);
        reader.join().unwrap()
    });
    assert!(read >= 200);
    for store in &coordinators {
        let mut count = 0;
        for entry in store.iter().unwrap() {
            store.verify(&entry.unwrap().digest).unwrap();
            count += 1;
        }
        assert_eq!(count, 4 * EACH - 3 * EACH.div_ceil(3));
        assert_eq!(store.aside().unwrap(), []);
    }
}

#[test]
fn a_wrong_key_and_a_server_that_is_gone_are_said_and_the_secret_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    let stranger = Bucket::open_as(&server.place(""), KEY, "not-the-secret").unwrap();
    let error = stranger.put("ids/x", Body::Bytes(b"x")).unwrap_err().to_string();
    assert!(error.contains("could not put ids/x in s3://harbour"), "{error}");
    assert!(!error.contains("not-the-secret"), "{error}");
    assert!(!folder.path().join(BUCKET).join("ids/x").exists());
}

/// The same choices for the same seed (xorshift64*, constants from memory).
struct Dice(u64);

impl Dice {
    fn throw(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % sides
    }
}

/// One coordinator sweeps in a loop what neither keeps; beside it another commits, keeps and drops the same few blobs. The
/// model is the other's own list of what it keeps: whatever stands there can be read, at every moment.
#[test]
fn a_sweep_in_a_loop_never_takes_what_another_coordinator_keeps() {
    const NAMES: u64 = 24;
    const SWEEPS: usize = 8;
    const MOST_SWEEPS: usize = 400;
    with_each(|open, near| {
        let (one, other) = {
            let open_as = |name: &str| {
                let (backend, address) = open();
                Store::open_far(backend, address, &near.join(name)).unwrap()
            };
            (open_as("one"), open_as("other"))
        };
        let keeps: Mutex<HashSet<Digest>> = Mutex::default();
        other.tell_roots(&HashSet::new(), true).unwrap();
        let ended = AtomicBool::new(false);
        let commits = AtomicU64::new(0);
        let mut removed = 0;
        thread::scope(|scope| {
            // The other's look-out.
            scope.spawn(|| {
                while !ended.load(Ordering::Relaxed) {
                    for sweep in other.look_for_sweeps().unwrap() {
                        // With the lock no commit is between the store and the record.
                        let roots = keeps.lock().unwrap().clone();
                        other.answer_sweep(&sweep, &roots).unwrap();
                    }
                    thread::sleep(Duration::from_millis(5));
                }
            });
            // The other's work.
            scope.spawn(|| {
                let mut dice = Dice(7);
                while !ended.load(Ordering::Relaxed) {
                    let bytes = common::noise(dice.throw(NAMES), 300);
                    let digest = Digest::of(&bytes);
                    let mut kept = keeps.lock().unwrap();
                    if dice.throw(3) == 0 {
                        kept.remove(&digest);
                        continue;
                    }
                    if !other.contains(&digest).unwrap() {
                        other.stage_bytes(&bytes).unwrap();
                    }
                    while !other.commit(&[digest]).unwrap().missing.is_empty() {
                        other.stage_bytes(&bytes).unwrap();
                    }
                    kept.insert(digest);
                    commits.fetch_add(1, Ordering::Relaxed);
                    for digest in kept.iter() {
                        let read = other.read_blob(digest);
                        assert!(read.is_ok(), "{digest} is kept and was taken: {read:?}");
                    }
                }
            });
            let own = common::noise(1, 300);
            let mut staged = one.stage_bytes(&own).unwrap();
            for round in 0..MOST_SWEEPS {
                if round >= SWEEPS && removed > 5 && commits.load(Ordering::Relaxed) > 20 {
                    break;
                }
                staged = one.stage_bytes(&own).unwrap_or(staged);
                assert_eq!(one.commit(&[staged.digest]).unwrap().missing, []);
                let mut roots = one.roots_of_others().unwrap();
                roots.insert(staged.digest);
                let goes: Vec<Digest> = one
                    .iter()
                    .unwrap()
                    .map(|entry| entry.unwrap().digest)
                    .filter(|digest| !roots.contains(digest))
                    .collect();
                one.doom(&goes, 1000 + round as i64).unwrap();
                thread::sleep(Duration::from_millis(20));
                let until = Instant::now() + Duration::from_secs(60);
                while let Err(error) = one.hear_others() {
                    assert!(
                        matches!(error, StoreError::Unanswered { .. }) && Instant::now() < until,
                        "{error}"
                    );
                    thread::sleep(Duration::from_millis(5));
                }
                removed += one.remove_doomed(&mut |_| {}).unwrap().files;
                assert_eq!(one.read_blob(&staged.digest).unwrap(), own);
                assert_eq!(one.doomed().unwrap(), None);
            }
            ended.store(true, Ordering::Relaxed);
        });
        let commits = commits.into_inner();
        assert!(
            removed > 5 && commits > 20,
            "{removed} removed beside {commits} commits"
        );

        // One that is open and says nothing stands in the way; its last word does not.
        one.doom(&[Digest::of(b"x")], 1).unwrap();
        assert!(matches!(one.hear_others(), Err(StoreError::Unanswered { .. })));
        let kept = keeps.into_inner().unwrap();
        other.tell_roots(&kept, false).unwrap();
        one.hear_others().unwrap();
        one.end_doom().unwrap();
        let (backend, _) = open();
        backend
            .put(&format!("roots/{}", other.id()), Body::Bytes(b"half a digest"))
            .unwrap();
        assert!(matches!(
            one.roots_of_others(),
            Err(StoreError::Unanswered { .. })
        ));
    });
}

/// Two coordinators find the same damage at once, and one puts the blob anew while the other still sets it aside.
fn set_aside_at_once(open: Open<'_>, near: &Path) {
    const ROUNDS: u64 = 6;
    let stores: Vec<Store> = (0..2)
        .map(|number| {
            let (backend, address) = open();
            Store::open_far(backend, address, &near.join(format!("aside-{number}"))).unwrap()
        })
        .collect();
    let (backend, address) = open();
    for round in 0..ROUNDS {
        let bytes = common::noise(1000 + round, 40_000);
        let digest = stores[0].stage_bytes(&bytes).unwrap().digest;
        assert_eq!(stores[0].commit(&[digest]).unwrap().committed, 1);
        let mut damaged = bytes.clone();
        damaged[round as usize * 100] ^= 1;
        backend.put(&blob_name(&digest), Body::Bytes(&damaged)).unwrap();

        let start = Barrier::new(2);
        thread::scope(|scope| {
            for store in &stores {
                scope.spawn(|| {
                    start.wait();
                    let found = store.verify(&digest);
                    assert!(matches!(found, Err(StoreError::Corrupt { .. })), "{found:?}");
                });
            }
        });
        for store in &stores {
            assert!(!store.contains(&digest).unwrap());
            assert_eq!(store.missing(&[digest]).unwrap(), [digest]);
            assert_eq!(
                store.aside().unwrap().len() as u64,
                round + 1,
                "one copy, whoever made it"
            );
        }
        // One that comes later looks at what lies aside.
        let later = Store::open_far(open().0, address.clone(), &near.join("aside-later")).unwrap();
        assert!(later.contains(&digest).unwrap(), "nobody has told it");
        later.look_for_damage().unwrap();
        assert!(!later.contains(&digest).unwrap());
        let healed = AtomicBool::new(false);
        thread::scope(|scope| {
            scope.spawn(|| {
                while !healed.load(Ordering::Relaxed) {
                    // Damage that was noticed before; right bytes; a blob that counts as absent: all may be said.
                    let _ = stores[1].verify(&digest);
                    let _ = later.verify(&digest);
                }
            });
            stores[0].stage_bytes(&bytes).unwrap();
            assert_eq!(stores[0].commit(&[digest]).unwrap().missing, []);
            healed.store(true, Ordering::Relaxed);
        });
        for store in stores.iter().chain([&later]) {
            assert_eq!(
                store.commit(&[digest]).unwrap().present,
                1,
                "what is right counts at once"
            );
            assert_eq!(store.read_blob(&digest).unwrap(), bytes);
        }
    }
    for store in &stores {
        store.tell_roots(&HashSet::new(), false).unwrap();
    }
}

#[test]
fn damage_that_two_coordinators_find_at_once_is_set_aside_once_and_healed_for_both() {
    with_each(set_aside_at_once);
}

#[test]
fn what_killed_writers_left_on_a_share_goes_after_a_while() {
    let folder = tempfile::tempdir().unwrap();
    let share = Share::open(folder.path()).unwrap();
    share.put("blobs/ab/whole", Body::Bytes(b"whole")).unwrap();
    let parts = folder.path().join("parts");
    assert_eq!(common::names_in(&parts), [""; 0]);
    for (name, age) in [
        ("young-0", 60),
        ("old-0", 3 * 24 * 3600),
        ("old-1", 2 * 24 * 3600),
    ] {
        std::fs::write(parts.join(name), b"half of it").unwrap();
        let file = std::fs::File::options()
            .write(true)
            .open(parts.join(name))
            .unwrap();
        file.set_modified(SystemTime::now() - Duration::from_secs(age))
            .unwrap();
    }
    let day = Duration::from_secs(24 * 3600);
    let expected = LeftOver { puts: 2, bytes: 20 };
    assert_eq!(share.left_over(day, false).unwrap(), expected);
    assert_eq!(common::names_in(&parts).len(), 3, "a look removes nothing");
    assert_eq!(share.left_over(day, true).unwrap(), expected);
    assert_eq!(common::names_in(&parts), ["young-0"]);
    assert!(share.size("blobs/ab/whole").unwrap().is_some());
}

/// The server in process knows no list of uploads: then nothing is said and nothing is removed.
#[test]
fn a_server_that_does_not_list_uploads_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    let left = server.bucket("mill").left_over(Duration::ZERO, true).unwrap();
    assert_eq!(left, LeftOver::default());
}

/// PyPI `moto`, a server of the S3 protocol by others, where conditional and concurrent requests are right by its own lock.
#[test]
fn behind_a_server_by_others_names_are_right_and_broken_uploads_are_swept() {
    let Some(mut server) = Outside::start() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let endpoint = format!("http://127.0.0.1:{}", server.port);
    let place = |prefix: &str| Place {
        bucket: BUCKET.to_owned(),
        prefix: prefix.to_owned(),
        endpoint: Some(endpoint.clone()),
        region: None,
    };
    let open = |prefix: &'static str| {
        let place = place(prefix);
        move || -> (Arc<dyn Backend>, Address) {
            let bucket = Bucket::open_as(&place, KEY, bucket::SECRET).unwrap();
            (Arc::new(bucket), Address::Bucket(place.clone()))
        }
    };
    write_at_once(&open("crowd"), &folder.path().join("crowd"));
    set_aside_at_once(&open("aside"), &folder.path().join("aside"));
    big_file(&open("mill/one"), &folder.path().join("big"));

    // Writers of two places in the bucket are killed while they put in parts. (This server dates all uploads to 2010.)
    let names = [
        "mill/one/blobs/ab/first",
        "mill/one/blobs/cd/second",
        "mill/other/blobs/ab/first",
    ];
    for name in names {
        server.begin_upload(name);
    }
    let (backend, address) = open("mill/one")();
    let store = Store::open_far(backend.clone(), address, &folder.path().join("near")).unwrap();
    let (day, century) = (
        Duration::from_secs(24 * 3600),
        Duration::from_secs(100 * 365 * 24 * 3600),
    );
    let left = |age, remove| {
        let swept = store.left_over(age, remove).unwrap();
        (swept.files, swept.bytes)
    };
    assert_eq!(left(century, true), (0, 0), "what may still go on stays");
    assert_eq!(left(day, false), (2, 2000));
    assert_eq!(left(day, true), (2, 2000), "a look removed nothing");
    assert_eq!(left(day, true), (0, 0));
    let other = open("mill/other")().0;
    assert_eq!(
        other.left_over(day, false).unwrap(),
        LeftOver { puts: 1, bytes: 1000 }
    );
    assert!(
        backend.size("blobs/big").unwrap().is_some(),
        "what was put whole stays"
    );
}

/// `moto` in a process of its own; it ends with its standard input.
struct Outside {
    process: Child,
    lines: BufReader<ChildStdout>,
    port: u16,
}

impl Outside {
    /// `None`, and a word about it, where `tests/run` has not said where the outside references are.
    fn start() -> Option<Self> {
        let Some(outside) = std::env::var_os("TIDEMILL_OUTSIDE") else {
            eprintln!("not tried: TIDEMILL_OUTSIDE does not say where PyPI's moto is; tests/run installs it");
            return None;
        };
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/serve_bucket.py");
        let mut process = Command::new("python3")
            .arg(script)
            .arg(BUCKET)
            .env("TIDEMILL_OUTSIDE", outside)
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(process.stdout.take().unwrap());
        let mut port = String::new();
        lines.read_line(&mut port).unwrap();
        let port = port
            .trim()
            .parse()
            .expect("moto says its port: run tests/run, which installs it");
        Some(Self { process, lines, port })
    }

    /// Begins an upload with one part of 1000 bytes, and never ends it.
    fn begin_upload(&mut self, key: &str) {
        let mut stdin = self.process.stdin.as_ref().unwrap();
        writeln!(stdin, "{key}").unwrap();
        let mut answer = String::new();
        self.lines.read_line(&mut answer).unwrap();
        assert_eq!(answer.trim(), "begun");
    }
}

impl Drop for Outside {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
