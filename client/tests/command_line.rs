//! The real program, as far as it needs neither a manifest nor a coordinator: help, versions, wrong command
//! lines, pages, figures of files, and a coordinator that is not there.

use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

use predicates::prelude::*;
use serde_json::Value;

fn tidemill(data: &Path) -> assert_cmd::Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("tidemill"));
    command
        .env("TIDEMILL_DATA", data)
        .env_remove("TIDEMILL_AT")
        .env("NO_COLOR", "1");
    assert_cmd::Command::from_std(command)
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

#[test]
fn help_and_version_are_answers() {
    let data = folder();
    tidemill(data.path())
        .arg("--help")
        .assert()
        .code(0)
        .stdout(predicate::str::contains("Exit codes"));
    tidemill(data.path())
        .args(["run", "--help"])
        .assert()
        .code(0)
        .stdout(predicate::str::contains("--until"));
    tidemill(data.path())
        .arg("--version")
        .assert()
        .code(0)
        .stdout(predicate::str::starts_with("tidemill "));
}

#[test]
fn a_wrong_command_line_ends_with_2() {
    let data = folder();
    let lines: [&[&str]; 8] = [
        &[],
        &["rum"],
        &["run"],
        &["run", "m.toml", "--untill", "game"],
        &["history", "--quiet", "--verbose"],
        &["show", "dock.1", "game"],
        &["--at", "nowhere", "history"],
        &["run", "m.toml", "--leave"],
    ];
    for line in lines {
        tidemill(data.path())
            .args(line)
            .assert()
            .code(2)
            .stdout("")
            .stderr(predicate::str::is_empty().not());
    }
}

#[test]
fn a_mistyped_command_names_its_neighbour() {
    let data = folder();
    tidemill(data.path())
        .arg("delivr")
        .assert()
        .code(2)
        .stderr(predicate::str::contains("'deliver'"));
}

#[test]
fn an_absent_manifest_is_named() {
    let data = folder();
    tidemill(data.path())
        .args(["check", "absent.toml"])
        .assert()
        .code(2)
        .stderr("error: cannot read the manifest absent.toml: it does not exist\n");
    let output = tidemill(data.path())
        .args(["run", "absent.toml", "--json"])
        .assert()
        .code(2)
        .get_output()
        .clone();
    let line: Value = serde_json::from_slice(&output.stdout).expect("one object");
    assert_eq!(
        (line["kind"].as_str(), line["exit"].as_u64()),
        (Some("error"), Some(2))
    );
}

#[test]
fn a_coordinator_that_is_not_there_ends_with_3_and_a_hint() {
    let data = folder();
    // A port that was free a moment ago.
    let address = TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .expect("a port");
    tidemill(data.path())
        .args(["history", "--at", &address.to_string()])
        .assert()
        .code(3)
        .stdout("")
        .stderr(predicate::str::contains(address.to_string()).and(predicate::str::contains("hint: ")));
}

#[test]
fn completions_and_manual_are_printed() {
    let data = folder();
    for shell in ["bash", "zsh", "fish", "powershell"] {
        tidemill(data.path())
            .args(["doc", "completions", shell])
            .assert()
            .code(0)
            .stdout(predicate::str::contains("tidemill"));
    }
    tidemill(data.path())
        .args(["doc", "man"])
        .assert()
        .code(0)
        .stdout(predicate::str::contains(".TH tidemill"));
}

#[test]
fn figures_of_a_file_are_one_object() {
    let data = folder();
    let model = data.path().join("sheet.obj");
    std::fs::write(&model, "v 0 0 0\nv 2 0 0\nv 0 3 0\nusemtl iron\nf 1 2 3\n").expect("a model");
    let output = tidemill(data.path())
        .arg("inspect")
        .arg(&model)
        .arg("--json")
        .assert()
        .code(0)
        .get_output()
        .stdout
        .clone();
    let figures: Value = serde_json::from_slice(&output).expect("one object");
    assert_eq!(figures["kind"], "model");
    assert_eq!(
        (figures["triangles"].as_u64(), figures["closed"].as_bool()),
        (Some(1), Some(false))
    );
    assert_eq!(figures["tags"]["iron"]["area"].as_f64(), Some(3.0));

    tidemill(data.path())
        .arg("inspect")
        .args([model.as_path(), Path::new("absent.obj")])
        .assert()
        .code(1)
        .stdout(predicate::str::contains("a model"))
        .stderr(predicate::str::contains(
            "absent.obj: cannot be read: it does not exist",
        ));
}

#[test]
#[cfg(unix)]
fn a_reader_that_goes_away_is_no_error() {
    use std::process::Stdio;
    let data = folder();
    let mut child = Command::new(assert_cmd::cargo::cargo_bin!("tidemill"))
        .args(["doc", "man"])
        .env("TIDEMILL_DATA", data.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert_eq!(output.status.code(), Some(0));
}

#[test]
fn check_draws_the_base_models_in_the_colours_of_their_tags_also_where_a_tag_is_wrong() {
    let data = folder();
    let project = folder();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/harbour");
    let base = project.path().join("base");
    std::fs::create_dir(&base).expect("a folder");
    std::fs::copy(demo.join("base/harbour.mtl"), base.join("harbour.mtl")).expect("a copy");
    let model = std::fs::read_to_string(demo.join("base/crate-small.obj")).expect("a model");
    std::fs::write(base.join("right.obj"), &model).expect("a model");
    std::fs::write(
        base.join("wrong.obj"),
        model.replace("usemtl iron", "usemtl gold"),
    )
    .expect("a model");
    std::fs::write(base.join("broken.obj"), "v 1 2\n").expect("a model");
    let manifest = "[manifest]\nname = \"tags\"\n[variants]\nmodels = \"base/*.obj\"\n\
                    tags = { timber = \"#E69F00\", iron = \"#56B4E9\" }\n\
                    [step.figures]\nfrom = { mesh = \"{model}\" }\nops = [{ op = \"inspect\" }]\n\
                    makes = { figures = \"{variant}.json\" }\n";
    std::fs::write(project.path().join("tags.toml"), manifest).expect("a manifest");
    tidemill(data.path())
        .current_dir(project.path())
        .args(["check", "tags.toml", "--sheet", "tags.png"])
        .assert()
        .code(2)
        .stderr(predicate::str::contains("3 base models").and(predicate::str::contains("`gold`")));
    let bytes = std::fs::read(project.path().join("tags.png")).expect("the sheet");
    let map = tidemill_mesh::Map::from_png(&bytes).expect("a PNG");
    let tidemill_mesh::map::Samples::Eight(samples) = &map.data else {
        panic!("8 bits");
    };
    // Lit faces keep the proportions of their colour: timber has no blue to speak of, iron much, gold is drawn in magenta.
    let (width, channels) = (map.width as usize, usize::from(map.channels));
    let count =
        |columns: std::ops::Range<usize>, rows: std::ops::Range<usize>, is_it: &dyn Fn([i32; 3]) -> bool| {
            let at = |x: usize, y: usize| {
                let start = (y * width + x) * channels;
                [0, 1, 2].map(|channel| i32::from(samples[start + channel]))
            };
            rows.flat_map(|y| columns.clone().map(move |x| (x, y)))
                .filter(|(x, y)| is_it(at(*x, *y)))
                .count()
        };
    let blue = |[red, green, blue]: [i32; 3]| blue > red + 40 && blue > green + 20;
    let magenta = |[red, green, blue]: [i32; 3]| red > green + 90 && blue > green + 90;
    let half = width / 2;
    // Two columns: broken and right above, wrong below.
    assert_eq!((width, map.height > 600), (3 * 16 + 2 * 320, true));
    assert!(
        count(half..width, 0..340, &blue) > 1000,
        "iron is seen on the right model"
    );
    assert_eq!(count(0..width, 0..340, &magenta), 0);
    assert!(
        count(0..half, 350..700, &magenta) > 1000,
        "and gold glares on the wrong one"
    );
}
