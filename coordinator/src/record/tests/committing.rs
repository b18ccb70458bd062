//! The committer: groups, order, missing blobs, changes that nobody waits for, and failing disks.

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use tidemill_proto::Digest;
use tidemill_store::{Store, StoreError};

use super::super::{
    CommitBlobs, CommitError, Committer, MAX_ROW_BYTES, MemoryRecord, Op, Record, RecordError, Result, Scan,
    Submission, Visitor,
};
use super::{open, put};

/// Counts commits, and can be held up or fail.
#[derive(Default)]
struct Watched {
    rows: MemoryRecord,
    commits: AtomicUsize,
    gate: Mutex<()>,
    fails: std::sync::atomic::AtomicBool,
}

impl Record for Watched {
    fn commit(&self, ops: &[Op]) -> Result<()> {
        self.commits.fetch_add(1, Ordering::SeqCst);
        drop(self.gate.lock().unwrap());
        if self.fails.load(Ordering::SeqCst) {
            return Err(RecordError::Broken {
                folder: "nowhere".into(),
            });
        }
        self.rows.commit(ops)
    }
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>> {
        self.rows.get(key)
    }
    fn visit(&self, scan: &Scan, each: Visitor<'_>) -> Result<()> {
        self.rows.visit(scan, each)
    }
}

/// No blobs at all.
struct NoBlobs;
impl CommitBlobs for NoBlobs {
    fn commit_blobs(&self, digests: &[Digest]) -> std::result::Result<Vec<Digest>, StoreError> {
        Ok(digests.to_vec())
    }
}

/// A store that fails.
struct BrokenStore;
impl CommitBlobs for BrokenStore {
    fn commit_blobs(&self, digests: &[Digest]) -> std::result::Result<Vec<Digest>, StoreError> {
        Err(StoreError::Absent { digest: digests[0] })
    }
}

fn wait(committer: &Committer, blobs: Vec<Digest>, ops: Vec<Op>) -> std::result::Result<(), CommitError> {
    let (submission, receiver) = Submission::awaited(blobs, ops);
    committer.submit(submission).unwrap();
    receiver.blocking_recv().unwrap()
}

#[test]
fn what_waits_while_the_disk_is_busy_becomes_one_group_in_order() {
    let record = Arc::new(Watched::default());
    let committer = Committer::start(record.clone(), NoBlobs).unwrap();
    let (sender, told) = mpsc::channel();
    let held = record.gate.lock().unwrap();
    for number in 0..500_u32 {
        let sender = sender.clone();
        let ops = vec![
            put(b"last", &number.to_be_bytes()),
            put(&number.to_be_bytes(), b"x"),
        ];
        committer
            .submit(Submission::then(Vec::new(), ops, move |outcome| {
                outcome.unwrap();
                sender.send(number).unwrap();
            }))
            .unwrap();
    }
    assert!(
        told.recv_timeout(Duration::from_millis(50)).is_err(),
        "told before it was on disk"
    );
    drop(held);
    committer.close();
    drop(sender);
    assert_eq!(told.iter().collect::<Vec<_>>(), (0..500).collect::<Vec<_>>());
    assert_eq!(record.get(b"last").unwrap().unwrap(), 499_u32.to_be_bytes());
    let commits = record.commits.load(Ordering::SeqCst);
    assert!(commits <= 3, "{commits} commits for what waited");
}

#[test]
fn outputs_and_rows_become_durable_together_and_a_missing_blob_fails_only_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_owner(&folder.path().join("store")).unwrap();
    let record = Arc::new(open(folder.path()));
    let committer = Committer::start(record.clone(), store.clone()).unwrap();
    let staged = store.stage_bytes(b"bollard").unwrap().digest;
    let absent = Digest::of(b"never made");
    let (good, good_told) = Submission::awaited(vec![staged], vec![put(b"good", b"1")]);
    let (bad, bad_told) = Submission::awaited(vec![staged, absent], vec![put(b"bad", b"1")]);
    let (plain, plain_told) = Submission::awaited(vec![], vec![put(b"plain", b"1")]);
    for submission in [good, bad, plain] {
        committer.submit(submission).unwrap();
    }
    good_told.blocking_recv().unwrap().unwrap();
    plain_told.blocking_recv().unwrap().unwrap();
    match bad_told.blocking_recv().unwrap() {
        Err(CommitError::Missing(digests)) => assert_eq!(digests, [absent]),
        other => panic!("{other:?}"),
    }
    assert_eq!(store.read_blob(&staged).unwrap(), b"bollard");
    assert_eq!(record.get(b"good").unwrap().unwrap(), b"1");
    assert_eq!(record.get(b"bad").unwrap(), None);
}

#[test]
fn one_row_that_is_too_long_fails_only_its_own_submission() {
    let record = Arc::new(Watched::default());
    let committer = Committer::start(record.clone(), NoBlobs).unwrap();
    let (long, long_told) = Submission::awaited(vec![], vec![put(b"long", &[0; MAX_ROW_BYTES])]);
    let (good, good_told) = Submission::awaited(vec![], vec![put(b"good", b"1")]);
    let held = record.gate.lock().unwrap();
    committer.submit(long).unwrap();
    committer.submit(good).unwrap();
    drop(held);
    assert!(matches!(
        long_told.blocking_recv().unwrap(),
        Err(CommitError::Record(_))
    ));
    good_told.blocking_recv().unwrap().unwrap();
}

#[test]
fn what_nobody_waits_for_rides_along_or_goes_alone_after_a_while() {
    let record = Arc::new(Watched::default());
    let committer = Committer::start(record.clone(), NoBlobs).unwrap();
    committer
        .submit(Submission::unwaited(vec![put(b"1", b"")]))
        .unwrap();
    wait(&committer, vec![], vec![put(b"2", b"")]).unwrap();
    assert_eq!(record.commits.load(Ordering::SeqCst), 1, "it did not ride along");
    assert!(record.get(b"1").unwrap().is_some());

    committer
        .submit(Submission::unwaited(vec![put(b"3", b"")]))
        .unwrap();
    let start = Instant::now();
    while record.get(b"3").unwrap().is_none() {
        assert!(start.elapsed() < Duration::from_secs(20), "never written");
        std::thread::sleep(Duration::from_millis(5));
    }
    committer
        .submit(Submission::unwaited(vec![put(b"4", b"")]))
        .unwrap();
    committer.close();
    assert!(record.get(b"4").unwrap().is_some(), "closing writes what waits");
}

#[test]
fn failures_reach_those_who_wait() {
    let record = Arc::new(Watched::default());
    let committer = Committer::start(record.clone(), BrokenStore).unwrap();
    let outcome = wait(&committer, vec![Digest::of(b"x")], vec![put(b"with a blob", b"")]);
    assert!(matches!(outcome, Err(CommitError::Store(_))));
    wait(&committer, vec![], vec![put(b"without", b"")]).unwrap();
    record.fails.store(true, Ordering::SeqCst);
    let outcome = wait(&committer, vec![], vec![put(b"later", b"")]);
    assert!(matches!(outcome, Err(CommitError::Record(_))), "{outcome:?}");
    let mut keys = Vec::new();
    record
        .visit(&Scan::of([]), &mut |key, _| {
            keys.push(key.to_vec());
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(keys, [b"without"]);
}
