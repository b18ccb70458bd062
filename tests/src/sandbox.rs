//! Folders and processes of one test.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::published;

/// No command of a test may take longer.
const TIME_LIMIT: Duration = Duration::from_secs(300);

/// A folder of its own for one test: `project/` with a manifest, `data/` for Tidemill. Removed at the end.
pub struct Sandbox {
    root: tempfile::TempDir,
}

/// What a finished command left behind.
#[derive(Debug)]
pub struct Outcome {
    /// Exit code; -1 when a signal ended it.
    pub code: i32,
    /// Everything on standard output.
    pub stdout: String,
    /// Everything on standard error.
    pub stderr: String,
}

impl Sandbox {
    /// An empty project.
    pub fn new() -> Self {
        Self::below(&std::env::temp_dir())
    }

    /// An empty project in a folder of its own below `folder`.
    pub fn below(folder: &Path) -> Self {
        let root = tempfile::Builder::new()
            .prefix("tidemill-test-")
            .tempdir_in(folder)
            .expect("a temporary folder");
        std::fs::create_dir(root.path().join("project")).expect("a project folder");
        Self { root }
    }

    /// A copy of the harbour demo as it stands in the repository.
    pub fn harbour() -> Self {
        let sandbox = Self::new();
        copy_folder(&repository().join("client/demo/harbour"), &sandbox.project());
        let _ = std::fs::remove_dir_all(sandbox.project().join("out"));
        sandbox
    }

    /// The folder that holds everything of this test.
    pub fn root(&self) -> &Path {
        self.root.path()
    }

    /// The folder with the manifest.
    pub fn project(&self) -> PathBuf {
        self.root.path().join("project")
    }

    /// Tidemill's data folder.
    pub fn data(&self) -> PathBuf {
        self.root.path().join("data")
    }

    /// Writes a file of the project, making its folder.
    pub fn write(&self, path: &str, bytes: impl AsRef<[u8]>) {
        let path = self.project().join(path);
        std::fs::create_dir_all(path.parent().expect("a file stands in a folder")).expect("make the folder");
        std::fs::write(path, bytes).expect("write a project file");
    }

    /// Reads a file of the project as text.
    pub fn read(&self, path: &str) -> String {
        std::fs::read_to_string(self.project().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
    }

    /// Replaces text in a file of the project; the text must be there.
    pub fn edit(&self, path: &str, from: &str, to: &str) {
        let text = self.read(path);
        assert!(text.contains(from), "{path} does not hold {from:?}");
        self.write(path, text.replace(from, to));
    }

    /// All files below a folder of the project, as sorted relative paths.
    pub fn files(&self, folder: &str) -> Vec<String> {
        let base = self.project().join(folder);
        let mut found = Vec::new();
        let mut open = vec![base.clone()];
        while let Some(folder) = open.pop() {
            let Ok(entries) = std::fs::read_dir(&folder) else {
                continue;
            };
            for entry in entries {
                let path = entry.expect("a folder entry").path();
                if path.is_dir() {
                    open.push(path);
                } else {
                    let relative = path.strip_prefix(&base).expect("below its base");
                    found.push(relative.to_string_lossy().replace('\\', "/"));
                }
            }
        }
        found.sort();
        found
    }

    /// The command `tidemill` with this sandbox's data folder, in the project folder.
    pub fn command(&self, arguments: &[&str]) -> Command {
        self.command_of(&binary("tidemill"), arguments)
    }

    /// As [`Self::command`], for a program at another place.
    pub fn command_of(&self, program: &Path, arguments: &[&str]) -> Command {
        let mut command = Command::new(program);
        command
            .args(arguments)
            .current_dir(self.project())
            .env("TIDEMILL_DATA", self.data())
            .env("NO_COLOR", "1")
            .env_remove("TIDEMILL_AT")
            .stdin(Stdio::null());
        command
    }

    /// Runs `tidemill` to its end.
    pub fn tidemill(&self, arguments: &[&str]) -> Outcome {
        finish(self.command(arguments))
    }

    /// Runs `tidemill run --json` over `manifest.toml` with further arguments.
    pub fn run(&self, arguments: &[&str]) -> Outcome {
        let mut all = vec!["run", "manifest.toml", "--json"];
        all.extend(arguments);
        self.tidemill(&all)
    }

    /// Item rows of a run, by address.
    pub fn items(&self, run: &str) -> std::collections::BTreeMap<String, Value> {
        let outcome = self.tidemill(&["show", run, "--json"]);
        assert_eq!(outcome.code, 0, "{outcome:?}");
        outcome
            .objects("item")
            .into_iter()
            .map(|row| (row["address"].as_str().expect("an address").to_owned(), row))
            .collect()
    }

    /// Processes whose command line or working folder names this sandbox: none may outlive a command.
    pub fn processes(&self) -> Vec<String> {
        let mut found = Vec::new();
        let own = std::process::id();
        for entry in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
            let Ok(pid) = entry.file_name().to_string_lossy().parse::<u32>() else {
                continue;
            };
            if pid == own {
                continue;
            }
            let line = std::fs::read(entry.path().join("cmdline")).unwrap_or_default();
            let folder = std::fs::read_link(entry.path().join("cwd")).unwrap_or_default();
            let line = String::from_utf8_lossy(&line).replace('\0', " ");
            if line.contains(&*self.root().to_string_lossy()) || folder.starts_with(self.root()) {
                found.push(format!("{pid}: {line} in {}", folder.display()));
            }
        }
        found
    }
}

impl Default for Sandbox {
    fn default() -> Self {
        Self::new()
    }
}

impl Outcome {
    /// The objects of one kind that `--json` printed.
    pub fn objects(&self, kind: &str) -> Vec<Value> {
        self.json()
            .into_iter()
            .filter(|object| object["kind"] == kind)
            .collect()
    }

    /// All objects that `--json` printed; every line must be one, and as published.
    pub fn json(&self) -> Vec<Value> {
        let objects = self.stdout.lines().map(|line| {
            let object =
                serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}\n{self:?}"));
            published::check(&object);
            object
        });
        objects.collect()
    }

    /// The last line of `run --json`.
    pub fn summary(&self) -> Value {
        let last = self.json().pop().unwrap_or_else(|| panic!("no output: {self:?}"));
        assert_eq!(last["kind"], "summary", "{self:?}");
        last
    }

    /// A count of the summary by its state's word.
    pub fn count(&self, word: &str) -> u64 {
        self.summary()[word]
            .as_u64()
            .unwrap_or_else(|| panic!("no count for {word}: {self:?}"))
    }

    /// The run's name from the summary.
    pub fn run(&self) -> String {
        self.summary()["run"].as_str().expect("a run").to_owned()
    }
}

/// The repository's root.
pub fn repository() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .expect("tests/ stands in the repository")
        .to_owned()
}

/// A program of the workspace, built beside the tests.
pub fn binary(name: &str) -> PathBuf {
    let mut folder = std::env::current_exe().expect("the test's own path");
    folder.pop();
    if folder.ends_with("deps") {
        folder.pop();
    }
    let path = folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
    assert!(
        path.is_file(),
        "{} is not built: run `cargo build --workspace --bins` first",
        path.display()
    );
    path
}

/// How many instants a test kills at: so many, or as many as a soak asks for by TIDEMILL_KILLS.
pub fn kills(usual: usize) -> usize {
    std::env::var("TIDEMILL_KILLS").map_or(usual, |text| text.parse().expect("TIDEMILL_KILLS is a number"))
}

/// Runs a command to its end, at most [`TIME_LIMIT`].
pub fn finish(command: Command) -> Outcome {
    wait(start(command))
}

/// Starts a command with both outputs kept.
pub fn start(mut command: Command) -> Child {
    command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?}: {error}"))
}

/// Waits for a started command, at most [`TIME_LIMIT`]; then it is ended and the test fails.
pub fn wait(mut child: Child) -> Outcome {
    let mut stdout = child.stdout.take().expect("piped");
    let mut stderr = child.stderr.take().expect("piped");
    let read_stdout = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        let _ = stdout.read_to_end(&mut bytes);
        bytes
    });
    let read_stderr = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        let _ = stderr.read_to_end(&mut bytes);
        bytes
    });
    let start = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().expect("wait for a child") {
            break status;
        }
        if start.elapsed() > TIME_LIMIT {
            let _ = child.kill();
            let _ = child.wait();
            panic!("a command took longer than {TIME_LIMIT:?}");
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let text = |thread: std::thread::JoinHandle<Vec<u8>>| {
        String::from_utf8_lossy(&thread.join().expect("a reader")).into_owned()
    };
    Outcome {
        code: status.code().unwrap_or(-1),
        stdout: text(read_stdout),
        stderr: text(read_stderr),
    }
}

/// Copies a folder with everything in it.
pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("make a folder");
    for entry in std::fs::read_dir(from).unwrap_or_else(|error| panic!("{}: {error}", from.display())) {
        let entry = entry.expect("a folder entry");
        let target = to.join(entry.file_name());
        if entry.file_type().expect("a file type").is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copy a file");
        }
    }
}
