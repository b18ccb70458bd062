//! What every test of a fault shares: a project whose items take a while and note that they ran, and the check that
//! nothing was lost, done twice without need, or came out different from the undisturbed run.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use serde_json::Value;

use crate::Sandbox;
use crate::studio::Studio;

/// Models in the project.
pub const BALES: usize = 8;
/// Items: two for each model, and one over all.
pub const ITEMS: usize = 2 * BALES + 1;

const MANIFEST: &str = r#"[manifest]
name = "quayside"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.load]
from = { cargo = "{model}", script = { file = "load.sh" } }
program = ["sh", "{script}", "{variant}", "{cargo}", "{loaded}"]
makes = { loaded = "{variant}.loaded.txt" }
needs = { memory = "16 MiB", cores = 1 }

[step.seal]
from = { loaded = "load.loaded" }
program = ["cp", "{loaded}", "{sealed}"]
makes = { sealed = "{variant}.sealed.txt" }
needs = { memory = "16 MiB", cores = 1 }

[step.tally]
each = "all"
from = { sealed = "seal.sealed", script = { file = "tally.sh" } }
program = ["sh", "{script}", "{sealed.list}", "{tally}"]
makes = { tally = "tally.txt" }
needs = { memory = "16 MiB", cores = 1 }

[deliver]
to = "out"
what = ["load.loaded", "seal.sealed", "tally.tally"]
"#;

/// A project whose `load` items take `seconds` each. The name keeps the results of tests apart that share a store.
pub fn quayside(seconds: f64) -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", MANIFEST);
    let notes = sandbox.root().join("notes");
    sandbox.write(
        "load.sh",
        format!(
            "echo \"$1\" >> '{}'\nprintf 'first half of ' > \"$3\"\nsleep {seconds}\ncat \"$2\" >> \"$3\"\n",
            notes.display()
        ),
    );
    sandbox.write(
        "tally.sh",
        "while read -r file; do cat \"$file\"; done < \"$1\" > \"$2\"\n",
    );
    for number in 0..BALES {
        sandbox.write(
            &format!("base/bale-{number:02}.txt"),
            format!("bale {number} of an invented cargo\n"),
        );
    }
    sandbox
}

/// How often each variant's `load` was started, as the items themselves noted.
pub fn starts(sandbox: &Sandbox) -> BTreeMap<String, usize> {
    let notes = std::fs::read_to_string(sandbox.root().join("notes")).unwrap_or_default();
    let mut counts = BTreeMap::new();
    for line in notes.lines() {
        *counts.entry(line.to_owned()).or_default() += 1;
    }
    counts
}

/// `load` items started so far.
pub fn started(sandbox: &Sandbox) -> usize {
    starts(sandbox).values().sum()
}

/// Submits the run and leaves; its name.
pub fn submit(studio: &Studio<'_>) -> String {
    let left = studio.tidemill(&["run", "manifest.toml", "--leave", "--json"]);
    assert_eq!(left.code, 0, "{left:?}\n{}", studio.logs());
    let row = &left.objects("run")[0];
    row["run"].as_str().expect("a run").to_owned()
}

/// Waits for the run's end and checks everything that a fault must not change. `more` is how many attempts beyond one for
/// each item the fault explains.
pub fn check(studio: &Studio<'_>, sandbox: &Sandbox, run: &str, more: usize) {
    let ended = studio.tidemill(&["watch", run, "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}\n{}", studio.logs());
    assert_eq!(ended.count("done"), ITEMS as u64, "{ended:?}\n{}", studio.logs());
    check_record(studio, run, more);
    check_delivery(studio, sandbox, run);
    let again = studio.tidemill(&["run", "manifest.toml", "--json", "--no-deliver"]);
    assert_eq!(
        (again.code, again.count("reused")),
        (0, ITEMS as u64),
        "every result was recorded: {again:?}"
    );
}

/// Each item is done once, under a key of its own, and no attempt of a fault's making counts as its failure.
pub fn check_record(studio: &Studio<'_>, run: &str, more: usize) {
    let items = item_views(studio, run);
    assert_eq!(items.len(), ITEMS);
    let keys: BTreeSet<&str> = items.iter().filter_map(|item| item["key"].as_str()).collect();
    assert_eq!(keys.len(), ITEMS, "keys are their items' own");
    let mut made = 0;
    for item in &items {
        let attempts = item["attempts_made"].as_array().expect("attempts");
        made += attempts.len();
        let done = attempts
            .iter()
            .filter(|attempt| attempt["outcome"] == "done")
            .count();
        assert_eq!(done, 1, "{item:#}");
        let charged = attempts
            .iter()
            .filter(|attempt| attempt["charged"] == true && attempt["outcome"] != "done");
        assert_eq!(charged.count(), 0, "a fault is no failure of the item: {item:#}");
    }
    assert!(
        made <= ITEMS + more,
        "{made} attempts for {ITEMS} items, {more} more are explained: {items:#?}"
    );
}

/// Every item of a run with all that is known of it.
pub fn item_views(studio: &Studio<'_>, run: &str) -> Vec<Value> {
    let rows = studio.tidemill(&["show", run, "--json"]);
    let addresses: Vec<String> = rows
        .objects("item")
        .iter()
        .filter_map(|row| row["address"].as_str().map(str::to_owned))
        .collect();
    let mut arguments = vec!["show", run];
    arguments.extend(addresses.iter().map(String::as_str));
    arguments.push("--json");
    studio.tidemill(&arguments).objects("item")
}

/// What is delivered is, byte for byte, what an undisturbed machine delivers.
pub fn check_delivery(studio: &Studio<'_>, sandbox: &Sandbox, run: &str) {
    let delivered = studio.tidemill(&["deliver", run, "--json"]);
    assert_eq!(delivered.code, 0, "{delivered:?}");
    assert_eq!(&outputs(sandbox), undisturbed());
}

fn outputs(sandbox: &Sandbox) -> BTreeMap<String, String> {
    let files = sandbox.files("out").into_iter();
    files
        .map(|file| {
            let text = sandbox.read(&format!("out/{file}"));
            (file, text)
        })
        .collect()
}

fn undisturbed() -> &'static BTreeMap<String, String> {
    static OUTPUTS: OnceLock<BTreeMap<String, String>> = OnceLock::new();
    OUTPUTS.get_or_init(|| {
        let sandbox = quayside(0.0);
        let outcome = sandbox.run(&[]);
        assert_eq!(
            (outcome.code, outcome.count("done")),
            (0, ITEMS as u64),
            "{outcome:?}"
        );
        let outputs = outputs(&sandbox);
        assert_eq!(outputs.len(), ITEMS);
        outputs
    })
}

/// A test that needs more than every machine gives says why it did nothing.
pub fn skip(reason: &str) {
    eprintln!("not tried: {reason}");
}

/// Slow tests run only when asked for: `TIDEMILL_SLOW=1 cargo test -p tidemill-tests --test faults_slow`.
pub fn is_slow_wanted() -> bool {
    std::env::var_os("TIDEMILL_SLOW").is_some_and(|value| value == "1")
}

/// Whether this process may do what only root may.
pub fn is_root() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    // Real, effective, saved and file-system user (proc_pid_status(5)).
    let ids = status.lines().find_map(|line| line.strip_prefix("Uid:"));
    ids.and_then(|ids| ids.split_whitespace().nth(1)) == Some("0")
}
