//! Folders as inputs and as outputs, with real processes: staged by content on a machine that has no such path, delivered as they were made.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed
#![cfg(unix)]

use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use tidemill_tests::Sandbox;
use tidemill_tests::studio::Studio;

/// A step that copies a folder of presets and adds a frame, and one that reads the folder which that made.
fn project() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "frames"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.frames]
from = { model = "{model}", preset = { file = "preset/" }, script = { file = "frames.sh" } }
program = ["sh", "{script}", "{model}", "{preset}", "{frames}"]
makes = { frames = "{variant}.frames/" }
needs = { memory = "16 MiB", cores = 1 }

[step.list]
from = { frames = "frames.frames", script = { file = "list.sh" } }
program = ["sh", "{script}", "{frames}", "{list}"]
makes = { list = "{variant}.txt" }
needs = { memory = "16 MiB", cores = 1 }

[deliver]
to = "out"
what = ["frames.frames", "list.list"]
"#,
    );
    sandbox.write(
        "frames.sh",
        "cp -R \"$2\"/. \"$3\" && cp \"$1\" \"$3/sub/frame.txt\"\n",
    );
    sandbox.write("list.sh", "(cd \"$1\" && find . -type f | sort) > \"$2\"\n");
    sandbox.write("base/crate.txt", "a crate\n");
    sandbox.write("preset/light.txt", "from the quay\n");
    sandbox.write("preset/sub/turn.sh", "echo turned\n");
    let script = sandbox.project().join("preset/sub/turn.sh");
    // Modes are kept as executable or not, nothing else.
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o751)).unwrap();
    sandbox
}

/// Text and mode of each file below a folder.
fn contents(folder: &Path) -> BTreeMap<String, (String, u32)> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(&next).unwrap_or_else(|error| panic!("{}: {error}", next.display())) {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
                continue;
            }
            let name = path.strip_prefix(folder).unwrap().to_str().unwrap().to_owned();
            let executable = path.metadata().unwrap().permissions().mode() & 0o111;
            found.insert(
                name,
                (std::fs::read_to_string(&path).unwrap(), executable & 0o100),
            );
        }
    }
    found
}

fn file(name: &str, text: &str, executable: u32) -> (String, (String, u32)) {
    (name.to_owned(), (text.to_owned(), executable))
}

fn is_right(sandbox: &Sandbox) {
    let out = sandbox.project().join("out");
    let expected = BTreeMap::from([
        file("light.txt", "from the quay\n", 0),
        file("sub/frame.txt", "a crate\n", 0),
        file("sub/turn.sh", "echo turned\n", 0o100),
    ]);
    assert_eq!(contents(&out.join("crate.frames")), expected);
    let listed = std::fs::read_to_string(out.join("crate.txt")).unwrap();
    assert_eq!(listed, "./light.txt\n./sub/frame.txt\n./sub/turn.sh\n");
}

#[test]
fn a_folder_goes_in_and_comes_out_on_another_machine() {
    let sandbox = project();
    let mut studio = Studio::open(&sandbox, &[]);
    studio.start_agent("ash");
    studio.wait_for("the agent", || studio.agent_rows().len() == 1);
    let ran = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(ran.code, 0, "{ran:?}\n{}", studio.logs());
    is_right(&sandbox);

    // What lies in the folder is part of the key, and survives a sweep.
    let swept = studio.tidemill(&[
        "store",
        "sweep",
        "--keep-runs",
        "1",
        "--remove",
        "--grace",
        "1 s",
        "--json",
    ]);
    assert_eq!(swept.code, 0, "{swept:?}");
    let verified = studio.tidemill(&["store", "verify", "--json"]);
    assert_eq!(verified.code, 0, "{verified:?}");
    std::fs::remove_dir_all(sandbox.project().join("out")).unwrap();
    let again = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(again.code, 0, "{again:?}");
    assert_eq!(again.summary()["reused"], 2, "{again:?}");
    is_right(&sandbox);
    sandbox.write("preset/sub/turn.sh", "echo turned twice\n");
    let changed = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver"]);
    assert_eq!(changed.summary()["done"], 2, "{changed:?}");
    let why = studio.tidemill(&["why", &changed.run(), "crate/frames"]);
    assert!(why.stdout.contains("preset"), "{why:?}");
}

#[test]
fn a_file_of_a_folder_that_the_store_lost_is_put_there_again() {
    let sandbox = project();
    let ran = sandbox.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    let lost = blake3::hash(b"from the quay\n").to_hex().to_string();
    let path = sandbox.data().join("store/blobs").join(&lost[..2]).join(&lost);
    std::fs::remove_file(&path).unwrap();
    std::fs::remove_dir_all(sandbox.project().join("out")).unwrap();
    let again = sandbox.tidemill(&["run", "manifest.toml", "--json", "--anew", "*"]);
    assert_eq!(again.code, 0, "{again:?}");
    is_right(&sandbox);
    assert!(path.exists());
}

#[test]
fn a_symbolic_link_in_a_folder_is_refused_by_its_name() {
    let sandbox = project();
    std::os::unix::fs::symlink("/etc/hostname", sandbox.project().join("preset/sub/host")).unwrap();
    let refused = sandbox.tidemill(&["run", "manifest.toml"]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(
        refused.stderr.contains("preset/sub/host is a symbolic link"),
        "{refused:?}"
    );
}
