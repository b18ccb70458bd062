//! Reference programs from package registries. `tests/run` installs them; a missing one fails the test and
//! says so, it is never passed over.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// The folder that `tests/run` installs the references into.
pub fn folder() -> PathBuf {
    let folder = std::env::var_os("TIDEMILL_OUTSIDE")
        .map(PathBuf::from)
        .unwrap_or_else(|| crate::sandbox::repository().join("target/outside"));
    assert!(
        folder.join("installed").is_file(),
        "the outside references are not installed in {}: run tests/run",
        folder.display()
    );
    folder
}

fn script(program: &str, name: &str, arguments: &[String]) -> (bool, Vec<Value>) {
    let output = Command::new(program)
        .arg(crate::sandbox::repository().join("tests/outside").join(name))
        .args(arguments)
        .env("TIDEMILL_OUTSIDE", folder())
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .output()
        .unwrap_or_else(|error| panic!("{program}: {error}"));
    let text = String::from_utf8_lossy(&output.stdout);
    let rows: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}")))
        .collect();
    assert!(
        !rows.is_empty(),
        "{name} printed nothing: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    (output.status.success(), rows)
}

fn texts(paths: &[PathBuf]) -> Vec<String> {
    paths
        .iter()
        .map(|path| path.to_string_lossy().into_owned())
        .collect()
}

/// Reports of the Khronos glTF validator (npm `gltf-validator`), one for each file.
pub fn validate_gltf(files: &[PathBuf]) -> Vec<Value> {
    script("node", "validate_gltf.js", &texts(files)).1
}

/// Materials and embedded pictures of GLB files; pictures as Pillow (PyPI) reads them.
pub fn read_dressed(files: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("python3", "read_dressed.py", &texts(files));
    assert!(ok, "{rows:?}");
    rows
}

/// Collision shapes of a model, measured by `scipy` (Qhull) and `trimesh` (PyPI), one object for each shape.
pub fn measure_hulls(model: &Path, shapes: &[PathBuf]) -> Vec<Value> {
    let mut arguments = vec![model.to_string_lossy().into_owned()];
    arguments.extend(texts(shapes));
    let (ok, rows) = script("python3", "measure_hulls.py", &arguments);
    assert!(ok, "{rows:?}");
    rows
}

/// What `trimesh` (PyPI) measures, one object for each file.
pub fn measure_meshes(files: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("python3", "measure_mesh.py", &texts(files));
    assert!(ok, "{rows:?}");
    rows
}

/// Shares of an ID map beside the shares of the UV area, computed with `numpy` and Pillow (PyPI).
pub fn id_map_shares(glb: &Path, png: &Path, tags: &[(&str, &str)]) -> Value {
    let mut arguments = texts(&[glb.to_owned(), png.to_owned()]);
    arguments.extend(tags.iter().map(|(name, color)| format!("{name}={color}")));
    let (ok, rows) = script("python3", "id_map_shares.py", &arguments);
    assert!(ok, "{rows:?}");
    rows[0].clone()
}

/// What an independent ray caster (PyPI `embreex` under `trimesh`) says of maps in a folder: see `cast_rays.py`.
pub fn cast_rays(
    high: &Path,
    low: &Path,
    maps: &Path,
    cage_m: f64,
    distance_m: f64,
    tags: &[(&str, &str)],
) -> Value {
    let mut arguments = texts(&[high.to_owned(), low.to_owned(), maps.to_owned()]);
    arguments.extend([cage_m.to_string(), distance_m.to_string()]);
    arguments.extend(tags.iter().map(|(name, color)| format!("{name}={color}")));
    let (ok, rows) = script("python3", "cast_rays.py", &arguments);
    assert!(ok, "{rows:?}");
    rows[0].clone()
}

/// PNG files as `pypng` and Pillow (PyPI) read them beside raw files of their samples.
pub fn read_pngs(pairs: &[(PathBuf, PathBuf)]) -> Vec<Value> {
    let files: Vec<PathBuf> = pairs
        .iter()
        .flat_map(|(png, raw)| [png.clone(), raw.clone()])
        .collect();
    let (ok, rows) = script("python3", "read_png.py", &texts(&files));
    assert!(ok, "{rows:?}");
    rows
}

/// UVs beside those of PyPI `xatlas` for the same mesh, and overlaps counted with `numpy`.
pub fn compare_unwraps(files: &[PathBuf], size_px: u32, padding_px: u32) -> Vec<Value> {
    let mut arguments = vec![size_px.to_string(), padding_px.to_string()];
    arguments.extend(texts(files));
    let (ok, rows) = script("python3", "compare_unwrap.py", &arguments);
    assert!(ok, "{rows:?}");
    rows
}

/// What maps show through the UVs of one packed mesh beside what the old maps showed: sampled with `numpy`, pictures read by Pillow (PyPI).
/// `kind` is `value`, `direction` or `id`; `old` are meshes and their maps in the order of the packed nodes.
pub fn compare_pack(kind: &str, new: (&Path, &Path), old: &[(PathBuf, PathBuf)]) -> Value {
    let mut arguments = vec![kind.to_owned()];
    arguments.extend(texts(&[new.0.to_owned(), new.1.to_owned()]));
    for (mesh, map) in old {
        arguments.extend(texts(&[mesh.clone(), map.clone()]));
    }
    let (ok, mut rows) = script("python3", "compare_pack.py", &arguments);
    assert!(ok, "{rows:?}");
    rows.remove(0)
}

/// Reduced meshes beside what PyPI `fast-simplification` makes of the same input at the same count, measured by PyPI `libigl`.
pub fn compare_reductions(high: &Path, lows: &[PathBuf]) -> Vec<Value> {
    let mut arguments = texts(&[high.to_owned()]);
    arguments.extend(texts(lows));
    let (ok, rows) = script("python3", "simplify_quality.py", &arguments);
    assert!(ok, "{rows:?}");
    rows
}

/// How much of closed meshes is folded, by the winding numbers of PyPI `libigl`: see `measure_folds.py`.
pub fn measure_folds(files: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("python3", "measure_folds.py", &texts(files));
    assert!(ok, "{rows:?}");
    rows
}

/// Tangents beside those of npm `mikktspace`.
pub fn compare_tangents(files: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("node", "compare_tangents.js", &texts(files));
    assert!(ok, "{rows:?}");
    rows
}

/// What `networkx` (PyPI) says of the graphs of a JSON file, one object for each: see `judge_graphs.py`.
pub fn judge_graphs(file: &Path) -> Vec<Value> {
    let (ok, rows) = script("python3", "judge_graphs.py", &texts(&[file.to_owned()]));
    assert!(ok, "{rows:?}");
    rows
}

/// Report files as Python's HTML parser and Pillow (PyPI) read them.
pub fn read_reports(files: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("python3", "read_report.py", &texts(files));
    assert!(ok, "{rows:?}");
    rows
}

/// Share of changed pixels and greatest difference of pairs of PNG files, by Pillow and `numpy` (PyPI).
pub fn pixel_differences(pairs: &[PathBuf]) -> Vec<Value> {
    let (ok, rows) = script("python3", "pixel_difference.py", &texts(pairs));
    assert!(ok, "{rows:?}");
    rows
}

/// Pages as Debian's chromium shows them and npm `axe-core` judges them: pairs of kind and address; see `browse.js`.
pub fn browse(pages: &[(&str, String)]) -> Vec<Value> {
    let arguments: Vec<String> = pages
        .iter()
        .flat_map(|(kind, address)| [(*kind).to_owned(), address.clone()])
        .collect();
    let (ok, rows) = script("node", "browse.js", &arguments);
    assert!(ok, "{rows:?}");
    rows
}

/// The npm package `bunny`: positions (no unit) and triangles of a scanned model.
pub fn bunny() -> (Vec<[f32; 3]>, Vec<[u32; 3]>) {
    let path = folder().join("node/node_modules/bunny/index.js");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let list = |name: &str| {
        let begin = text
            .find(name)
            .unwrap_or_else(|| panic!("no {name} in {}", path.display()));
        let rest = &text[begin + text[begin..].find('[').expect("a list follows its name")..];
        &rest[..rest.find("]]").expect("a list of lists ends") + 2]
    };
    let parsed = |name: &str| format!("{name} in {}", path.display());
    (
        serde_json::from_str(list("positions"))
            .unwrap_or_else(|error| panic!("{}: {error}", parsed("positions"))),
        serde_json::from_str(list("cells")).unwrap_or_else(|error| panic!("{}: {error}", parsed("cells"))),
    )
}

/// The names that the program `b3sum` gives to files.
pub fn b3sum(files: &[PathBuf]) -> Vec<String> {
    let own = folder().join("bin/b3sum");
    let program = if own.is_file() {
        own
    } else {
        PathBuf::from("b3sum")
    };
    let output = Command::new(&program)
        .arg("--no-names")
        .args(files)
        .output()
        .unwrap_or_else(|error| panic!("{}: {error}", program.display()));
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(str::to_owned)
        .collect()
}
