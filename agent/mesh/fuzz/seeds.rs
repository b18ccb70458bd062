//! Sound files to begin with, all invented.

use serde_json::json;
use tidemill_mesh::Map;
use tidemill_mesh::map::Samples;

use super::Target;
use super::mutate::glb_of;

pub fn of(target: Target) -> Vec<Vec<u8>> {
    match target {
        Target::Obj => vec![OBJ.into(), OBJ_PARTS.into(), MTL.into()],
        Target::Ply => vec![PLY.into(), ply_binary(false), ply_binary(true)],
        Target::Gltf => gltf(),
        Target::Png => png(),
    }
}

const OBJ: &str = "# crate\nmtllib crate.mtl\no crate\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 0 0 1\nv 1 0 1\nv 1 1 1\nv 0 1 1\n\
    usemtl timber\nf 1 4 3 2\nf 5 6 7 8\nf 1 2 6 5\nusemtl iron\nf 3 4 8 7\nf 1 5 8 4\nf -7 -6 -2 -3\n";
const OBJ_PARTS: &str = "vt 0 0\nvt 1 0\nvt 1 1\nvn 0 0 1\nv 0 0 0\nv 2 0 0\nv 2 1 0\nv 1 0.3 0\nv 0 1 0\ng a\ns 1\nusemtl old  timber\n\
    f 1/1/1 2/2/1 3/3/1 4/1/1 5//1\nf 1/1 2/2 \\\n 3/3\r\nl 1 2\np 1\n";
const MTL: &str = "newmtl timber\nKd 0.5 0.4 0.3\nmap_Kd -s 1 1 1 -clamp on grain of wood.png\nnewmtl iron\nmap_Bump -bm 0.5 rust.png\nrefl -type sphere sky.png\n";
const PLY: &str = "ply\nformat ascii 1.0\ncomment tag 3 old timber\nelement vertex 5\nproperty float x\nproperty float y\nproperty float z\n\
    property float nx\nproperty float ny\nproperty float nz\nproperty float s\nproperty float t\nelement edge 1\nproperty int a\nproperty list uchar int b\n\
    element face 2\nproperty list uchar int vertex_indices\nproperty uchar tag\nend_header\n\
    0 0 0 0 0 1 0 0\n1 0 0 0 0 1 1 0\n1 1 0 0 0 1 1 1\n0 1 0 0 0 1 0 1\n0.5 0.2 0 0 0 1 0 0\n7 2 1 2\n5 0 4 1 2 3 3\n3 0 1 4 9\n";

fn ply_binary(big: bool) -> Vec<u8> {
    let format = if big { "big" } else { "little" };
    let mut file = format!(
        "ply\nformat binary_{format}_endian 1.0\nelement vertex 4\nproperty float x\nproperty double y\nproperty short z\n\
         element face 2\nproperty list uint ushort vertex_index\nproperty uchar red\nproperty uchar green\nproperty uchar blue\nend_header\n"
    )
    .into_bytes();
    let mut put = |mut bytes: Vec<u8>| {
        if big {
            bytes.reverse();
        }
        file.extend(bytes);
    };
    for (x, y, z) in [
        (0.0f32, 0.0f64, 0i16),
        (1.0, 0.0, 0),
        (1.0, 1.0, 0),
        (0.0, 1.0, 2),
    ] {
        put(x.to_le_bytes().into());
        put(y.to_le_bytes().into());
        put(z.to_le_bytes().into());
    }
    for corners in [vec![0u16, 1, 2], vec![0, 1, 2, 3]] {
        put((corners.len() as u32).to_le_bytes().into());
        corners.iter().for_each(|corner| put(corner.to_le_bytes().into()));
        [1u8, 2, 3].into_iter().for_each(|part| put(vec![part]));
    }
    file
}

fn gltf() -> Vec<Vec<u8>> {
    let mut buffer = Vec::new();
    for place in [
        [0.0f32, 0.0, 0.0],
        [1.0, 0.0, 0.0],
        [1.0, 1.0, 0.0],
        [0.0, 1.0, 0.5],
    ] {
        // Place, normal and UV after each other, 32 bytes a vertex.
        place
            .iter()
            .chain(&[0.0, 0.0, 1.0])
            .chain(&place[..2])
            .for_each(|number| buffer.extend(number.to_le_bytes()));
    }
    [0u16, 1, 2, 0, 2, 3]
        .iter()
        .for_each(|index| buffer.extend(index.to_le_bytes()));
    buffer.extend([1, 0, 0, 0]);
    buffer.extend([0; 12]);
    let whole = json!({
        "asset": { "version": "2.0" }, "scene": 0, "scenes": [{ "nodes": [0, 2] }],
        "nodes": [
            { "children": [1], "scale": [1, -2, 1] }, { "mesh": 0, "rotation": [0, 0.6, 0, 0.8] },
            { "mesh": 0, "matrix": [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 3, 0, 0, 1] },
        ],
        "meshes": [{ "primitives": [
            { "attributes": { "POSITION": 0, "NORMAL": 1, "TEXCOORD_0": 2 }, "indices": 3, "material": 0 },
            { "attributes": { "POSITION": 4 }, "mode": 5, "material": 1 },
        ] }],
        "materials": [{ "name": "timber" }, {}],
        "images": [{ "uri": "timber.png" }], "textures": [{ "source": 0 }],
        "accessors": [
            { "bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0.5] },
            { "bufferView": 0, "byteOffset": 12, "componentType": 5126, "count": 4, "type": "VEC3" },
            { "bufferView": 0, "byteOffset": 24, "componentType": 5126, "count": 4, "type": "VEC2" },
            { "bufferView": 1, "componentType": 5123, "count": 6, "type": "SCALAR" },
            { "bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0.5],
              "sparse": { "count": 1, "indices": { "bufferView": 2, "componentType": 5121 }, "values": { "bufferView": 3 } } },
        ],
        "bufferViews": [
            { "buffer": 0, "byteLength": 128, "byteStride": 32 }, { "buffer": 0, "byteOffset": 128, "byteLength": 12 },
            { "buffer": 0, "byteOffset": 140, "byteLength": 1 }, { "buffer": 0, "byteOffset": 144, "byteLength": 12 },
        ],
        "buffers": [{ "byteLength": buffer.len() }],
    });
    let inside = json!({
        "asset": { "version": "2.0" }, "nodes": [{ "mesh": 0 }],
        "meshes": [{ "primitives": [{ "attributes": { "POSITION": 0 } }] }],
        "accessors": [{ "bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0] }],
        "bufferViews": [{ "buffer": 0, "byteLength": 36 }],
        "buffers": [{ "byteLength": 36, "uri": "data:application/octet-stream;base64,AAAAAAAAAAAAAAAAAACAPwAAAAAAAAAAAAAAAAAAgD8AAAAA" }],
    });
    vec![
        glb_of(&whole, Some(&buffer)),
        glb_of(&inside, None),
        inside.to_string().into_bytes(),
    ]
}

fn png() -> Vec<Vec<u8>> {
    let mut maps = Vec::new();
    for channels in 1..=4u8 {
        let count = 7 * 5 * usize::from(channels);
        let eight = Samples::Eight((0..count).map(|sample| (sample * 37) as u8).collect());
        let sixteen = Samples::Sixteen((0..count).map(|sample| (sample * 9973) as u16).collect());
        for data in [eight, sixteen] {
            let map = Map {
                width: 7,
                height: 5,
                channels,
                data,
                srgb: channels == 3,
            };
            maps.extend(map.to_png());
        }
    }
    maps
}
