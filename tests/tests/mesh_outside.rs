//! Reduced meshes against an independent reducer and an independent measure of distance.

use std::path::PathBuf;

use tidemill_mesh::mesh::UNTAGGED;
use tidemill_mesh::operations::simplify::{Goal, simplify};
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

/// Source: PyPI `fast-simplification` 0.2.0 reduces, PyPI `libigl` 2.6.3 measures.
#[test]
fn a_tenth_of_a_scanned_model_strays_no_farther_than_an_independent_reduction() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let save = |name: &str, mesh: &Mesh| -> PathBuf {
        let path = folder.path().join(name);
        std::fs::write(&path, write::obj(mesh)).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        path
    };
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
