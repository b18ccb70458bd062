//! What people look at and decide: report, sign-off, history, compare, and the page in a real browser.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::io::BufRead as _;
use std::process::{Child, Stdio};

use serde_json::Value;
use tidemill_tests::outside::{browse, pixel_differences, read_reports};
use tidemill_tests::project::{box_model, quay};
use tidemill_tests::{Outcome, Sandbox, published};

/// The small recipe with a budget that every variant keeps.
fn quay_with_audit() -> Sandbox {
    let sandbox = quay();
    sandbox.edit(
        "manifest.toml",
        "[step.copied]",
        "[step.audit]\nfrom = { mesh = \"game.mesh\" }\nops = [{ op = \"audit\", triangles = 300 }]\n\
         makes = { audit = \"{variant}.audit.json\" }\n\n[step.copied]",
    );
    sandbox
}

fn ok(outcome: Outcome) -> Outcome {
    assert_eq!(outcome.code, 0, "{outcome:?}");
    outcome
}

#[test]
fn a_report_holds_everything_and_agrees_with_the_record() {
    let sandbox = quay_with_audit();
    sandbox.edit(
        "manifest.toml",
        "[step.copied]",
        "[step.picky]\nfrom = { mesh = \"game.mesh\" }\n\
         program = [\"sh\", \"-c\", \"echo '<b>rotten</b> plank'; test $1 != crate-small && echo fine > $2\", \"picky\", \"{variant}\", \"{note}\"]\n\
         makes = { note = \"{variant}.note.txt\" }\n\n[step.copied]",
    );
    let run = sandbox.run(&[]);
    assert_eq!(run.code, 1, "{run:?}");
    ok(sandbox.tidemill(&["report", "quay", "--to", "morning.html"]));
    let path = sandbox.project().join("morning.html");
    let report = read_reports(&[path]).remove(0);
    assert_eq!(report["unclosed"], serde_json::json!([]), "{report}");
    assert_eq!(report["outside"], serde_json::json!([]), "it needs no network");
    assert_eq!(
        (&report["scripts"], &report["without_alt"]),
        (&Value::from(0), &Value::from(0))
    );
    assert_eq!(
        report["bad_images"],
        serde_json::json!([]),
        "every picture decodes"
    );
    // Four variants with two meshes, two maps and a copy each, and two sheets.
    assert_eq!(report["images"], 4 * 5 + 2, "{report}");
    for (state, count) in report["states"].as_object().unwrap() {
        assert_eq!(count.as_u64().unwrap(), run.count(state), "{state}: {report}");
    }
    assert_eq!(report["items"], 4 * 6 + 2);
    let text = report["text"].as_str().unwrap();
    for part in [
        "crate-small/picky",
        "<b>rotten</b> plank",
        "waits for a look",
        "not finished",
        "kept",
        // The agent is gone by now; what it lent is known all the same.
        " GiB lent",
    ] {
        assert!(text.contains(part), "{part}");
    }
    let sections = report["sections"].as_array().unwrap();
    assert_eq!(sections[..2], ["result", "failures"], "failures come first");
    assert!(report["bytes"].as_u64().unwrap() < 20_000_000);
}

#[test]
fn a_sign_off_is_void_when_an_output_changes_and_only_approved_variants_are_delivered() {
    let sandbox = quay();
    ok(sandbox.run(&["--no-deliver"]));
    let bad = sandbox.tidemill(&["approve", "quay", "crate-smal"]);
    assert_eq!(bad.code, 2, "{bad:?}");
    assert!(bad.stderr.contains("crate-small"), "names the near one: {bad:?}");
    let odd = sandbox.tidemill(&["approve", "quay", "crate-*", "--note", "\u{1b}[2J"]);
    assert!(
        odd.code == 2 && odd.stderr.contains("control character"),
        "{odd:?}"
    );
    ok(sandbox.tidemill(&["approve", "quay", "crate-*", "--note", "good rope marks"]));
    ok(sandbox.tidemill(&["reject", "quay", "trough-small", "--note", "leaks"]));
    let delivered = sandbox.tidemill(&["deliver", "quay", "--approved", "--json"]);
    assert_eq!(delivered.code, 1, "some are held back: {delivered:?}");
    let units: std::collections::BTreeSet<String> = delivered
        .objects("delivered")
        .iter()
        .map(|row| row["unit"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(
        units.into_iter().collect::<Vec<_>>(),
        ["crate-large", "crate-small", "family=crate"]
    );
    let held = delivered.objects("held");
    let reason = |unit: &str| {
        held.iter().find(|row| row["unit"] == unit).unwrap()["reason"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    assert_eq!(reason("trough-small"), "trough-small is rejected");
    assert_eq!(reason("trough-large"), "trough-large waits for a look");
    assert_eq!(reason("family=trough"), "trough-large waits for a look");

    // The same again keeps what was decided; one changed model makes one decision void.
    ok(sandbox.run(&["--no-deliver"]));
    let states = |sandbox: &Sandbox| -> std::collections::BTreeMap<String, Value> {
        let rows = ok(sandbox.tidemill(&["approve", "quay", "--json"])).objects("sign-off");
        rows.into_iter()
            .map(|row| (row["variant"].as_str().unwrap().to_owned(), row))
            .collect()
    };
    let before = states(&sandbox);
    assert_eq!(
        (&before["crate-small"]["state"], &before["trough-small"]["state"]),
        (&"approved".into(), &"rejected".into())
    );
    assert_eq!(before["crate-small"]["note"], "good rope marks");
    sandbox.write("base/crate-small.obj", box_model(0.55));
    ok(sandbox.run(&["--no-deliver"]));
    let after = states(&sandbox);
    assert_eq!(after["crate-small"]["state"], "void");
    assert_eq!(after["crate-small"]["earlier"], "approved");
    assert!(
        after["crate-small"]["changed"]
            .as_array()
            .unwrap()
            .contains(&"game.mesh".into())
    );
    assert_eq!(after["crate-large"]["state"], "approved");
}

#[test]
fn the_history_finds_runs_by_time_state_variant_step_and_agent() {
    let sandbox = quay();
    ok(sandbox.run(&["--no-deliver"]));
    ok(sandbox.run(&["--no-deliver", "--only", "crate-*"]));
    let found = |arguments: &[&str]| -> Vec<String> {
        let mut line = vec!["history", "--json"];
        line.extend(arguments);
        let rows = ok(sandbox.tidemill(&line)).objects("run");
        rows.iter()
            .map(|row| row["run"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(found(&[]), ["quay.2", "quay.1"]);
    assert_eq!(
        found(&["--when", "last 1 hour", "--sort", "oldest"]),
        ["quay.1", "quay.2"]
    );
    assert!(found(&["--when", "2001-05-02/2001-05-04"]).is_empty());
    assert_eq!(found(&["--variant", "trough-*"]), ["quay.1"]);
    assert_eq!(found(&["--state", "reused"]), ["quay.2"]);
    assert_eq!(found(&["--state", "failed", "--state", "done"]), ["quay.1"]);
    assert!(found(&["--step", "no-such"]).is_empty());
    assert_eq!(found(&["--skip", "1", "-n", "1"]), ["quay.1"]);
    let csv = ok(sandbox.tidemill(&[
        "history",
        "--csv",
        "--columns",
        "run,attempts",
        "--sort",
        "oldest",
    ]));
    assert_eq!(csv.stdout, "run,attempts\nquay.1,18\nquay.2,0\n");
    let sums = ok(sandbox.tidemill(&["history", "--json"]))
        .objects("history-sums")
        .remove(0);
    assert_eq!(
        (&sums["runs"], &sums["done"], &sums["attempts"]),
        (&2.into(), &18.into(), &18.into())
    );
    let step = ok(sandbox.tidemill(&["history", "--json", "--step", "game"])).objects("step-figures");
    assert_eq!((&step[1]["attempts"], &step[0]["reused"]), (&4.into(), &2.into()));
    let wrong = sandbox.tidemill(&["history", "--columns", "memry"]);
    assert_eq!(wrong.code, 2, "{wrong:?}");

    // Approval, time and memory, a name that no run has, and how steps moved.
    assert_eq!(found(&["--approval", "unseen"]), ["quay.2", "quay.1"]);
    ok(sandbox.tidemill(&["approve", "quay.2", "crate-*"]));
    assert_eq!(
        found(&["--approval", "unseen"]),
        ["quay.1"],
        "the second run has the crates only, with the same bytes"
    );
    assert_eq!(
        found(&["--approval", "approved", "--variant", "trough-*"]),
        ["quay.1"]
    );
    assert!(found(&["--longer-than", "1 h"]).is_empty());
    assert_eq!(
        found(&["--memory-over", "1MiB"]),
        ["quay.1"],
        "nothing ran in the second"
    );
    let none = ok(sandbox.tidemill(&["history", "--step", "gaem"]));
    assert!(none.stderr.contains("did you mean game?"), "{none:?}");
    let trends = ok(sandbox.tidemill(&["history", "--trends", "--json"])).objects("trend");
    let game = trends.iter().find(|trend| trend["step"] == "game").unwrap();
    assert_eq!(
        (&game["runs"], game["points"].as_array().unwrap().len()),
        (&1.into(), 1)
    );
    assert!(game["points"][0]["peak_memory_bytes"].as_u64().unwrap() > 1 << 20);
}

#[test]
fn show_tells_a_whole_life_and_a_long_log_comes_back_as_it_was() {
    let sandbox = quay();
    sandbox.edit(
        "manifest.toml",
        "[step.copied]",
        "[step.talk]\nfrom = { mesh = \"game.mesh\" }\nretries = 1\n\
         program = [\"sh\", \"-c\", \"seq 1 20000; sleep 1.1; exit 3\", \"talk\", \"{note}\"]\n\
         makes = { note = \"{variant}.note.txt\" }\n\n[step.copied]",
    );
    assert_eq!(sandbox.run(&["--only", "crate-small", "--no-deliver"]).code, 1);
    let shown = ok(sandbox.tidemill(&[
        "show",
        "quay",
        "crate-small/talk",
        "crate-small/weathered",
        "--json",
    ]));
    let [talk, weathered] = <[Value; 2]>::try_from(shown.objects("item")).unwrap();
    assert_eq!(talk["inputs"][0]["from"], "crate-small/game mesh");
    let game = ok(sandbox.tidemill(&["show", "quay", "crate-small/game", "--json"]))
        .objects("item")
        .remove(0);
    assert_eq!(talk["inputs"][0]["digest"], game["outputs"][0]["digest"]);
    assert_eq!(weathered["inputs"][0]["from"], "base/crate-small.obj");
    let reasons: Vec<&str> = talk["waits"]
        .as_array()
        .unwrap()
        .iter()
        .map(|wait| wait["reason"].as_str().unwrap())
        .collect();
    assert_eq!(reasons.first(), Some(&"for crate-small/game"), "{reasons:?}");
    let people = ok(sandbox.tidemill(&["show", "quay", "crate-small/talk"])).stdout;
    assert!(people.contains("crate-small/game mesh"), "{people}");
    // The same again: what was reused has no log of its own, and says whose it is.
    assert_eq!(sandbox.run(&["--only", "crate-small", "--no-deliver"]).code, 1);
    let reused = sandbox.tidemill(&["log", "quay.2", "crate-small/game"]);
    assert_eq!(reused.code, 2, "{reused:?}");
    assert!(
        reused.stderr.contains("`tidemill log quay.1/crate-small/game`"),
        "{reused:?}"
    );
    let whole: String = (1..=20_000).map(|n| format!("{n}\n")).collect();
    for attempt in ["1", "2"] {
        let log = ok(sandbox.tidemill(&["log", "quay", "crate-small/talk", "--attempt", attempt]));
        assert_eq!(log.stdout, whole, "attempt {attempt}");
    }
}

#[test]
fn a_broken_audit_keeps_its_figures_and_the_report_shows_them_beside_their_limits() {
    let sandbox = quay();
    sandbox.edit(
        "manifest.toml",
        "[step.copied]",
        "[step.audit]\nfrom = { mesh = \"game.mesh\", tag-id = \"maps.tag-id\" }\n\
         ops = [{ op = \"audit\", triangles = 300, shares = [\"iron at most 0.001\", \"timber at least 0.1\"], powers_of_two = true, overlap = 0.0 }]\n\
         makes = { audit = \"{variant}.audit.json\" }\n\n[step.copied]",
    );
    sandbox.edit("manifest.toml", "[deliver]", "[deliver]\nwhen = [\"audit\"]");
    sandbox.edit("manifest.toml", "[step.audit]", "[step.audit]\nretries = 1");
    let run = sandbox.run(&[]);
    assert_eq!((run.code, run.count("failed")), (1, 4), "{run:?}");
    assert!(
        !sandbox.project().join("out/crate/crate-small.game.glb").exists(),
        "held back"
    );

    let shown = ok(sandbox.tidemill(&["show", "quay", "crate-small/audit", "--json"]));
    let item = shown.objects("item").remove(0);
    assert_eq!(item["state"], "failed");
    assert_eq!(
        item["outputs"],
        serde_json::json!([]),
        "nothing that others could read"
    );
    assert_eq!(item["attempts_made"].as_array().unwrap().len(), 2);
    let finding = &item["findings"][0];
    assert_eq!(finding["name"], "audit", "{item}");
    assert!(
        item["reason"].as_str().unwrap().contains("share of iron is 0."),
        "{item}"
    );
    let people = ok(sandbox.tidemill(&["show", "quay", "crate-small/audit"])).stdout;
    let line = |word: &str| {
        // The figures stand last; the reason above holds some of their names too.
        let found = people.lines().rev().find(|line| line.contains(word));
        found
            .unwrap_or_else(|| panic!("no {word} in {people}"))
            .to_owned()
    };
    assert!(line("share of iron").contains("(at most 0.001)") && line("share of iron").contains("broken"));
    assert!(line("share of timber").contains("kept") && line("triangles").contains("(at most 300)"));

    // A new process reads it from the record; the report has figures and limits of what failed.
    ok(sandbox.tidemill(&["report", "quay", "--to", "morning.html"]));
    let report = read_reports(&[sandbox.project().join("morning.html")]).remove(0);
    let text = report["text"].as_str().unwrap();
    assert!(
        text.contains("share of iron") && text.contains("(at most 0.001)"),
        "{text}"
    );
    assert!(text.contains("broken") && text.contains("triangles"), "{text}");

    // A sweep keeps what the run points at.
    ok(sandbox.tidemill(&["store", "sweep", "--remove", "--grace", "20 ms"]));
    let people = ok(sandbox.tidemill(&["show", "quay", "crate-small/audit"])).stdout;
    assert!(people.contains("(at most 0.001)"), "{people}");

    // With the budget mended the item runs, and the failure's figures are gone.
    sandbox.edit("manifest.toml", "iron at most 0.001", "iron at most 0.9");
    assert_eq!(sandbox.run(&[]).code, 0);
    assert!(sandbox.project().join("out/crate/crate-small.game.glb").exists());
    let shown = ok(sandbox.tidemill(&["show", "quay", "crate-small/audit", "--json"]));
    let item = shown.objects("item").remove(0);
    assert_eq!(
        (&item["state"], item["findings"].as_array().unwrap().len()),
        (&"done".into(), 0)
    );
}

#[test]
fn compare_names_the_changed_number_first_and_its_pixels_agree_with_another_library() {
    let sandbox = quay();
    ok(sandbox.run(&["--to", "first"]));
    sandbox.edit("manifest.toml", "amplitude = 0.004", "amplitude = 0.012");
    ok(sandbox.run(&["--to", "second"]));
    let people = ok(sandbox.tidemill(&["compare", "quay.1", "quay.2"]));
    let first = people.stdout.lines().next().unwrap();
    assert_eq!(first, "weathered.displace.amplitude 0.004 -> 0.012 (4 items)");
    let compared = ok(sandbox.tidemill(&[
        "compare",
        "quay.1",
        "quay.2",
        "--json",
        "--pictures",
        "beside/each",
    ]));
    assert_eq!(compared.json()[0]["kind"], "changed");
    let rows = compared.objects("output-difference");
    for row in &rows {
        let path = sandbox.project().join(row["picture"].as_str().unwrap());
        let png = std::fs::read(&path).unwrap();
        assert!(png.starts_with(b"\x89PNG"), "{}", path.display());
    }
    assert_eq!(
        std::fs::read_dir(sandbox.project().join("beside/each"))
            .unwrap()
            .count(),
        rows.len()
    );
    let mut measured = 0;
    for row in rows
        .iter()
        .filter(|row| row["output"] == "curvature" && row["changed_share"].is_number())
    {
        let variant = row["item"].as_str().unwrap().split('/').next().unwrap();
        let family = variant.split('-').next().unwrap();
        let file = |folder: &str| {
            sandbox
                .project()
                .join(folder)
                .join("out")
                .join(family)
                .join(format!("{variant}_curvature.png"))
        };
        let theirs = pixel_differences(&[file("first"), file("second")]).remove(0);
        for figure in ["changed_share", "greatest"] {
            let (ours, theirs) = (row[figure].as_f64().unwrap(), theirs[figure].as_f64().unwrap());
            assert!((ours - theirs).abs() < 1e-9, "{figure}: {ours} and {theirs}");
        }
        measured += 1;
    }
    assert!(measured >= 2, "{rows:?}");
    let mesh = rows
        .iter()
        .find(|row| row["item"] == "crate-small/weathered")
        .unwrap();
    let greatest = mesh["greatest_m"].as_f64().unwrap();
    assert!(greatest > 0.0005 && greatest < 0.012, "{mesh}");
    let same = ok(sandbox.tidemill(&["compare", "quay.1", "quay.1"]));
    assert!(same.stdout.contains("are the same"), "{same:?}");
}

/// A page that is being served; ended when dropped.
struct Page {
    child: Child,
    address: String,
}

impl Page {
    fn of(sandbox: &Sandbox, arguments: &[&str]) -> Self {
        let mut child = sandbox
            .command(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
        let address = loop {
            let line = lines.next().expect("it says where the page is").unwrap();
            let row: Value = serde_json::from_str(&line).unwrap();
            published::check(&row);
            if row["kind"] == "page" {
                break row["address"].as_str().unwrap().to_owned();
            }
        };
        std::thread::spawn(move || lines.for_each(drop));
        Self { child, address }
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        // SAFETY: kill(2) with the id of a child that was not waited for yet.
        unsafe { libc::kill(self.child.id() as i32, libc::SIGINT) };
        let _ = self.child.wait();
    }
}

#[test]
fn a_browser_shows_report_and_page_without_faults() {
    let sandbox = quay();
    sandbox.edit("manifest.toml", "program = [\"cp\", \"{map}\", \"{copy}\"]", "program = [\"sh\", \"-c\", \"echo 'a plank is rotten'; test $1 != crate-small && cp $2 $3\", \"pick\", \"{variant}\", \"{map}\", \"{copy}\"]");
    assert_eq!(sandbox.run(&["--no-deliver"]).code, 1);
    ok(sandbox.tidemill(&["report", "quay", "--to", "morning.html"]));
    let page = Page::of(&sandbox, &["page", "--json"]);
    let at = |path: &str| format!("{}{path}", page.address);
    let seen = browse(&[
        (
            "report",
            format!("file://{}", sandbox.project().join("morning.html").display()),
        ),
        ("home", at("")),
        ("run", at("run/quay.1")),
        ("item", at("run/quay.1/item/crate-small/copied")),
    ]);
    assert_eq!(seen.len(), 16);
    for view in &seen {
        assert_eq!(view["errors"], serde_json::json!([]), "{view}");
        assert_eq!(view["faults"], serde_json::json!([]), "{view}");
        assert!(
            view["rules_passed"].as_u64().unwrap() > 10,
            "it was judged: {view}"
        );
        assert!(view["overflow"].as_i64().unwrap() <= 0, "{view}");
        match view["kind"].as_str().unwrap() {
            "report" => assert_eq!(view["pictures"], 4 * 5 + 1, "{view}"),
            "run" => {
                assert_eq!(
                    (&view["rows"], &view["named"], &view["failed"]),
                    (&4.into(), &2.into(), &1.into()),
                    "{view}"
                );
                assert_eq!(view["turned"], true, "{view}");
                assert!(view["pictures"].as_u64().unwrap() > 3, "{view}");
            }
            "item" => assert!(
                view["log"].as_str().unwrap().contains("a plank is rotten"),
                "{view}"
            ),
            _ => {}
        }
    }
}

#[test]
fn the_sheet_fills_in_during_a_run_that_the_page_pauses_and_resumes() {
    let sandbox = quay();
    sandbox.edit(
        "manifest.toml",
        "program = [\"cp\", \"{map}\", \"{copy}\"]",
        "program = [\"sh\", \"-c\", \"sleep 3; cp $1 $2\", \"slow\", \"{map}\", \"{copy}\"]",
    );
    let page = Page::of(
        &sandbox,
        &[
            "run",
            "manifest.toml",
            "--json",
            "--no-deliver",
            "--stay",
            "--page",
            "127.0.0.1:0",
        ],
    );
    let deadline = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while sandbox.tidemill(&["show", "quay", "--json"]).code != 0 {
        assert!(std::time::Instant::now() < deadline, "no run");
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let seen = browse(&[("live", format!("{}run/quay.1", page.address))]).remove(0);
    assert_eq!(seen["errors"], serde_json::json!([]), "{seen}");
    assert!(seen["said"].as_str().unwrap().contains("paused"), "{seen}");
    assert!(seen["pictures"].as_u64().unwrap() > 0, "{seen}");
    assert_ne!(seen["before"], seen["after"], "{seen}");
    assert!(
        seen["after"]
            .as_array()
            .unwrap()
            .iter()
            .all(|state| state == "done"),
        "{seen}"
    );
}

#[test]
fn again_and_approve_on_the_page_do_what_the_commands_do() {
    let sandbox = quay();
    let mended = sandbox.project().join("mended");
    sandbox.edit(
        "manifest.toml",
        "program = [\"cp\", \"{map}\", \"{copy}\"]",
        &format!(
            "program = [\"sh\", \"-c\", \"test -e {} && cp $1 $2\", \"mend\", \"{{map}}\", \"{{copy}}\"]",
            mended.display()
        ),
    );
    let page = Page::of(
        &sandbox,
        &[
            "run",
            "manifest.toml",
            "--json",
            "--no-deliver",
            "--stay",
            "--page",
            "127.0.0.1:0",
        ],
    );
    let deadline = std::time::Instant::now() + std::time::Duration::from_secs(60);
    let is_over = || {
        sandbox
            .tidemill(&["show", "quay", "--json"])
            .objects("run")
            .iter()
            .any(|run| run["state"] == "ended")
    };
    while !is_over() {
        assert!(std::time::Instant::now() < deadline, "the run does not end");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    std::fs::write(&mended, "").unwrap();
    let seen = browse(&[("redo", format!("{}run/quay.1", page.address))]).remove(0);
    assert_eq!(seen["errors"], serde_json::json!([]), "{seen}");
    let has = |which: &str, word: &str| seen[which].as_array().unwrap().iter().any(|state| state == word);
    assert!(
        has("before", "failed") && !has("after", "failed") && has("after", "done"),
        "{seen}"
    );
    let stands = ok(sandbox.tidemill(&["approve", "quay", "--json"]));
    let approved: Vec<Value> = stands
        .objects("sign-off")
        .into_iter()
        .filter(|row| row["state"] == "approved")
        .collect();
    assert_eq!(approved.len(), 1, "{stands:?}");
    let variant = approved[0]["variant"].as_str().unwrap();
    assert!(
        seen["text"]
            .as_str()
            .unwrap()
            .contains(&format!("{variant} approved")),
        "{seen}"
    );
}
