//! Files that must be refused, and what the refusal says.

use serde_json::json;

use super::Odd;
use super::Outcome::Refused;
use super::encode::{Bytes, Carries, Gltf, gltf, obj, ply};
use super::shapes::{Shape, bollard, cuboid, sheet};

const SQUARE: &str = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n";
const PLY_HEAD: &str =
    "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n";

fn square(rest: &str) -> String {
    format!("{SQUARE}{rest}\n")
}

pub fn table() -> Vec<Odd> {
    text_files()
        .into_iter()
        .chain(ply_files())
        .chain(gltf_files())
        .chain(glb_files())
        .collect()
}

fn text_files() -> Vec<Odd> {
    let odd = |name, text: String, says| Odd::new(name, ".obj", text, Refused(says));
    let whole = obj(&bollard());
    let corners: Vec<String> = (0..5000).map(|corner| (corner % 4 + 1).to_string()).collect();
    let materials: String = (0..70_000)
        .map(|number| format!("usemtl m{number}\nf 1 2 3\n"))
        .collect();
    let mut with_zero = whole.clone().into_bytes();
    with_zero[100] = 0;
    vec![
        odd("obj empty", String::new(), "no triangles"),
        odd("obj of comments", "# nothing here\n".repeat(1000), "no triangles"),
        odd(
            "obj of points",
            "v 1 2 3\n".repeat(500) + "p 1 2 3\n",
            "no triangles",
        ),
        odd("obj of lines", square("l 1 2 3 4"), "no triangles"),
        odd(
            "obj not a number",
            square("v nan 0 0"),
            "line 5: x of the vertex is `nan`, which is not finite",
        ),
        odd(
            "obj infinite",
            square("v 0 -inf 0"),
            "line 5: y of the vertex is `-inf`, which is not finite",
        ),
        odd(
            "obj beyond single precision",
            square("v 0 0 1e39"),
            "z of the vertex is `1e39`, which is not finite",
        ),
        odd(
            "obj one giant index",
            square("f 1 2 4000000000"),
            "line 5: the corner `4000000000` uses index 4000000000",
        ),
        odd(
            "obj index beyond 64 bits",
            square("f 1 2 99999999999999999999"),
            "which is no index",
        ),
        odd("obj index zero", square("f 0 1 2"), "uses index 0"),
        odd("obj too far from the end", square("f -1 -2 -5"), "uses index -5"),
        odd(
            "obj least index",
            square("f 1 2 -9223372036854775808"),
            "uses index -9223372036854775808",
        ),
        odd("obj face of two corners", square("f 1 2"), "a face of 2 corners"),
        odd(
            "obj corner of four parts",
            square("f 1///1 2 3"),
            "more than three parts",
        ),
        odd(
            "obj cut within a vertex",
            whole[..whole.find("v 0.15").expect("a ring") + 8].to_owned(),
            "is missing",
        ),
        odd(
            "obj of 5000 corners",
            square(&format!("f {}", corners.join(" "))),
            "more than 4096 corners",
        ),
        odd(
            "obj of 70000 materials",
            square(&materials),
            "more than 65535 materials",
        ),
        Odd::new(
            "obj with a zero byte",
            ".obj",
            with_zero,
            Refused("byte 100: a zero byte"),
        ),
        Odd::new(
            "obj in UTF-16",
            ".obj",
            [0xFF, 0xFE, b'v', 0, b' ', 0],
            Refused("save it as UTF-8"),
        ),
        Odd::new(
            "obj that is a glb",
            ".obj",
            gltf(&bollard()).glb(),
            Refused("no text file"),
        ),
        Odd::new(
            "stl",
            ".stl",
            "solid prop\nendsolid\n",
            Refused("`.stl` is no mesh format"),
        ),
    ]
}

fn ply_files() -> Vec<Odd> {
    let odd = |name, bytes: Vec<u8>, says| Odd::new(name, ".ply", bytes, Refused(says));
    let with = |rest: &str| format!("{PLY_HEAD}{rest}").into_bytes();
    let faces = "element face 1\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n1 0 0\n0 1 0\n";
    let [text, little, big] =
        [Bytes::Text, Bytes::Little, Bytes::Big].map(|bytes| ply(&bollard(), bytes, Carries::Tag));
    let cut = |file: &[u8], left: usize| file[..file.len() - left].to_vec();
    vec![
        odd("ply empty", Vec::new(), "the file ends before `end_header`"),
        odd("ply cut in its header", text[..60].to_vec(), "the file ends before `end_header`"),
        odd("ply cut text", cut(&text, 40), "cut short"),
        odd("ply cut little", cut(&little, 3), "cut short"),
        odd("ply cut big", cut(&big, 3), "cut short"),
        odd("ply without format", b"ply\nelement vertex 1\nend_header\n".to_vec(), "names no format"),
        odd("ply with a count of words", b"ply\nformat ascii 1.0\nelement vertex many\n".to_vec(), "no count"),
        odd(
            "ply with 2^64 - 1 vertices",
            b"ply\nformat binary_little_endian 1.0\nelement vertex 18446744073709551615\nproperty float x\nend_header\n1234".to_vec(),
            "need the properties x, y and z",
        ),
        odd("ply with a list of 4 thousand million", with("element face 1\nproperty list uint int vertex_indices\nend_header\n0 0 0\n1 0 0\n0 1 0\n4000000000 1"), "a list of 4000000000 numbers"),
        odd("ply with a list of less than nothing", with("element face 1\nproperty list char int vertex_indices\nend_header\n0 0 0\n1 0 0\n0 1 0\n-3 0 1 2"), "a list of -3 numbers"),
        odd("ply not a number", with("end_header\n0 0 0\n1 nan 0\n0 1 0\n"), "vertex 1 are not all finite"),
        odd("ply index of one and a half", with(&format!("{faces}3 0 1 1.5\n")), "vertex 1.5"),
        odd("ply index below nothing", with(&format!("{faces}3 0 1 -1\n")), "vertex -1"),
        odd("ply index beyond the end", with(&format!("{faces}3 0 1 3\n")), "vertex 3, but there are 3"),
        odd("ply face of two corners", with(&format!("{faces}2 0 1\n")), "a face of 2 corners"),
        odd("ply faces before vertices", b"ply\nformat ascii 1.0\nelement face 1\nproperty list uchar int vertex_indices\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nend_header\n3 0 1 2\n0 0 0\n1 0 0\n0 1 0\n".to_vec(), "there are 0 vertices"),
        odd("ply of points", with("end_header\n0 0 0\n1 0 0\n0 1 0\n"), "no triangles"),
        odd("ply of strips", with("element tristrips 1\nproperty list int int vertex_indices\nend_header\n"), "triangle strips"),
        odd("ply with an unknown type", with("element face 1\nproperty list uchar quad vertex_indices\nend_header\n"), "`quad` is no type"),
    ]
}

fn dock() -> Gltf {
    gltf(&cuboid([0.0; 3], [1.0; 3], "timber"))
}

fn gltf_files() -> Vec<Odd> {
    let glb = |name, document: Gltf, says| Odd::new(name, ".glb", document.glb(), Refused(says));
    let chain = |links: usize| {
        let nodes: Vec<_> = (0..links)
            .map(|node| {
                if node + 1 < links {
                    json!({ "children": [node + 1] })
                } else {
                    json!({ "mesh": 0 })
                }
            })
            .collect();
        dock().set("/nodes", json!(nodes))
    };
    let mut not_a_number = dock();
    not_a_number.buffer[4..8].copy_from_slice(&f32::NAN.to_le_bytes());
    let mut too_far = dock();
    let last = too_far.buffer.len() - 4;
    too_far.buffer[last..].copy_from_slice(&8u32.to_le_bytes());
    // Many nodes showing one large mesh: more triangles than the file could ever hold.
    let crowd = gltf(&sheet(60))
        .set("/nodes", json!(vec![json!({ "mesh": 0 }); 20_000]))
        .set("/scenes/0/nodes", json!((0..20_000).collect::<Vec<_>>()));
    let vertices = crowd.clone().set("/accessors/1/count", json!(3));
    let sparse = |index: u8| {
        let mut document = dock();
        let begin = document.buffer.len();
        document.buffer.extend([index, 0, 0, 0]);
        document.buffer.extend([0; 12]);
        let views = document.json["bufferViews"].as_array_mut().expect("views");
        views.push(json!({ "buffer": 0, "byteOffset": begin, "byteLength": 1 }));
        views.push(json!({ "buffer": 0, "byteOffset": begin + 4, "byteLength": 12 }));
        let length = document.buffer.len();
        let places = json!({ "count": 1, "indices": { "bufferView": 2, "componentType": 5121 }, "values": { "bufferView": 3 } });
        document
            .set("/buffers/0/byteLength", json!(length))
            .add("/accessors/0", "sparse", places)
    };
    vec![
        glb(
            "gltf cyclic nodes",
            dock().set(
                "/nodes",
                json!([{ "children": [1] }, { "children": [0], "mesh": 0 }]),
            ),
            "hangs in the scene twice",
        ),
        glb(
            "gltf node of two parents",
            dock().set("/nodes", json!([{ "children": [1, 1] }, { "mesh": 0 }])),
            "hangs in the scene twice",
        ),
        glb("gltf 1000 levels deep", chain(1000), "levels deep"),
        glb(
            "gltf without nodes",
            dock().set("/scenes/0/nodes", json!([])).set("/nodes", json!([])),
            "",
        ),
        glb(
            "gltf mesh that is not there",
            dock().set("/nodes", json!([{ "mesh": 5 }])),
            "no sound glTF",
        ),
        glb(
            "gltf accessor that is not there",
            dock().set("/meshes/0/primitives/0/attributes", json!({ "POSITION": 99 })),
            "accessor 99",
        ),
        glb(
            "gltf accessor past its buffer",
            dock().set("/accessors/0/count", json!(20)),
            "past the end of its buffer",
        ),
        glb(
            "gltf 4 thousand million zeros",
            sparse(0).set("/accessors/0/count", json!(4_000_000_000_u64)),
            "more than the buffers have bytes",
        ),
        glb(
            "gltf view past its buffer",
            dock().set("/bufferViews/0/byteOffset", json!(4_000_000)),
            "past the end of its buffer",
        ),
        glb(
            "gltf view that overflows",
            dock().set("/bufferViews/0/byteOffset", json!(u64::MAX)),
            "past the end of its buffer",
        ),
        glb(
            "gltf stride of four",
            dock().add("/bufferViews/0", "byteStride", json!(4)),
            "its elements overlap",
        ),
        glb("gltf index beyond the vertices", too_far, "uses vertex 8"),
        glb(
            "gltf indices of the largest number",
            {
                let mut document = dock();
                let begin = document.buffer.len() - 4;
                document.buffer[begin..].copy_from_slice(&u32::MAX.to_le_bytes());
                document
            },
            "uses vertex 4294967295",
        ),
        glb(
            "gltf sparse index beyond the end",
            sparse(8),
            "a sparse index is too large",
        ),
        glb("gltf not a number", not_a_number, "not a number"),
        glb(
            "gltf infinitely scaled",
            dock()
                .add("/nodes/0", "scale", json!([3e38, 3e38, 3e38]))
                .set("/accessors/0/max", json!([1, 1, 1]))
                .add("/nodes/0", "translation", json!([3e38, 0, 0])),
            "infinite",
        ),
        glb(
            "gltf of lines",
            dock().add("/meshes/0/primitives/0", "mode", json!(1)),
            "no triangles",
        ),
        glb("gltf too many instances", crowd, "by showing one mesh many times"),
        glb(
            "gltf too many instances of vertices",
            vertices,
            "by showing one mesh many times",
        ),
        glb(
            "gltf version 1",
            dock().set("/asset/version", json!("1.0")),
            "only version 2",
        ),
        glb(
            "gltf compressed",
            dock()
                .add("", "extensionsRequired", json!(["KHR_draco_mesh_compression"]))
                .add("", "extensionsUsed", json!(["KHR_draco_mesh_compression"])),
            "KHR_draco_mesh_compression",
        ),
        Odd::new("gltf empty", ".gltf", "", Refused("no sound glTF")),
        Odd::new("gltf empty object", ".gltf", "{}", Refused("no sound glTF")),
        Odd::new(
            "gltf nested a million deep",
            ".gltf",
            "[".repeat(1_000_000),
            Refused("no sound glTF"),
        ),
        Odd::new(
            "gltf without its buffer",
            ".gltf",
            dock().beside("prop.bin").text(),
            Refused("`prop.bin`: there is no such file"),
        ),
        Odd::new(
            "gltf with half its buffer",
            ".gltf",
            dock().beside("prop.bin").text(),
            Refused("buffer 0 says"),
        )
        .beside("prop.bin", dock().buffer[..50].to_vec()),
        Odd::new(
            "gltf that climbs out",
            ".gltf",
            dock().beside("../../prop.bin").text(),
            Refused("no file in the model's folder"),
        ),
        Odd::new(
            "gltf with broken base64",
            ".gltf",
            dock().beside("data:application/octet-stream;base64,@@@@").text(),
            Refused("base64"),
        ),
        Odd::new(
            "gltf without any buffer",
            ".gltf",
            dock().text(),
            Refused("no binary chunk"),
        ),
    ]
}

fn glb_files() -> Vec<Odd> {
    let whole = dock().glb();
    let changed = |at: usize, bytes: &[u8]| {
        let mut file = whole.clone();
        file[at..at + bytes.len()].copy_from_slice(bytes);
        file
    };
    let odd = |name, bytes: Vec<u8>, says| Odd::new(name, ".glb", bytes, Refused(says));
    vec![
        odd("glb of four bytes", whole[..4].to_vec(), "ends in its header"),
        odd("glb cut short", whole[..whole.len() - 7].to_vec(), "cut short"),
        odd("glb version 1", changed(4, &[1]), "GLB version 1"),
        odd("glb binary first", changed(16, b"BIN\0"), "not JSON"),
        odd("glb endless chunk", changed(12, &[0xFF; 4]), "goes past the end"),
        odd(
            "glb of a triangle without faces",
            gltf(&Shape {
                places: vec![[0.0; 3]; 3],
                ..Shape::default()
            })
            .glb(),
            "",
        ),
    ]
}
