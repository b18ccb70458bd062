//! Shapes as files.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::shapes::Shape;

pub fn obj(shape: &Shape) -> String {
    let mut text = String::from("# an invented dock prop\no prop\n");
    for [x, y, z] in &shape.places {
        writeln!(text, "v {x} {y} {z}").expect("memory");
    }
    let mut before = "";
    for (face, tag) in shape.faces.iter().zip(&shape.tags) {
        if *tag != before {
            writeln!(text, "usemtl {tag}").expect("memory");
            before = tag;
        }
        let corners: Vec<String> = face.iter().map(|corner| (corner + 1).to_string()).collect();
        writeln!(text, "f {}", corners.join(" ")).expect("memory");
    }
    text
}

/// The same with indices counted from the end.
pub fn obj_from_the_end(shape: &Shape) -> String {
    let count = shape.places.len() as i64;
    let text = obj(shape);
    let lines = text.lines().map(|line| match line.strip_prefix("f ") {
        None => line.to_owned(),
        Some(corners) => {
            let turned = corners.split(' ').map(|corner| {
                let index: i64 = corner.parse().expect("an index");
                (index - 1 - count).to_string()
            });
            format!("f {}", turned.collect::<Vec<_>>().join(" "))
        }
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[derive(Clone, Copy, PartialEq)]
pub enum Bytes {
    Text,
    Little,
    Big,
}

/// How a PLY file says what a face is.
#[derive(Clone, Copy, PartialEq)]
pub enum Carries {
    Tag,
    Colour,
}

pub fn ply(shape: &Shape, bytes: Bytes, carries: Carries) -> Vec<u8> {
    let format = match bytes {
        Bytes::Text => "ascii",
        Bytes::Little => "binary_little_endian",
        Bytes::Big => "binary_big_endian",
    };
    let mut tags: Vec<&str> = Vec::new();
    shape.tags.iter().for_each(|tag| {
        if !tags.contains(tag) {
            tags.push(tag);
        }
    });
    let mut file = format!("ply\nformat {format} 1.0\n");
    for (number, tag) in tags.iter().enumerate() {
        writeln!(file, "comment tag {number} {tag}").expect("memory");
    }
    let face_properties = match carries {
        Carries::Tag => "property uchar tag\n",
        Carries::Colour => "property uchar red\nproperty uchar green\nproperty uchar blue\n",
    };
    // An element between the two that nobody asked for must be passed over.
    write!(
        file,
        "element vertex {}\nproperty float x\nproperty float y\nproperty double z\nelement rope 1\nproperty list uchar short knots\n\
         element face {}\nproperty list uchar int vertex_indices\n{face_properties}end_header\n",
        shape.places.len(),
        shape.faces.len()
    )
    .expect("memory");
    let mut out = Out {
        bytes,
        data: file.into_bytes(),
    };
    for [x, y, z] in &shape.places {
        out.put(&(*x as f32).to_le_bytes(), *x);
        out.put(&(*y as f32).to_le_bytes(), *y);
        out.put(&z.to_le_bytes(), *z);
        out.end_line();
    }
    for (raw, number) in [
        (vec![2], 2.0),
        (7i16.to_le_bytes().to_vec(), 7.0),
        (8i16.to_le_bytes().to_vec(), 8.0),
    ] {
        out.put(&raw, number);
    }
    out.end_line();
    for (face, tag) in shape.faces.iter().zip(&shape.tags) {
        out.put(&[face.len() as u8], face.len() as f64);
        face.iter()
            .for_each(|&corner| out.put(&(corner as i32).to_le_bytes(), corner as f64));
        let number = tags.iter().position(|known| known == tag).expect("listed") as u8;
        match carries {
            Carries::Tag => out.put(&[number], f64::from(number)),
            Carries::Colour => [number, 128, 255]
                .iter()
                .for_each(|part| out.put(&[*part], f64::from(*part))),
        }
        out.end_line();
    }
    out.data
}

struct Out {
    bytes: Bytes,
    data: Vec<u8>,
}

impl Out {
    fn put(&mut self, little: &[u8], number: f64) {
        match self.bytes {
            Bytes::Text => self.data.extend(format!("{number} ").bytes()),
            Bytes::Little => self.data.extend(little),
            Bytes::Big => self.data.extend(little.iter().rev()),
        }
    }

    fn end_line(&mut self) {
        if self.bytes == Bytes::Text {
            self.data.push(b'\n');
        }
    }
}

/// A glTF document, and the bytes of its one buffer.
#[derive(Debug, Clone)]
pub struct Gltf {
    pub json: Value,
    pub buffer: Vec<u8>,
}

/// One primitive for each tag, over shared positions (accessor 0).
pub fn gltf(shape: &Shape) -> Gltf {
    let mut buffer: Vec<u8> = shape
        .places
        .iter()
        .flatten()
        .flat_map(|number| (*number as f32).to_le_bytes())
        .collect();
    let ends = |start: f32, pick: fn(f32, f32) -> f32| {
        [0, 1, 2].map(|axis| {
            shape
                .places
                .iter()
                .map(|place| place[axis] as f32)
                .fold(start, pick)
        })
    };
    let mut views = vec![json!({ "buffer": 0, "byteOffset": 0, "byteLength": buffer.len() })];
    let mut accessors = vec![json!({
        "bufferView": 0, "componentType": 5126, "count": shape.places.len(), "type": "VEC3",
        "min": ends(f32::INFINITY, f32::min), "max": ends(f32::NEG_INFINITY, f32::max),
    })];
    let mut primitives = Vec::new();
    let mut materials = Vec::new();
    let triangles = shape.triangles();
    let mut tags: Vec<&str> = triangles.iter().map(|(_, tag)| *tag).collect();
    tags.sort_unstable();
    tags.dedup();
    for tag in tags {
        let begin = buffer.len();
        let corners: Vec<usize> = triangles
            .iter()
            .filter(|(_, of)| *of == tag)
            .flat_map(|(corners, _)| *corners)
            .collect();
        corners
            .iter()
            .for_each(|corner| buffer.extend((*corner as u32).to_le_bytes()));
        primitives.push(json!({
            "attributes": { "POSITION": 0 }, "indices": accessors.len(), "material": materials.len(),
        }));
        accessors.push(json!({ "bufferView": views.len(), "componentType": 5125, "count": corners.len(), "type": "SCALAR" }));
        views.push(json!({ "buffer": 0, "byteOffset": begin, "byteLength": buffer.len() - begin }));
        materials.push(json!({ "name": tag }));
    }
    let json = json!({
        "asset": { "version": "2.0" }, "scene": 0, "scenes": [{ "nodes": [0] }], "nodes": [{ "mesh": 0 }],
        "meshes": [{ "primitives": primitives }], "materials": materials,
        "buffers": [{ "byteLength": buffer.len() }], "bufferViews": views, "accessors": accessors,
    });
    Gltf { json, buffer }
}

impl Gltf {
    /// The document changed at one place, given as a JSON pointer; a place that is not there is an error of the test.
    pub fn set(mut self, pointer: &str, value: Value) -> Self {
        match self.json.pointer_mut(pointer) {
            Some(place) => *place = value,
            None => panic!("no {pointer}"),
        }
        self
    }

    /// A member added to the object at a JSON pointer.
    pub fn add(mut self, pointer: &str, name: &str, value: Value) -> Self {
        self.json
            .pointer_mut(pointer)
            .unwrap_or_else(|| panic!("no {pointer}"))[name] = value;
        self
    }

    pub fn text(&self) -> Vec<u8> {
        self.json.to_string().into_bytes()
    }

    /// With the buffer beside the file, under this name.
    pub fn beside(self, name: &str) -> Self {
        self.add("/buffers/0", "uri", json!(name))
    }

    pub fn glb(&self) -> Vec<u8> {
        let mut json = self.text();
        json.resize(json.len().next_multiple_of(4), b' ');
        let mut binary = self.buffer.clone();
        binary.resize(binary.len().next_multiple_of(4), 0);
        let mut file = b"glTF\x02\0\0\0".to_vec();
        file.extend((28 + json.len() as u32 + binary.len() as u32).to_le_bytes());
        for (kind, data) in [(b"JSON", json), (b"BIN\0", binary)] {
            file.extend((data.len() as u32).to_le_bytes());
            file.extend(kind);
            file.extend(data);
        }
        file
    }
}
