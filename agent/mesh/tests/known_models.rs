//! Open models by others, with figures that others measured: `tests/data/obj` comes from the Debian package `assimp-testmodels` 5.2.5;
//! the figures are those of the Python package `trimesh` 5.2.0 on the same files.

use std::collections::BTreeMap;
use std::path::Path;

use tidemill_mesh::Mesh;
use tidemill_mesh::inspect::{MeshFigures, inspect_mesh};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh, survey};
use tidemill_mesh::write;

fn bytes(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/obj")
        .join(name);
    std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn parse(bytes: &[u8], extension: &str) -> Mesh {
    let file = ModelFile {
        bytes,
        extension,
        companions: &BTreeMap::new(),
    };
    read_mesh(&file, Placement::default()).expect("a sound model")
}

fn close(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= expected.abs() * 1e-6
}

fn tags(figures: &MeshFigures) -> Vec<(&str, u64)> {
    figures
        .tags
        .iter()
        .map(|(name, tag)| (name.as_str(), tag.triangles))
        .collect()
}

#[test]
fn the_cube_has_its_published_figures() {
    let figures = inspect_mesh(&parse(&bytes("cube_usemtl.obj"), ".obj"));
    assert_eq!(
        (figures.vertices, figures.triangles, figures.euler, figures.closed),
        (8, 12, 2, true)
    );
    assert!(
        close(figures.area, 6.0) && close(figures.volume, 1.0),
        "{figures:?}"
    );
    assert_eq!(tags(&figures), [("mtl", 6), ("mtl2", 4), ("mtl3", 2)]);
    let areas: Vec<f64> = figures.tags.values().map(|tag| tag.area).collect();
    assert!(
        areas
            .iter()
            .zip([3.0, 2.0, 1.0])
            .all(|(found, expected)| close(*found, expected)),
        "{areas:?}"
    );
}

#[test]
fn the_spider_has_its_published_figures() {
    let figures = inspect_mesh(&parse(&bytes("spider.obj"), ".obj"));
    assert_eq!(
        (figures.vertices, figures.triangles, figures.euler, figures.closed),
        (722, 1368, 82, false)
    );
    assert!(close(figures.area, 33275.8521), "{}", figures.area);
    assert_eq!(
        tags(&figures),
        [
            ("Augentex", 76),
            ("BeinTex", 952),
            ("HLeibTex", 80),
            ("Skin", 260)
        ]
    );
    let expected = [49.218076, 16085.587365, 10180.894859, 6960.151817];
    for (tag, expected) in figures.tags.values().zip(expected) {
        assert!(close(tag.area, expected), "{} instead of {expected}", tag.area);
    }
    assert_eq!(figures.untagged, 0);
    assert_eq!(figures.degenerate, 56);
}

#[test]
fn the_survey_finds_the_same_tags_and_the_library() {
    let facts = survey(&bytes("spider.obj"), ".obj").expect("a sound model");
    let expected = [
        ("Augentex", 76),
        ("BeinTex", 952),
        ("HLeibTex", 80),
        ("Skin", 260),
    ];
    assert_eq!(
        facts.tags,
        expected.map(|(name, count)| (name.to_owned(), count)).into()
    );
    assert_eq!((facts.triangles, facts.vertices, facts.untagged), (1368, 762, 0));
    assert_eq!(facts.companions, ["spider.mtl"]);
}

#[test]
fn both_written_formats_keep_every_figure() {
    for name in ["cube_usemtl.obj", "spider.obj"] {
        let mesh = parse(&bytes(name), ".obj");
        let before = inspect_mesh(&mesh);
        let glb = write::glb(&mesh, &[]).expect("a sound mesh");
        assert_eq!(
            glb,
            write::glb(&mesh, &[]).expect("a sound mesh"),
            "the same bytes each time"
        );
        for (written, extension) in [(glb, ".glb"), (write::obj(&mesh).into_bytes(), ".obj")] {
            let after = inspect_mesh(&parse(&written, extension));
            assert_eq!(tags(&after), tags(&before), "{name}{extension}");
            assert_eq!(
                (
                    after.triangles,
                    after.vertices,
                    after.euler,
                    after.closed,
                    after.components,
                    after.bounds
                ),
                (
                    before.triangles,
                    before.vertices,
                    before.euler,
                    before.closed,
                    before.components,
                    before.bounds
                ),
                "{name}{extension}"
            );
            assert!(close(after.area, before.area) && close(after.volume, before.volume));
        }
    }
}
