//! Damaged and hostile files end in an error or in a sound mesh: never in a panic, never in an endless loop.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

use proptest::prelude::*;
use tidemill_mesh::Map;
use tidemill_mesh::read::{ModelFile, Placement, read_mesh, survey};
use tidemill_mesh::write;

struct Sample {
    extension: &'static str,
    bytes: Vec<u8>,
}

static SAMPLES: LazyLock<Vec<Sample>> = LazyLock::new(|| {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/obj");
    let cube = std::fs::read(folder.join("cube_usemtl.obj")).expect("the cube");
    let file = ModelFile {
        bytes: &cube,
        extension: ".obj",
        companions: &BTreeMap::new(),
    };
    let mesh = read_mesh(&file, Placement::default()).expect("a sound cube");
    let glb = write::glb(&mesh, &[]).expect("a sound mesh");
    let text_ply = "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n\
        element face 2\nproperty list uchar int vertex_indices\nproperty uchar red\nproperty uchar green\n\
        property uchar blue\nend_header\n0 0 0\n1 0 0\n1 1 0\n0 1 0\n3 0 1 2 9 9 9\n4 0 1 2 3 1 2 3\n";
    let mut binary_ply =
        b"ply\nformat binary_big_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\n\
        property float z\nelement face 1\nproperty list uint ushort vertex_index\nend_header\n"
            .to_vec();
    for number in [0.0f32, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0] {
        binary_ply.extend(number.to_be_bytes());
    }
    binary_ply.extend(3u32.to_be_bytes());
    binary_ply.extend([0, 0, 0, 1, 0, 2]);
    // One triangle in a buffer inside the text, and a picture beside the file.
    let text_gltf = r#"{"asset":{"version":"2.0"},"scenes":[{"nodes":[0]}],"nodes":[{"mesh":0,"scale":[1,2,3]}],
        "meshes":[{"primitives":[{"attributes":{"POSITION":0},"material":0}]}],"materials":[{"name":"iron"}],
        "images":[{"uri":"iron.png"},{"bufferView":0,"mimeType":"image/png"}],
        "accessors":[{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3","min":[0,0,0],"max":[1,1,0]}],
        "bufferViews":[{"buffer":0,"byteLength":36}],"buffers":[{"byteLength":36,
        "uri":"data:application/octet-stream;base64,AAAAAAAAAAAAAAAAAACAPwAAAAAAAAAAAAAAAAAAgD8AAAAA"}]}"#;
    let samples = vec![
        Sample {
            extension: ".obj",
            bytes: cube,
        },
        Sample {
            extension: ".glb",
            bytes: glb,
        },
        Sample {
            extension: ".ply",
            bytes: text_ply.as_bytes().to_vec(),
        },
        Sample {
            extension: ".ply",
            bytes: binary_ply,
        },
        Sample {
            extension: ".gltf",
            bytes: text_gltf.as_bytes().to_vec(),
        },
    ];
    for sample in &samples {
        read(&sample.bytes, sample.extension).expect("sound before it is damaged");
    }
    samples
});

fn read(bytes: &[u8], extension: &str) -> Result<(), String> {
    let file = ModelFile {
        bytes,
        extension,
        companions: &BTreeMap::new(),
    };
    let surveyed = survey(bytes, extension);
    let mesh = read_mesh(&file, Placement::default()).map_err(|error| error.to_string())?;
    mesh.validate().expect("what was read is sound");
    surveyed.expect("what can be read can be surveyed");
    Ok(())
}

#[derive(Debug, Clone)]
enum Damage {
    Set(usize, u8),
    Remove(usize, usize),
    Repeat(usize, usize),
    Cut(usize),
}

fn damages() -> impl Strategy<Value = Vec<Damage>> {
    let one = prop_oneof![
        4 => (any::<usize>(), any::<u8>()).prop_map(|(at, byte)| Damage::Set(at, byte)),
        // Digits make other numbers, and so other counts and indices, without breaking the syntax.
        4 => (any::<usize>(), b'0'..=b'9').prop_map(|(at, byte)| Damage::Set(at, byte)),
        1 => (any::<usize>(), 1..40usize).prop_map(|(at, count)| Damage::Remove(at, count)),
        1 => (any::<usize>(), 1..40usize).prop_map(|(at, count)| Damage::Repeat(at, count)),
        1 => any::<usize>().prop_map(Damage::Cut),
    ];
    proptest::collection::vec(one, 1..6)
}

fn damaged(bytes: &[u8], damages: &[Damage]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for damage in damages {
        if bytes.is_empty() {
            break;
        }
        let length = bytes.len();
        match *damage {
            Damage::Set(at, byte) => bytes[at % length] = byte,
            Damage::Remove(at, count) => {
                let begin = at % length;
                bytes.drain(begin..(begin + count).min(length));
            }
            Damage::Repeat(at, count) => {
                let begin = at % length;
                let part = bytes[begin..(begin + count).min(length)].to_vec();
                bytes.splice(begin..begin, part);
            }
            Damage::Cut(at) => bytes.truncate(at % length),
        }
    }
    bytes
}

/// As many as `PROPTEST_CASES` says, for a long run by hand.
fn cases() -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|cases| cases.parse().ok())
        .unwrap_or(4000)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_models_never_panic(which in 0..5usize, damages in damages()) {
        let sample = &SAMPLES[which];
        // Either answer is right; a panic inside is the failure.
        let _ = read(&damaged(&sample.bytes, &damages), sample.extension);
    }

    #[test]
    fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400), which in 0..4usize) {
        let _ = read(&bytes, [".obj", ".glb", ".gltf", ".ply"][which]);
        let _ = Map::from_png(&bytes);
    }

    #[test]
    fn damaged_pictures_never_panic(damages in damages()) {
        let png = Map::filled(9, 7, &[1, 2, 3, 4], true).to_png().expect("a sound map");
        let _ = Map::from_png(&damaged(&png, &damages));
    }
}

#[test]
fn a_file_cut_anywhere_is_refused_or_smaller() {
    for sample in SAMPLES.iter() {
        for length in 0..sample.bytes.len() {
            let _ = read(&sample.bytes[..length], sample.extension);
        }
        assert!(read(&[], sample.extension).is_err());
    }
}
