//! Whole chains, as the worker program runs them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use tidemill_mesh::Map;
use tidemill_mesh::chain::{ChainError, run_chain};
use tidemill_mesh::operations;
use tidemill_ops::{Call, Chain, ChainInput, ChainOutput, InputFile, Setting, TagColor};

fn model(name: &str, label: &str, position: usize) -> InputFile {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/obj")
        .join(name);
    InputFile {
        path,
        extension: ".obj".to_owned(),
        label: label.to_owned(),
        position,
        companions: BTreeMap::new(),
    }
}

fn input(name: &str, files: Vec<InputFile>, missing: &[(usize, &str)], many: bool) -> ChainInput {
    let missing = missing
        .iter()
        .map(|(position, label)| (*position, (*label).to_owned()))
        .collect();
    ChainInput {
        name: name.to_owned(),
        many,
        files,
        missing,
        units: String::new(),
        up: String::new(),
    }
}

fn call(op: &str, settings: &[(&str, f64)], inputs: &[(&str, &str)], outputs: &[(&str, &str)]) -> Call {
    let names = |pairs: &[(&str, &str)]| {
        pairs
            .iter()
            .map(|(port, value)| ((*port).to_owned(), (*value).to_owned()))
            .collect()
    };
    Call {
        op: op.to_owned(),
        version: tidemill_ops::find(op).map_or(1, |declaration| declaration.version),
        settings: settings
            .iter()
            .map(|(name, value)| ((*name).to_owned(), Setting::Number(*value)))
            .collect(),
        inputs: names(inputs),
        outputs: names(outputs),
    }
}

fn output(folder: &Path, name: &str, extension: &str) -> ChainOutput {
    ChainOutput {
        name: name.to_owned(),
        path: folder.join(format!("{name}{extension}")),
        extension: extension.to_owned(),
    }
}

fn chain(calls: Vec<Call>, inputs: Vec<ChainInput>, outputs: Vec<ChainOutput>, threads: usize) -> Chain {
    let tags = vec![TagColor {
        name: "mtl".to_owned(),
        rgb: [1, 2, 3],
    }];
    Chain {
        calls,
        inputs,
        outputs,
        tags,
        threads,
    }
}

fn read(path: &PathBuf) -> Vec<u8> {
    std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn every_declared_operation_is_there() {
    for declaration in tidemill_ops::all() {
        assert!(
            operations::find(declaration.name).is_some(),
            "{}",
            declaration.name
        );
    }
    assert!(operations::find("no-such-operation").is_none());
}

#[test]
fn inspect_writes_its_figures_whole_mesh_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let outputs = vec![
        output(folder.path(), "facts", ".json"),
        output(folder.path(), "mesh", ".glb"),
    ];
    let calls = vec![call("inspect", &[], &[("mesh", "mesh")], &[("figures", "facts")])];
    let mesh = input("mesh", vec![model("cube_usemtl.obj", "cube", 0)], &[], false);
    let report = run_chain(&chain(calls, vec![mesh], outputs.clone(), 1)).expect("a sound chain");
    assert_eq!(report.figures[0].0, "inspect");
    assert_eq!(report.figures[0].1["triangles"], 12.0);
    let text = String::from_utf8(read(&outputs[0].path)).expect("text");
    assert!(
        text.starts_with("{\n  \"triangles\": 12,\n  \"vertices\": 8,\n  \"area\": 6"),
        "{text}"
    );
    let figures: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(figures["tags"]["mtl"]["triangles"], 6);
    assert_eq!(figures["closed"], true);
    assert!(read(&outputs[1].path).starts_with(b"glTF"));
}

#[test]
fn colours_of_the_manifest_stay_out_of_files_whose_key_does_not_hold_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let bytes = |rgb: [u8; 3]| {
        let outputs = vec![output(folder.path(), "mesh", ".glb")];
        let calls = vec![call("inspect", &[], &[("mesh", "mesh")], &[])];
        let mesh = input("mesh", vec![model("cube_usemtl.obj", "cube", 0)], &[], false);
        let mut chain = chain(calls, vec![mesh], outputs.clone(), 1);
        chain.tags[0].rgb = rgb;
        run_chain(&chain).expect("a sound chain");
        read(&outputs[0].path)
    };
    assert_eq!(bytes([1, 2, 3]), bytes([200, 100, 50]));
}

#[test]
fn a_sheet_has_a_cell_for_each_variant_whatever_the_threads() {
    let folder = tempfile::tempdir().expect("a folder");
    let sheet = |threads: usize, missing: &[(usize, &str)]| {
        let outputs = vec![output(folder.path(), "sheet", ".png")];
        let settings = [("columns", 2.0), ("cell", 64.0)];
        let calls = vec![call(
            "sheet",
            &settings,
            &[("meshes", "all")],
            &[("sheet", "sheet")],
        )];
        let files = vec![
            model("cube_usemtl.obj", "cube", 0),
            model("spider.obj", "spider", 2),
        ];
        let report = run_chain(&chain(
            calls,
            vec![input("all", files, missing, true)],
            outputs.clone(),
            threads,
        ))
        .expect("a sound chain");
        (read(&outputs[0].path), report.figures[0].1.clone())
    };
    let (bytes, figures) = sheet(1, &[(1, "gone")]);
    assert_eq!((figures["shown"], figures["missing"]), (2.0, 1.0));
    assert_eq!(bytes, sheet(4, &[(1, "gone")]).0);
    let map = Map::from_png(&bytes).expect("a sound PNG");
    assert!(map.srgb);
    // Cells of 64 with gaps of 4 and a line of text below: two columns, two rows.
    assert_eq!((map.width, map.height), (2 * 68 + 4, 2 * (64 + 13 + 4) + 4));
    // The second cell is the gap: its frame is vermillion, that of the others is not.
    assert_eq!(map.rgb_at(4 + 68, 4), [0xD5, 0x5E, 0x00]);
    assert_ne!(map.rgb_at(4, 4), [0xD5, 0x5E, 0x00]);
    let label_rows = 4 + 64..4 + 64 + 13;
    let has_ink = |columns: std::ops::Range<u32>| {
        label_rows
            .clone()
            .any(|y| columns.clone().any(|x| map.rgb_at(x, y) == [0x26, 0x26, 0x28]))
    };
    assert!(has_ink(4..68) && has_ink(72..136), "the gap has its name too");
}

#[test]
fn a_sheet_shows_a_mesh_with_its_map_or_either_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let map_path = folder.path().join("red");
    std::fs::write(
        &map_path,
        Map::filled(8, 8, &[255, 0, 0], true).to_png().expect("a map"),
    )
    .expect("a file");
    let map = |position: usize| InputFile {
        path: map_path.clone(),
        extension: ".png".to_owned(),
        label: format!("v{position}"),
        position,
        companions: BTreeMap::new(),
    };
    let outputs = vec![output(folder.path(), "sheet", ".png")];
    let settings = [("columns", 3.0), ("cell", 64.0)];
    let calls = vec![call(
        "sheet",
        &settings,
        &[("meshes", "meshes"), ("maps", "maps")],
        &[("sheet", "sheet")],
    )];
    let inputs = vec![
        input(
            "meshes",
            vec![model("cube_usemtl.obj", "v0", 0)],
            &[(1, "v1"), (2, "v2")],
            true,
        ),
        input("maps", vec![map(0), map(1)], &[(2, "v2")], true),
    ];
    let report = run_chain(&chain(calls, inputs, outputs.clone(), 2)).expect("a sound chain");
    assert_eq!(
        (report.figures[0].1["shown"], report.figures[0].1["missing"]),
        (2.0, 1.0)
    );
    let sheet = Map::from_png(&read(&outputs[0].path)).expect("a sound PNG");
    let red = |cell: u32| {
        let pixels = (0..64).flat_map(|y| (0..64).map(move |x| (4 + cell * 68 + x, 4 + y)));
        pixels.filter(|&(x, y)| sheet.rgb_at(x, y) == [255, 0, 0]).count()
    };
    assert!(
        red(0) > 100 && red(0) < 64 * 64 / 4,
        "the map is an inset: {}",
        red(0)
    );
    assert_eq!(red(1), 62 * 62, "the map alone fills its cell");
    assert_eq!(red(2), 0);
}

#[test]
fn a_mistake_names_the_input_the_operation_or_the_output() {
    let folder = tempfile::tempdir().expect("a folder");
    let broken = folder.path().join("broken");
    std::fs::write(&broken, "v 0 0 0\nf 1 2 3\n").expect("a file");
    let run = |change: &dyn Fn(&mut Chain)| {
        let outputs = vec![output(folder.path(), "facts", ".json")];
        let calls = vec![call("inspect", &[], &[("mesh", "mesh")], &[("figures", "facts")])];
        let mesh = input("mesh", vec![model("cube_usemtl.obj", "cube", 0)], &[], false);
        let mut chain = chain(calls, vec![mesh], outputs, 1);
        change(&mut chain);
        run_chain(&chain).expect_err("a mistake").to_string()
    };
    let text = run(&|chain| chain.inputs[0].files[0].path = broken.clone());
    assert_eq!(
        text,
        "input `mesh` of `cube`: line 2: the corner `2` uses index 2, but there are 1 vertices so far"
    );
    let text = run(&|chain| chain.inputs[0].files[0].path = folder.path().join("absent"));
    assert!(text.starts_with("input `mesh` of `cube`: cannot read"), "{text}");
    let text = run(&|chain| chain.calls[0].version = 99);
    assert!(
        text.contains("operation 1, `inspect`: version 99 was asked for"),
        "{text}"
    );
    let text = run(&|chain| chain.calls[0].op = "melt".to_owned());
    assert!(
        text.contains("operation 1, `melt`: there is no such operation"),
        "{text}"
    );
    let text = run(&|chain| chain.calls[0].inputs = BTreeMap::from([("mesh".to_owned(), "high".to_owned())]));
    assert!(text.contains("there is no value `high` for `mesh`"), "{text}");
    let text = run(&|chain| chain.outputs[0].extension = ".glb".to_owned());
    assert_eq!(
        text,
        "output `facts`: a value of kind data cannot be written as `.glb`; use .json"
    );
    let text = run(&|chain| chain.outputs[0].name = "other".to_owned());
    assert!(
        text.contains("output `other`: no operation made a value of that name"),
        "{text}"
    );
}

#[test]
fn a_broken_budget_fails_the_chain_and_writes_the_figures_all_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let outputs = vec![
        output(folder.path(), "facts", ".json"),
        output(folder.path(), "verdict", ".json"),
        output(folder.path(), "later", ".json"),
        output(folder.path(), "mesh", ".glb"),
    ];
    let calls = vec![
        call("inspect", &[], &[("mesh", "mesh")], &[("figures", "facts")]),
        call(
            "audit",
            &[("triangles", 6.0)],
            &[("mesh", "mesh")],
            &[("audit", "verdict")],
        ),
        call("inspect", &[], &[("mesh", "mesh")], &[("figures", "later")]),
    ];
    let mesh = input("mesh", vec![model("cube_usemtl.obj", "cube", 0)], &[], false);
    let error = run_chain(&chain(calls, vec![mesh], outputs.clone(), 1)).expect_err("12 triangles");
    assert_eq!(
        error.to_string(),
        "operation 2, `audit`: the mesh breaks 1 of 1 budgets: triangles is 12 (at most 6)"
    );
    let ChainError::Broken { report, .. } = error else {
        panic!("{error:?}")
    };
    assert_eq!(report.findings, ["facts", "verdict"]);
    assert_eq!(report.figures.len(), 2);
    let verdict: serde_json::Value =
        serde_json::from_slice(&read(&outputs[1].path)).expect("JSON although it failed");
    assert_eq!(
        (
            &verdict["pass"],
            &verdict["budgets"][0]["figure"],
            &verdict["budgets"][0]["most"]
        ),
        (&false.into(), &12.0.into(), &6.0.into())
    );
    assert!(outputs[0].path.exists() && !outputs[2].path.exists() && !outputs[3].path.exists());
}
