//! Reduced meshes against an independent reducer, an independent measure of distance, and independent winding numbers.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use tidemill_mesh::mesh::UNTAGGED;
use tidemill_mesh::operations::remesh::{Edges, remesh_with};
use tidemill_mesh::operations::simplify::{Goal, simplify};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh};
use tidemill_mesh::{Mesh, write};
use tidemill_tests::outside;

/// How much farther than the other reducer we may stray.
const MOST_RATIO: f64 = 1.05;

fn scanned() -> Mesh {
    let (positions, triangles) = outside::bunny();
    Mesh {
        face_tags: vec![UNTAGGED; triangles.len()],
        positions,
        triangles,
        ..Mesh::default()
    }
}

fn saved(folder: &Path, name: &str, mesh: &Mesh) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, write::obj(mesh)).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    path
}

/// Source: PyPI `fast-simplification` 0.2.0 reduces, PyPI `libigl` 2.6.3 measures.
#[test]
fn a_tenth_of_a_scanned_model_strays_no_farther_than_an_independent_reduction() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let save = |name: &str, mesh: &Mesh| saved(folder.path(), name, mesh);
    let high = scanned();
    let low = simplify(&high, Goal::Ratio(0.1)).expect("a budget in reach").mesh;
    let rows = outside::compare_reductions(&save("high.obj", &high), &[save("low.obj", &low)]);
    let row = &rows[0];
    println!("{row}");
    let number = |name: &str| row[name].as_f64().unwrap_or_else(|| panic!("no {name} in {row}"));
    assert_eq!(row["faces"], high.triangles.len() / 10 / 2 * 2, "{row}");
    assert!(number("faces_other") >= number("faces"), "{row}");
    assert!(
        number("hausdorff") <= MOST_RATIO * number("hausdorff_other"),
        "{row}"
    );
    assert!(number("mean") <= MOST_RATIO * number("mean_other"), "{row}");
}

/// A crate of the demo, rebuilt as its recipe does it.
fn crate_of_the_demo() -> Mesh {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../client/demo/harbour/base/crate-large.obj");
    let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let file = ModelFile {
        bytes: &bytes,
        extension: ".obj",
        companions: &BTreeMap::new(),
    };
    let mesh = read_mesh(&file, Placement::default()).expect("a model of ours");
    remesh_with(&mesh, 0.01, Edges::Keep).expect("a closed surface")
}

/// Source: PyPI `libigl` 2.6.3, generalized winding numbers of all faces of the reduced mesh.
#[test]
fn budgets_of_the_demo_fold_nothing_and_what_coarser_ones_fold_is_told() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let high = crate_of_the_demo();
    let (mut files, mut told) = (Vec::new(), Vec::new());
    // The first two are those of the demo.
    for budget in [4500, 1200, 400, 200, 100] {
        let low = simplify(&high, Goal::Triangles(budget)).expect("a budget in reach");
        files.push(saved(folder.path(), &format!("{budget}.obj"), &low.mesh));
        told.push(low.folded());
    }
    let rows = outside::measure_folds(&files);
    println!("{told:?} {rows:#?}");
    for (row, told) in rows.iter().zip(&told) {
        let theirs = row["folded"]
            .as_f64()
            .unwrap_or_else(|| panic!("no figure in {row}"));
        match told {
            // Of places that lie just where three faces meet, the two may round to different sides.
            Some(ours) => assert!((ours - theirs).abs() < 0.005, "{ours}: {row}"),
            // Slivers of no width to speak of have no side.
            None => assert!(theirs < 1e-4, "not told: {row}"),
        }
        assert!(theirs < 0.05, "{row}");
    }
    assert!(told[..2].iter().all(Option::is_none), "{told:?}");
}
