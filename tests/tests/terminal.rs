//! What a person sees on a terminal while a run goes on. The terminal is a real one (script(1) of util-linux opens it);
//! what it would show is worked out by the crate `vt100` from the bytes that were written.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::io::Read as _;
use std::process::{Command, Stdio};

use tidemill_tests::Sandbox;
use tidemill_tests::sandbox::binary;

const VARIANTS: usize = 60;

/// Two steps over many variants; every seventh fails.
fn project() -> Sandbox {
    let sandbox = Sandbox::new();
    sandbox.write(
        "manifest.toml",
        r#"[manifest]
name = "ropes"

[variants]
models = "base/*.txt"
name = "{stem}"

[step.twisted]
from = { file = "{model}" }
program = ["sh", "-c", "sleep 0.3; case $1 in *7) echo 'the rope is frayed'; exit 3;; esac; cp $2 $3", "twist", "{variant}", "{file}", "{copy}"]
makes = { copy = "{variant}.1.txt" }
needs = { memory = "4 MiB", cores = 0.25 }

[step.coiled]
from = { file = "twisted.copy" }
program = ["cp", "{file}", "{copy}"]
makes = { copy = "{variant}.2.txt" }
needs = { memory = "4 MiB", cores = 0.25 }
"#,
    );
    for number in 0..VARIANTS {
        sandbox.write(&format!("base/rope-{number:02}.txt"), format!("rope {number}\n"));
    }
    sandbox
}

/// Screens of a terminal, one after each piece that was written to it, and all bytes.
fn screens(sandbox: &Sandbox, rows: u16, columns: u16, colours: bool) -> (Vec<String>, Vec<u8>) {
    let program = binary("tidemill");
    let line = format!(
        "stty rows {rows} cols {columns}; '{}' run manifest.toml",
        program.display()
    );
    let mut command = Command::new("script");
    command
        .args(["--quiet", "--return", "--flush", "--command", &line, "/dev/null"])
        .current_dir(sandbox.project())
        .env("TIDEMILL_DATA", sandbox.data())
        .env("TERM", "xterm-256color")
        .env_remove("TIDEMILL_AT")
        .env_remove("NO_COLOR")
        .stdin(Stdio::null())
        .stdout(Stdio::piped());
    if !colours {
        command.env("NO_COLOR", "1");
    }
    let mut child = command.spawn().unwrap();
    let mut terminal = vt100::Parser::new(rows, columns, 10_000);
    let (mut screens, mut bytes, mut piece) = (Vec::new(), Vec::new(), [0; 65_536]);
    let mut out = child.stdout.take().unwrap();
    loop {
        let count = out.read(&mut piece).unwrap();
        if count == 0 {
            break;
        }
        terminal.process(&piece[..count]);
        bytes.extend_from_slice(&piece[..count]);
        // Row by row: lines that fill a row would be joined else.
        let rows: Vec<String> = terminal.screen().rows(0, columns).collect();
        screens.push(rows.join("\n"));
    }
    assert_eq!(
        child.wait().unwrap().code(),
        Some(1),
        "{}",
        screens.last().unwrap()
    );
    (screens, bytes)
}

fn has_colours(bytes: &[u8]) -> bool {
    let text = String::from_utf8_lossy(bytes);
    text.split("\u{1b}[").skip(1).any(|rest| {
        let code: String = rest
            .chars()
            .take_while(|c| c.is_ascii_digit() || *c == ';')
            .collect();
        rest[code.len()..].starts_with('m') && !matches!(code.as_str(), "" | "0")
    })
}

#[test]
fn a_board_stands_below_while_a_run_goes_on_and_is_gone_at_its_end() {
    for (rows, columns) in [(24, 80), (50, 160), (12, 40)] {
        let sandbox = project();
        let (screens, bytes) = screens(&sandbox, rows, columns, false);
        let board = |screen: &&String| {
            let lines: Vec<&str> = screen.lines().collect();
            let at = lines.iter().rposition(|line| line.starts_with("ropes.1  ["));
            // Whole: the headline, the steps and what runs stand on one screen, once each.
            at.is_some_and(|at| {
                let below = &lines[at..];
                lines.iter().filter(|line| line.starts_with("ropes.1  [")).count() == 1
                    && below.iter().any(|line| line.starts_with("  twisted  ["))
                    && below.iter().any(|line| line.starts_with("  running rope-"))
            })
        };
        let seen: Vec<&String> = screens.iter().filter(board).collect();
        assert!(
            seen.len() > 3,
            "{columns}: {:#?}",
            screens.iter().rev().take(3).collect::<Vec<_>>()
        );
        assert!(
            seen.iter().any(|screen| screen.contains("  failed  rope-")),
            "{columns}"
        );
        if rows > 20 {
            let whole =
                |screen: &&&String| screen.contains("variants complete") && screen.contains(" booked");
            assert!(
                seen.iter().any(|screen| whole(&screen)),
                "{columns}: {}",
                seen.last().unwrap()
            );
        }
        let last = screens.last().unwrap();
        let said = last.replace('\n', "");
        assert!(
            !last.contains("ropes.1  [") && said.contains("tidemill again ropes.1"),
            "{columns}: {last}"
        );
        assert!(!has_colours(&bytes), "NO_COLOR");
    }
}

#[test]
fn states_have_colours_where_they_are_wanted() {
    let (_, bytes) = screens(&project(), 24, 80, true);
    assert!(has_colours(&bytes));
}
