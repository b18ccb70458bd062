//! Folders into trees and back.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::fs;
use std::path::Path;

use tidemill_store::{Digest, ExportMode, Store, StoreError, Take};

fn make(folder: &Path, files: &[(&str, &str)]) {
    for (name, text) in files {
        let path = folder.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
}

fn staged(store: &Store, folder: &Path, take: Take) -> Digest {
    let staged = store.stage_tree(folder, take).unwrap();
    assert_eq!(store.commit(&staged.digests()).unwrap().missing, []);
    staged.tree.digest
}

const FILES: [(&str, &str); 4] = [
    ("b.txt", "two"),
    ("a/deep/er.txt", "one"),
    ("a.txt", "two"),
    ("Pöller.obj", "v 0 0 0"),
];

#[test]
fn the_same_files_give_the_same_tree_and_come_back() {
    let (folder, store) = common::temporary();
    let (first, second) = (folder.path().join("first"), folder.path().join("second"));
    make(&first, &FILES);
    let mut turned = FILES;
    turned.reverse();
    make(&second, &turned);
    fs::create_dir_all(second.join("empty")).unwrap();
    let tree = staged(&store, &first, Take::Copy);
    assert_eq!(staged(&store, &second, Take::Move), tree);
    assert!(first.join("b.txt").exists() && !second.join("b.txt").exists());

    let target = folder.path().join("out/tree");
    for _ in 0..2 {
        let exported = store.export_tree(&tree, &target, ExportMode::Synced).unwrap();
        assert_eq!(exported.entries().len(), FILES.len());
        for (name, text) in FILES {
            assert_eq!(fs::read_to_string(target.join(name)).unwrap(), text);
        }
        // The second time it replaces the folder as a whole.
        make(&target, &[("left-over.txt", "x")]);
    }
    store.export_tree(&tree, &target, ExportMode::Fast).unwrap();
    assert!(!target.join("left-over.txt").exists());
    assert_eq!(common::names_in(&folder.path().join("out")), ["tree"]);
    assert_eq!(staged(&store, &target, Take::Copy), tree);
}

#[test]
fn every_change_that_counts_gives_another_tree() {
    let (folder, store) = common::temporary();
    let path = folder.path().join("files");
    make(&path, &FILES);
    let mut seen = vec![staged(&store, &path, Take::Copy)];
    make(&path, &[("b.txt", "three")]);
    seen.push(staged(&store, &path, Take::Copy));
    fs::rename(path.join("b.txt"), path.join("c.txt")).unwrap();
    seen.push(staged(&store, &path, Take::Copy));
    fs::remove_file(path.join("c.txt")).unwrap();
    seen.push(staged(&store, &path, Take::Copy));
    for (position, digest) in seen.iter().enumerate() {
        assert!(!seen[..position].contains(digest));
    }
}

#[cfg(unix)]
#[test]
fn of_permissions_only_the_executable_bit_is_kept() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, store) = common::temporary();
    let path = folder.path().join("files");
    make(&path, &[("tool", "#!"), ("text", "x")]);
    let mut seen = Vec::new();
    for mode in [0o644, 0o600, 0o744, 0o755] {
        fs::set_permissions(path.join("tool"), fs::Permissions::from_mode(mode)).unwrap();
        seen.push(staged(&store, &path, Take::Copy));
    }
    assert_eq!(seen[0], seen[1]);
    assert_eq!(seen[2], seen[3]);
    assert_ne!(seen[0], seen[2]);
    let target = folder.path().join("out");
    store.export_tree(&seen[2], &target, ExportMode::Fast).unwrap();
    let mode = |name: &str| fs::metadata(target.join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode("tool"), mode("text") & 0o111), (0o755, 0));
}

#[cfg(unix)]
#[test]
fn links_and_doubtful_names_are_refused_before_a_file_is_taken() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let (folder, store) = common::temporary();
    let refused = |name: &str, prepare: &dyn Fn(&Path)| {
        let path = folder.path().join(name);
        make(&path, &[("0-first.txt", "x")]);
        prepare(&path);
        let error = store.stage_tree(&path, Take::Move).unwrap_err();
        assert!(matches!(error, StoreError::Unkeepable { .. }), "{name}: {error}");
        assert!(
            path.join("0-first.txt").exists(),
            "{name}: nothing is taken when something is refused"
        );
        error.to_string()
    };
    let link = |path: &Path| std::os::unix::fs::symlink("/etc/hostname", path.join("z-link")).unwrap();
    assert!(refused("link", &link).contains("symbolic link"));
    let case = |path: &Path| make(path, &[("Crate.obj", "1"), ("crate.obj", "2")]);
    assert!(refused("case", &case).contains("one name"));
    let form = |path: &Path| make(path, &[("po\u{308}ller", "1"), ("p\u{f6}ller", "2")]);
    assert!(refused("form", &form).contains("Unicode forms"));
    assert!(refused("device", &|path| make(path, &[("aux.txt", "1")])).contains("device"));
    let not_unicode = |path: &Path| fs::write(path.join(OsStr::from_bytes(b"\xff")), "1").unwrap();
    assert!(refused("bytes", &not_unicode).contains("Unicode"));
}

#[test]
fn a_folder_that_cannot_be_written_whole_is_not_there_at_all() {
    let (folder, store) = common::temporary();
    let path = folder.path().join("files");
    make(&path, &FILES);
    let tree = staged(&store, &path, Take::Copy);
    let target = folder.path().join("target/tree");
    make(&target, &[("old.txt", "old")]);
    common::damage(&common::blob_path(store.root(), &Digest::of(b"one")), |bytes| {
        bytes.push(1)
    });
    assert!(matches!(
        store.export_tree(&tree, &target, ExportMode::Fast),
        Err(StoreError::Corrupt { .. })
    ));
    assert_eq!(common::names_in(&target), ["old.txt"]);
    assert_eq!(common::names_in(&folder.path().join("target")), ["tree"]);
    let plain = store.stage_bytes(b"plain text").unwrap().digest;
    store.commit(&[plain]).unwrap();
    assert!(matches!(
        store.read_tree(&plain),
        Err(StoreError::NotATree { .. })
    ));
}
