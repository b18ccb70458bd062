//! The many forms that one shape can take in glTF: all are read alike, and what is broken is refused with a reason.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde_json::{Value, json};
use tidemill_mesh::Mesh;
use tidemill_mesh::read::{ModelFile, Placement, ReadError, read_mesh, survey};

/// A document with one external buffer, `shape.bin`, put together step by step.
#[derive(Default)]
struct Draft {
    binary: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
}

impl Draft {
    fn view(&mut self, bytes: &[u8], stride: Option<usize>) -> usize {
        self.binary.resize(self.binary.len().next_multiple_of(4), 0);
        let mut view = json!({ "buffer": 0, "byteOffset": self.binary.len(), "byteLength": bytes.len() });
        if let Some(stride) = stride {
            view["byteStride"] = json!(stride);
        }
        self.binary.extend(bytes);
        self.views.push(view);
        self.views.len() - 1
    }

    fn accessor(&mut self, accessor: Value) -> usize {
        self.accessors.push(accessor);
        self.accessors.len() - 1
    }

    fn positions(&mut self, positions: &[[f32; 3]]) -> usize {
        let view = self.view(&bytes_of(positions.as_flattened()), None);
        self.accessor(position_accessor(json!(view), 0, positions.len()))
    }

    fn indices(&mut self, indices: &[u32], component: u32) -> usize {
        let width = match component {
            5121 => 1,
            5123 => 2,
            _ => 4,
        };
        let bytes: Vec<u8> = indices
            .iter()
            .flat_map(|index| index.to_le_bytes()[..width].to_vec())
            .collect();
        let view = self.view(&bytes, None);
        self.accessor(json!({ "bufferView": view, "componentType": component, "count": indices.len(), "type": "SCALAR" }))
    }

    fn document(&self, primitives: Value, nodes: Value) -> Value {
        json!({
            "asset": { "version": "2.0" },
            "scene": 0,
            "scenes": [{ "nodes": [0] }],
            "nodes": nodes,
            "meshes": [{ "primitives": primitives }],
            "materials": [{ "name": "old timber" }, {}, { "name": "untagged" }],
            "buffers": [{ "uri": "shape%20a.bin", "byteLength": self.binary.len() }],
            "bufferViews": self.views,
            "accessors": self.accessors,
        })
    }

    fn read(&self, document: &Value) -> Result<Mesh, ReadError> {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("anything");
        std::fs::write(&path, &self.binary).expect("a file");
        read_with(document, &BTreeMap::from([("shape a.bin".to_owned(), path)]))
    }
}

fn read_with(document: &Value, companions: &BTreeMap<String, PathBuf>) -> Result<Mesh, ReadError> {
    let bytes = document.to_string().into_bytes();
    read_mesh(
        &ModelFile {
            bytes: &bytes,
            extension: ".gltf",
            companions,
        },
        Placement::default(),
    )
}

fn bytes_of(numbers: &[f32]) -> Vec<u8> {
    numbers.iter().flat_map(|number| number.to_le_bytes()).collect()
}

fn position_accessor(view: Value, offset: usize, count: usize) -> Value {
    let mut accessor = json!({
        "byteOffset": offset, "componentType": 5126, "count": count, "type": "VEC3",
        "min": [-9.0, -9.0, -9.0], "max": [9.0, 9.0, 9.0],
    });
    if !view.is_null() {
        accessor["bufferView"] = view;
    }
    accessor
}

const SQUARE: [[f32; 3]; 4] = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]];

fn one_node() -> Value {
    json!([{ "mesh": 0 }])
}

fn check_square(mesh: &Mesh) {
    assert_eq!(mesh.positions.len(), 4, "{mesh:?}");
    assert!((mesh.area() - 1.0).abs() < 1e-12);
    for triangle in 0..2 {
        let [a, b, c] = mesh.corners(triangle);
        let turn = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
        assert!(turn > 0.0, "triangle {triangle} is turned over");
    }
}

#[test]
fn every_index_width_and_no_indices_at_all() {
    for component in [5121, 5123, 5125] {
        let mut draft = Draft::default();
        let positions = draft.positions(&SQUARE);
        let indices = draft.indices(&[0, 1, 2, 0, 2, 3], component);
        let primitives =
            json!([{ "attributes": { "POSITION": positions }, "indices": indices, "material": 0 }]);
        let mesh = draft
            .read(&draft.document(primitives, one_node()))
            .expect("sound");
        check_square(&mesh);
        assert_eq!(mesh.tags, ["old timber"]);
    }
    let mut draft = Draft::default();
    let positions = draft.positions(&[0, 1, 2, 0, 2, 3].map(|index| SQUARE[index]));
    let primitives = json!([{ "attributes": { "POSITION": positions } }]);
    check_square(
        &draft
            .read(&draft.document(primitives, one_node()))
            .expect("sound"),
    );
}

#[test]
fn strips_and_fans() {
    for (mode, order) in [(5, [0, 1, 3, 2]), (6, [0, 1, 2, 3])] {
        let mut draft = Draft::default();
        let positions = draft.positions(&SQUARE);
        let indices = draft.indices(&order, 5123);
        let primitives =
            json!([{ "attributes": { "POSITION": positions }, "indices": indices, "mode": mode }]);
        check_square(
            &draft
                .read(&draft.document(primitives, one_node()))
                .expect("sound"),
        );
    }
}

#[test]
fn interleaved_and_normalised_attributes() {
    let mut draft = Draft::default();
    let mut bytes = Vec::new();
    for position in SQUARE {
        bytes.extend(bytes_of(&position));
        // UV in normalised 16 bits: x as it is, y turned.
        bytes.extend(((position[0] * 65535.0) as u16).to_le_bytes());
        bytes.extend((((1.0 - position[1]) * 65535.0) as u16).to_le_bytes());
    }
    let view = draft.view(&bytes, Some(16));
    let positions = draft.accessor(position_accessor(json!(view), 0, 4));
    let uvs = draft.accessor(json!({
        "bufferView": view, "byteOffset": 12, "componentType": 5123, "normalized": true, "count": 4, "type": "VEC2",
    }));
    let indices = draft.indices(&[0, 1, 2, 0, 2, 3], 5121);
    let primitives = json!([{ "attributes": { "POSITION": positions, "TEXCOORD_0": uvs }, "indices": indices, "material": 1 }]);
    let mesh = draft
        .read(&draft.document(primitives, one_node()))
        .expect("sound");
    check_square(&mesh);
    assert_eq!(
        mesh.uvs.expect("it has UVs")[0],
        [[0.0, 1.0], [1.0, 1.0], [1.0, 0.0]]
    );
    assert_eq!(mesh.tags, ["material 1"]);
}

#[test]
fn sparse_positions_with_and_without_a_base() {
    for with_base in [true, false] {
        let mut draft = Draft::default();
        let base = if with_base {
            json!(draft.view(&bytes_of(&[0.0; 12]), None))
        } else {
            Value::Null
        };
        let at = draft.view(&[1, 0, 2, 0, 3, 0], None);
        let values = draft.view(&bytes_of(SQUARE[1..].as_flattened()), None);
        let mut accessor = position_accessor(base, 0, 4);
        accessor["sparse"] = json!({
            "count": 3,
            "indices": { "bufferView": at, "componentType": 5123 },
            "values": { "bufferView": values },
        });
        let positions = draft.accessor(accessor);
        let indices = draft.indices(&[0, 1, 2, 0, 2, 3], 5121);
        let primitives =
            json!([{ "attributes": { "POSITION": positions }, "indices": indices, "material": 2 }]);
        let mesh = draft
            .read(&draft.document(primitives, one_node()))
            .expect("sound");
        check_square(&mesh);
        assert!(mesh.tags.is_empty(), "the material `untagged` is no tag");
    }
}

#[test]
fn nodes_place_their_meshes_and_mirrors_keep_the_outside_out() {
    let mut draft = Draft::default();
    // A tetrahedron of volume 1/6.
    let corners = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let positions = draft.positions(&corners);
    let indices = draft.indices(&[0, 2, 1, 0, 1, 3, 0, 3, 2, 1, 2, 3], 5121);
    let primitives = json!([{ "attributes": { "POSITION": positions }, "indices": indices }]);
    let nodes = json!([
        { "children": [1, 2], "translation": [10.0, 0.0, 0.0] },
        { "mesh": 0, "scale": [2.0, 1.0, 1.0] },
        { "mesh": 0, "scale": [-1.0, 1.0, 1.0], "translation": [0.0, 5.0, 0.0] },
    ]);
    let document = draft.document(primitives, nodes);
    let mesh = draft.read(&document).expect("sound");
    assert!((mesh.volume() - 3.0 / 6.0).abs() < 1e-6, "{}", mesh.volume());
    let bounds = mesh.bounds().expect("it has triangles");
    assert_eq!((bounds.least, bounds.most), ([9.0, 0.0, 0.0], [12.0, 6.0, 1.0]));
    let facts = survey(document.to_string().as_bytes(), ".gltf").expect("sound");
    assert_eq!(
        (facts.triangles, facts.untagged, facts.companions),
        (8, 8, vec!["shape a.bin".to_owned()])
    );
}

fn problem(draft: &Draft, change: impl Fn(&mut Value)) -> String {
    let mut document = draft.document(
        json!([{ "attributes": { "POSITION": 0 }, "indices": 1 }]),
        one_node(),
    );
    change(&mut document);
    draft.read(&document).expect_err("broken").to_string()
}

#[test]
fn what_is_broken_is_told() {
    let mut draft = Draft::default();
    draft.positions(&SQUARE);
    draft.indices(&[0, 1, 9], 5121);
    assert!(problem(&draft, |_| {}).contains("vertex 9"));

    let mut draft = Draft::default();
    draft.positions(&SQUARE);
    draft.indices(&[0, 1, 2], 5121);
    let huge = problem(&draft, |document| {
        document["accessors"][0]["count"] = json!(4_000_000_000_u64)
    });
    assert!(huge.contains("more than the buffers have bytes"), "{huge}");
    let outside = problem(&draft, |document| {
        document["accessors"][0]["byteOffset"] = json!(16)
    });
    assert!(outside.contains("past the end"), "{outside}");
    let climbing = problem(&draft, |document| {
        document["buffers"][0]["uri"] = json!("../shape.bin")
    });
    assert!(climbing.contains("no file in the model's folder"), "{climbing}");
    let absent = problem(&draft, |document| {
        document["buffers"][0]["uri"] = json!("other.bin")
    });
    assert!(
        absent.contains("`other.bin`") && absent.contains("no such file"),
        "{absent}"
    );
    let loops = problem(&draft, |document| {
        document["nodes"] = json!([{ "mesh": 0, "children": [0] }])
    });
    assert!(loops.contains("twice"), "{loops}");
    let packed = problem(&draft, |document| {
        document["extensionsUsed"] = json!(["KHR_draco_mesh_compression"]);
        document["extensionsRequired"] = json!(["KHR_draco_mesh_compression"]);
    });
    assert!(packed.contains("KHR_draco_mesh_compression"), "{packed}");
    let old = problem(&draft, |document| document["asset"]["version"] = json!("1.0"));
    assert!(old.contains("version 1.0"), "{old}");
}
