//! Changes that know the format: numbers of text files, members of JSON, chunks whose lengths and sums still fit.

use serde_json::{Value, json};

use super::Target;
use super::random::Random;

const NUMBERS: [&str; 22] = [
    "0",
    "-0",
    "1",
    "-1",
    "2",
    "3",
    "4",
    "7",
    "255",
    "256",
    "65535",
    "65536",
    "2147483647",
    "-2147483648",
    "4294967295",
    "4294967296",
    "18446744073709551615",
    "1e39",
    "-1e-40",
    "nan",
    "inf",
    "0.5",
];
const OBJ_WORDS: [&str; 14] = [
    "v", "vt", "vn", "f", "usemtl", "mtllib", "g", "\\", "#", "1//1", "1/1", "-1/-1/-1", "map_Kd", "-s",
];
const PLY_WORDS: [&str; 22] = [
    "ply",
    "format",
    "ascii",
    "binary_little_endian",
    "binary_big_endian",
    "element",
    "vertex",
    "face",
    "property",
    "list",
    "uchar",
    "char",
    "ushort",
    "short",
    "uint",
    "int",
    "float",
    "double",
    "vertex_indices",
    "tag",
    "end_header",
    "comment",
];

pub fn mutated(target: Target, file: &[u8], other: &[u8], random: &mut Random) -> Vec<u8> {
    if random.below(6) == 0 {
        return bytes(file, other, random);
    }
    match target {
        Target::Obj => words(file, file.len(), &OBJ_WORDS, random),
        Target::Ply => {
            let head = file
                .windows(10)
                .position(|ten| ten == b"end_header")
                .map_or(file.len(), |at| at + 11);
            if random.below(2) == 0 && head < file.len() {
                let mut whole = file[..head].to_vec();
                whole.extend(bytes(&file[head..], other, random));
                whole
            } else {
                words(file, head.min(file.len()), &PLY_WORDS, random)
            }
        }
        Target::Gltf => gltf(file, random),
        Target::Png => png(file, random),
    }
}

fn bytes(file: &[u8], other: &[u8], random: &mut Random) -> Vec<u8> {
    let mut file = file.to_vec();
    let at = random.below(file.len() + 1);
    let end = (at + 1 + random.below(40)).min(file.len());
    match random.below(7) {
        0 => file.truncate(at),
        1 => drop(file.drain(at.min(end)..end)),
        2 => {
            let part = file[at.min(end)..end].to_vec();
            file.splice(at..at, part);
        }
        3 if at < file.len() => file[at] ^= 1 << random.below(8),
        4 if at < file.len() => file[at] = random.next() as u8,
        5 if at + 4 <= file.len() => {
            let number = *random.pick(&[
                0u32,
                1,
                255,
                65536,
                0x7F80_0000,
                0x7FC0_0000,
                u32::MAX,
                0x8000_0000,
            ]);
            file[at..at + 4].copy_from_slice(&number.to_le_bytes());
        }
        _ => {
            let from = random.below(other.len() + 1);
            let to = (from + random.below(200)).min(other.len());
            file.splice(at..at, other[from..to].iter().copied());
        }
    }
    file
}

/// Changes a word or a line of the text before `end`; what lies behind stays.
fn words(file: &[u8], end: usize, known: &[&str], random: &mut Random) -> Vec<u8> {
    let mut lines: Vec<Vec<u8>> = file[..end]
        .split_inclusive(|byte| *byte == b'\n')
        .map(<[u8]>::to_vec)
        .collect();
    if lines.is_empty() {
        return file.to_vec();
    }
    let place = random.below(lines.len());
    match random.below(8) {
        0 => drop(lines.remove(place)),
        1 => {
            let line = lines[place].clone();
            let most = if random.below(20) == 0 { 300 } else { 3 };
            let times = 1 + random.below(most);
            lines.splice(place..place, std::iter::repeat_n(line, times));
        }
        2 => {
            let other = random.below(lines.len());
            lines.swap(place, other);
        }
        choice => {
            let line = &lines[place];
            let mut parts: Vec<Vec<u8>> = line.split(|byte| *byte == b' ').map(<[u8]>::to_vec).collect();
            let which = random.below(parts.len());
            let ends = parts[which].ends_with(b"\n");
            let mut word = match choice {
                3 => random.pick(known).as_bytes().to_vec(),
                4 => parts[random.below(parts.len())].clone(),
                5 => {
                    let many = 1 + random.below(60);
                    vec![random.pick(&NUMBERS).as_bytes().to_vec(); many].join(&b' ')
                }
                6 => random.below(12).to_string().into_bytes(),
                _ => random.pick(&NUMBERS).as_bytes().to_vec(),
            };
            word.retain(|byte| *byte != b'\n');
            if ends {
                word.push(b'\n');
            }
            parts[which] = word;
            lines[place] = parts.join(&b' ');
        }
    }
    let mut whole = lines.concat();
    whole.extend(&file[end..]);
    whole
}

/// A GLB file with right lengths.
pub fn glb_of(document: &Value, binary: Option<&[u8]>) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut file = b"glTF\x02\0\0\0\0\0\0\0".to_vec();
    let mut chunk = |kind: &[u8], data: &[u8]| {
        file.extend((data.len() as u32).to_le_bytes());
        file.extend(kind);
        file.extend(data);
    };
    chunk(b"JSON", &text);
    if let Some(binary) = binary {
        let mut binary = binary.to_vec();
        binary.resize(binary.len().next_multiple_of(4), 0);
        chunk(b"BIN\0", &binary);
    }
    let length = file.len() as u32;
    file[8..12].copy_from_slice(&length.to_le_bytes());
    file
}

fn gltf(file: &[u8], random: &mut Random) -> Vec<u8> {
    let is_glb = file.starts_with(b"glTF");
    let length = |at: usize| {
        file.get(at..at + 4)
            .map(|four| u32::from_le_bytes([four[0], four[1], four[2], four[3]]) as usize)
    };
    let text_end = if is_glb {
        length(12).map_or(0, |length| length.saturating_add(20))
    } else {
        file.len()
    };
    let text = file.get(if is_glb { 20 } else { 0 }..text_end);
    let Some(mut document) = text.and_then(|text| serde_json::from_slice::<Value>(text).ok()) else {
        return bytes(file, file, random);
    };
    let binary = file.get(text_end + 8..).filter(|_| is_glb).map(<[u8]>::to_vec);
    let binary = binary.map(|binary| {
        if random.below(4) == 0 {
            bytes(&binary, file, random)
        } else {
            binary
        }
    });
    let count = nodes(&document);
    let mut place = random.below(count);
    change(&mut document, &mut place, random);
    if is_glb {
        glb_of(&document, binary.as_deref())
    } else {
        document.to_string().into_bytes()
    }
}

/// Values in a document, itself among them.
fn nodes(value: &Value) -> usize {
    1 + match value {
        Value::Array(values) => values.iter().map(nodes).sum(),
        Value::Object(members) => members.values().map(nodes).sum(),
        _ => 0,
    }
}

/// Changes the value that is `place` steps into the document.
fn change(value: &mut Value, place: &mut usize, random: &mut Random) -> bool {
    if *place == 0 {
        replace(value, random);
        return true;
    }
    *place -= 1;
    match value {
        Value::Array(values) => values.iter_mut().any(|value| change(value, place, random)),
        Value::Object(members) => members.values_mut().any(|value| change(value, place, random)),
        _ => false,
    }
}

fn replace(value: &mut Value, random: &mut Random) {
    match (value, random.below(5)) {
        (Value::Array(values), 0..=2) if !values.is_empty() => {
            let at = random.below(values.len());
            let times = if random.below(10) == 0 { 200 } else { 1 };
            match random.below(2) {
                0 => drop(values.remove(at)),
                _ => values.extend(vec![values[at].clone(); times]),
            }
        }
        (Value::Object(members), 0..=2) if !members.is_empty() => {
            let names: Vec<String> = members.keys().cloned().collect();
            let from = random.pick(&names).clone();
            let Some(taken) = members.remove(&from) else {
                return;
            };
            if random.below(3) == 0 {
                members.insert(random.pick(&names).clone(), taken);
            }
        }
        (Value::Number(number), 0..=2) => {
            let old = number.as_f64().unwrap_or(0.0);
            let near = [old + 1.0, old - 1.0, old * 2.0, old * 1.0e30, -old];
            let pick = *random.pick(&near);
            if pick.fract() == 0.0 && (0.0..9.0e15).contains(&pick) {
                *number = (pick as u64).into();
            } else if let Some(other) = serde_json::Number::from_f64(pick) {
                *number = other;
            }
        }
        (value, _) => {
            *value = random
                .pick(&[
                    json!(0),
                    json!(1),
                    json!(2),
                    json!(3),
                    json!(-1),
                    json!(4_294_967_295_u64),
                    json!(u64::MAX),
                    json!(1.0e300),
                    json!(5120),
                    json!(5121),
                    json!(5123),
                    json!(5125),
                    json!(5126),
                    json!("SCALAR"),
                    json!("VEC2"),
                    json!("VEC3"),
                    json!("MAT4"),
                    json!(""),
                    json!("a.bin"),
                    json!("../a"),
                    json!("data:;base64,AAAA"),
                    json!(null),
                    json!(true),
                    json!([]),
                    json!({}),
                    json!([0]),
                    json!([0, 0, 0]),
                    json!([1, 2, 3, 4]),
                ])
                .clone();
        }
    }
}

/// Changes within a chunk, with its sum made right again.
fn png(file: &[u8], random: &mut Random) -> Vec<u8> {
    let mut chunks = Vec::new();
    let mut at = 8;
    while let Some(head) = file.get(at..at + 8) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let Some(data) = file.get(at + 8..at.saturating_add(8).saturating_add(length)) else {
            break;
        };
        chunks.push((head[4..].to_vec(), data.to_vec()));
        at += 12 + length;
    }
    if chunks.is_empty() {
        return bytes(file, file, random);
    }
    let which = random.below(chunks.len());
    match random.below(6) {
        0 => drop(chunks.remove(which)),
        1 => chunks.insert(which, chunks[random.below(chunks.len())].clone()),
        2 => {
            // The header: size, depth, colour, interlacing.
            let header = &mut chunks[0].1;
            let at = random.below(header.len());
            if let Some(byte) = header.get_mut(at) {
                *byte = *random.pick(&[0, 1, 2, 3, 4, 6, 8, 16, 127, 255]);
            }
        }
        _ => chunks[which].1 = bytes(&chunks[which].1, file, random),
    }
    let mut whole = file[..8].to_vec();
    for (kind, data) in chunks {
        whole.extend((data.len() as u32).to_be_bytes());
        let begin = whole.len();
        whole.extend(kind);
        whole.extend(data);
        let sum = crc32(&whole[begin..]);
        whole.extend(sum.to_be_bytes());
    }
    whole
}

/// PNG specification, "CRC algorithm".
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |sum, byte| {
        (0..8).fold(sum ^ u32::from(*byte), |sum, _| {
            if sum & 1 == 1 {
                sum >> 1 ^ 0xEDB8_8320
            } else {
                sum >> 1
            }
        })
    })
}
