//! Big files between real processes over a link that counts and breaks: in parts, from where they were cut, and never twice.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::time::{Duration, Instant};

use tidemill_tests::Sandbox;
use tidemill_tests::link::Link;
use tidemill_tests::sandbox::start;
use tidemill_tests::studio::{Process, Studio};

const MIB: u64 = 1024 * 1024;
/// Well above what travels in one stream.
const BIG: usize = 96 * 1024 * 1024;
/// What may pass beside the bytes themselves: headers, calls, reports for as long as a slow machine takes.
const TALK: u64 = 4 * MIB;

const MANIFEST: &str = r#"[manifest]
name = "hold"

[variants]
models = "base/*.bin"

[step.copied]
from = { model = "{model}" }
program = ["cp", "{model}", "{copied}"]
makes = { copied = "{variant}.copied.bin" }

[step.again]
from = { copied = "copied.copied" }
program = ["cp", "{copied}", "{again}"]
makes = { again = "{variant}.again.bin" }

[deliver]
to = "out"
what = ["again.again"]
"#;

/// Bytes that no packing makes smaller.
fn noise(length: usize) -> Vec<u8> {
    let mut state = 88_172_645_463_325_252_u64;
    let words = (0..length / 8).flat_map(|_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()
    });
    words.collect()
}

fn hold(bytes: &[u8]) -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write("manifest.toml", MANIFEST);
    sandbox.write("base/cargo.bin", bytes);
    sandbox
}

fn delivered(sandbox: &Sandbox) -> Vec<u8> {
    std::fs::read(sandbox.project().join("out/cargo.again.bin")).unwrap()
}

/// Breaks the link each time that `share` more bytes have passed, `times` times.
fn break_often(
    link: &Link,
    share: u64,
    times: usize,
    passed: impl Fn(&Link) -> u64,
    words: impl Fn() -> String,
) {
    let deadline = Instant::now() + Duration::from_secs(200);
    for time in 1..=times as u64 {
        while passed(link) < time * share {
            assert!(
                Instant::now() < deadline,
                "{:?} bytes passed\n{}",
                link.passed(),
                words()
            );
            std::thread::sleep(Duration::from_millis(2));
        }
        link.sever();
    }
}

/// Starts an agent behind the link that does not use the store's folder though it is on the same machine.
fn start_far(studio: &mut Studio<'_>, name: &str, link: &Link, settings: &str) {
    let command = studio.agent_command(name, &["--at", &link.address]);
    let config = studio.sandbox().root().join(format!("{name}.toml"));
    let tools = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, format!("through_coordinator = true\n{settings}{tools}")).unwrap();
    let log = studio.sandbox().root().join(format!("{name}.log"));
    studio
        .agents
        .insert(name.to_owned(), Process::start(command, log));
}

#[test]
fn a_big_input_goes_up_from_where_it_was_cut_and_the_second_time_not_at_all() {
    let bytes = noise(BIG);
    let sandbox = hold(&bytes);
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    let mut client = start(sandbox.command(&["--at", &link.address, "run", "manifest.toml", "--leave"]));
    break_often(
        &link,
        20 * MIB,
        3,
        |link| link.passed().0,
        || {
            format!(
                "{}\n{:?}",
                studio.logs(),
                studio.tidemill(&["show", "hold.1", "cargo/copied"])
            )
        },
    );
    assert!(client.wait().unwrap().success(), "{}", studio.logs());
    let (up, _) = link.passed();
    // What was on its way at each break goes again: up to four parts as far as they had come into buffers.
    assert!(up < BIG as u64 + 3 * 16 * MIB, "{up} bytes for {BIG}");

    studio.start_agent("ash");
    let before = link.passed();
    let second = sandbox.tidemill(&["--at", &link.address, "run", "manifest.toml", "--json"]);
    assert_eq!(second.code, 0, "{second:?}");
    let (up, down) = link.passed();
    assert!(up - before.0 < TALK, "{} bytes went up again", up - before.0);
    // The delivery came down.
    assert!(down - before.1 < BIG as u64 + TALK, "{}", down - before.1);
    assert!(delivered(&sandbox) == bytes);
}

#[test]
fn an_agents_big_files_come_and_go_from_where_they_were_cut_and_equal_ones_once() {
    let bytes = noise(BIG);
    let sandbox = hold(&bytes);
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    let run = sandbox.tidemill(&["--at", &studio.address, "run", "manifest.toml", "--leave"]);
    assert_eq!(run.code, 0, "{run:?}");
    start_far(&mut studio, "ash", &link, "");
    // The input comes down; both outputs equal it, so nothing of them goes up.
    break_often(
        &link,
        20 * MIB,
        3,
        |link| link.passed().1,
        || {
            format!(
                "{}\n{:?}",
                studio.logs(),
                studio.tidemill(&["show", "hold.1", "cargo/copied"])
            )
        },
    );
    let ended = studio.tidemill(&["watch", "hold.1", "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}\n{}", studio.logs());
    let (up, down) = link.passed();
    assert!(up < TALK, "{up} bytes went up for outputs that the store has");
    assert!(
        down < BIG as u64 + 3 * 16 * MIB,
        "{down} bytes came down for {BIG}"
    );
    assert_eq!(studio.tidemill(&["deliver", "hold.1"]).code, 0);
    assert!(delivered(&sandbox) == bytes);
}

#[test]
fn an_agents_big_output_goes_up_from_where_it_was_cut() {
    let bytes = noise(BIG);
    let sandbox = hold(&bytes);
    // Other bytes than the input: a byte more.
    sandbox.write("more.sh", "cat \"$1\" > \"$2\"; printf x >> \"$2\"\n");
    let manifest = MANIFEST.replace(
        "from = { model = \"{model}\" }\nprogram = [\"cp\", ",
        "from = { model = \"{model}\", script = { file = \"more.sh\" } }\nprogram = [\"sh\", \"{script}\", ",
    );
    assert_ne!(manifest, MANIFEST);
    sandbox.write("manifest.toml", manifest);
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    let run = sandbox.tidemill(&["--at", &studio.address, "run", "manifest.toml", "--leave"]);
    assert_eq!(run.code, 0, "{run:?}");
    start_far(&mut studio, "ash", &link, "");
    break_often(
        &link,
        20 * MIB,
        3,
        |link| link.passed().0,
        || {
            format!(
                "{}\n{:?}",
                studio.logs(),
                studio.tidemill(&["show", "hold.1", "cargo/copied"])
            )
        },
    );
    let ended = studio.tidemill(&["watch", "hold.1", "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}\n{}", studio.logs());
    let (up, _) = link.passed();
    assert!(up < BIG as u64 + 3 * 16 * MIB, "{up} bytes went up for {BIG}");
    assert_eq!(studio.tidemill(&["deliver", "hold.1"]).code, 0);
    let mut wanted = bytes;
    wanted.push(b'x');
    assert!(delivered(&sandbox) == wanted);
}

#[test]
fn text_is_packed_on_its_way_where_the_agent_is_told_to() {
    let text = "v 0.125000 0.500000 0.250000\n".repeat(1_500_000);
    let sandbox = hold(text.as_bytes());
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    let run = sandbox.tidemill(&["--at", &studio.address, "run", "manifest.toml", "--leave"]);
    assert_eq!(run.code, 0, "{run:?}");
    start_far(&mut studio, "ash", &link, "pack = true\n");
    let ended = studio.tidemill(&["watch", "hold.1", "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}\n{}", studio.logs());
    let (_, down) = link.passed();
    assert!(
        down < text.len() as u64 / 4,
        "{down} bytes came down for {}",
        text.len()
    );
    assert_eq!(studio.tidemill(&["deliver", "hold.1"]).code, 0);
    assert!(delivered(&sandbox) == text.as_bytes());
}

#[test]
fn two_agents_in_one_data_folder_are_refused_and_may_share_a_cache() {
    let bytes = noise(BIG / 2);
    let sandbox = hold(&bytes);
    sandbox.write("base/cargo-too.bin", &bytes[..BIG / 4]);
    let mut studio = Studio::open(&sandbox, &[]);
    let link = Link::to(&studio.address);
    let shared = sandbox.root().join("cache");
    for name in ["ash", "elm"] {
        start_far(&mut studio, name, &link, &format!("cache_folder = {shared:?}\n"));
    }
    studio.wait_for("two agents", || studio.agent_rows().len() == 2);
    let mut third = studio.agent_command("ash", &["--at", &link.address]);
    let refused = third.output().unwrap();
    let words = String::from_utf8_lossy(&refused.stderr);
    assert!(
        !refused.status.success() && words.contains("another agent uses the data folder"),
        "{words}"
    );
    let run = studio.tidemill(&["run", "manifest.toml", "--json"]);
    assert_eq!(
        (run.code, run.count("done")),
        (0, 4),
        "{run:?}\n{}",
        studio.logs()
    );
    let (_, down) = link.passed();
    let once = (BIG / 2 + BIG / 4) as u64;
    assert!(down < once + TALK, "{down} bytes came down for {once}");
    assert!(delivered(&sandbox) == bytes);
}
