//! PLY, in text and in both byte orders. A face's tag comes from its property `tag` (a number, named by a header line
//! `comment tag NUMBER NAME` or else by itself), or from its colour `red`, `green`, `blue` (named as `#rrggbb`).

use super::ply_header::{Element, Encoding, Header, Property, Scalar};
use super::polygon::{MOST_CORNERS, triangulate};
use super::{ReadError, TagTable};
use crate::Mesh;
use crate::mesh::UNTAGGED;

pub(super) fn read(bytes: &[u8]) -> Result<Mesh, ReadError> {
    let header = Header::parse(bytes)?;
    let body = &bytes[header.body_offset..];
    if header.elements.iter().any(|element| element.name == "tristrips") {
        return Err(ReadError::Unusable(
            "triangle strips cannot be read; export faces".to_owned(),
        ));
    }
    match header.encoding {
        Encoding::Ascii => {
            let text = std::str::from_utf8(body).map_err(|error| {
                ReadError::offset(header.body_offset + error.valid_up_to(), "this is no text")
            })?;
            read_elements(
                &header,
                Text {
                    rest: text,
                    line: header.body_line,
                },
            )
        }
        Encoding::LittleEndian | Encoding::BigEndian => {
            let swapped = header.encoding == Encoding::BigEndian;
            read_elements(
                &header,
                Binary {
                    bytes,
                    offset: header.body_offset,
                    swapped,
                },
            )
        }
    }
}

/// Numbers one after the other, from text or bytes.
trait Numbers {
    fn next(&mut self, scalar: Scalar) -> Result<f64, ReadError>;
    /// An error at the number read last.
    fn error(&self, problem: String) -> ReadError;
    /// Bytes that are left: no list can have more numbers.
    fn bytes_left(&self) -> usize;
}

struct Text<'a> {
    rest: &'a str,
    line: usize,
}

impl Numbers for Text<'_> {
    fn next(&mut self, _: Scalar) -> Result<f64, ReadError> {
        let begin = self.rest.find(|letter: char| !letter.is_ascii_whitespace());
        let begin =
            begin.ok_or_else(|| self.error("the file ends too early; it was cut short".to_owned()))?;
        self.line += self.rest[..begin].bytes().filter(|byte| *byte == b'\n').count();
        let from = &self.rest[begin..];
        let end = from
            .find(|letter: char| letter.is_ascii_whitespace())
            .unwrap_or(from.len());
        let word = &from[..end];
        self.rest = &from[end..];
        word.parse()
            .map_err(|_| self.error(format!("`{word}` is no number")))
    }

    fn error(&self, problem: String) -> ReadError {
        ReadError::line(self.line, problem)
    }

    fn bytes_left(&self) -> usize {
        self.rest.len()
    }
}

struct Binary<'a> {
    bytes: &'a [u8],
    offset: usize,
    swapped: bool,
}

impl Numbers for Binary<'_> {
    fn next(&mut self, scalar: Scalar) -> Result<f64, ReadError> {
        let size = scalar.size();
        let found = self.bytes.get(self.offset..).and_then(|rest| rest.get(..size));
        let found =
            found.ok_or_else(|| self.error("the file ends too early; it was cut short".to_owned()))?;
        self.offset += size;
        let mut raw = [0u8; 8];
        raw[..size].copy_from_slice(found);
        if self.swapped {
            raw[..size].reverse();
        }
        let bits = u64::from_le_bytes(raw);
        Ok(match scalar {
            Scalar::I8 => f64::from(bits as u8 as i8),
            Scalar::U8 => f64::from(bits as u8),
            Scalar::I16 => f64::from(bits as u16 as i16),
            Scalar::U16 => f64::from(bits as u16),
            Scalar::I32 => f64::from(bits as u32 as i32),
            Scalar::U32 => f64::from(bits as u32),
            Scalar::F32 => f64::from(f32::from_bits(bits as u32)),
            Scalar::F64 => f64::from_bits(bits),
        })
    }

    fn error(&self, problem: String) -> ReadError {
        ReadError::offset(self.offset, problem)
    }

    fn bytes_left(&self) -> usize {
        self.bytes.len().saturating_sub(self.offset)
    }
}

fn read_elements(header: &Header, mut numbers: impl Numbers) -> Result<Mesh, ReadError> {
    let mut vertices = Vertices::default();
    let mut faces = Faces::default();
    // Values of the element at hand: single ones by property, lists flattened.
    let mut values = Vec::new();
    let mut list = Vec::new();
    for element in &header.elements {
        // An element without properties takes no bytes, so its count says nothing and could be endless.
        if element.properties.is_empty() {
            continue;
        }
        let role = Role::of(element);
        for _ in 0..element.count {
            values.clear();
            list.clear();
            for (index, property) in element.properties.iter().enumerate() {
                let target = (role.list == Some(index)).then_some(&mut list);
                values.push(read_property(&mut numbers, property, target)?);
            }
            match role.kind {
                RoleKind::Vertex => vertices
                    .add(&role, &values)
                    .map_err(|problem| numbers.error(problem))?,
                RoleKind::Face => faces
                    .add(&role, &values, &list, &vertices, header)
                    .map_err(|problem| numbers.error(problem))?,
                RoleKind::Other => {}
            }
        }
    }
    Ok(faces.finish(vertices))
}

fn read_property(
    numbers: &mut impl Numbers,
    property: &Property,
    mut list: Option<&mut Vec<f64>>,
) -> Result<f64, ReadError> {
    let Some(count_type) = property.count else {
        return numbers.next(property.scalar);
    };
    let count = numbers.next(count_type)?;
    if count < 0.0 || count.fract() != 0.0 || count > numbers.bytes_left() as f64 {
        return Err(numbers.error(format!(
            "a list of {count} numbers cannot be; the file is damaged"
        )));
    }
    for _ in 0..count as usize {
        let number = numbers.next(property.scalar)?;
        if let Some(list) = &mut list {
            list.push(number);
        }
    }
    Ok(count)
}

#[derive(PartialEq)]
enum RoleKind {
    Vertex,
    Face,
    Other,
}

/// Which property of an element means what.
struct Role {
    kind: RoleKind,
    list: Option<usize>,
    position: Option<[usize; 3]>,
    normal: Option<[usize; 3]>,
    uv: Option<[usize; 2]>,
    tag: Option<usize>,
    color: Option<[usize; 3]>,
    /// What a channel of full strength is, by the type of `red`.
    full_color: f64,
}

impl Role {
    fn of(element: &Element) -> Self {
        let kind = match element.name.as_str() {
            "vertex" => RoleKind::Vertex,
            "face" => RoleKind::Face,
            _ => RoleKind::Other,
        };
        let single = |name: &str| {
            element
                .properties
                .iter()
                .position(|property| property.name == name && property.count.is_none())
        };
        let list = element.properties.iter().position(|property| {
            property.count.is_some() && matches!(property.name.as_str(), "vertex_indices" | "vertex_index")
        });
        let three = |names: [&str; 3]| Some([single(names[0])?, single(names[1])?, single(names[2])?]);
        let two = |names: [&str; 2]| Some([single(names[0])?, single(names[1])?]);
        Self {
            position: three(["x", "y", "z"]),
            normal: three(["nx", "ny", "nz"]),
            uv: [["s", "t"], ["u", "v"], ["texture_u", "texture_v"]]
                .into_iter()
                .find_map(two),
            tag: single("tag"),
            color: three(["red", "green", "blue"]),
            // Common practice: floats go from 0 to 1, 16 bits are used whole, all else counts to 255.
            full_color: match single("red").map(|index| element.properties[index].scalar) {
                Some(Scalar::F32 | Scalar::F64) => 1.0,
                Some(Scalar::I16 | Scalar::U16) => 65535.0,
                _ => 255.0,
            },
            list: list.filter(|_| kind == RoleKind::Face),
            kind,
        }
    }
}

#[derive(Default)]
struct Vertices {
    positions: Vec<[f32; 3]>,
    normals: Vec<[f32; 3]>,
    uvs: Vec<[f32; 2]>,
}

impl Vertices {
    fn add(&mut self, role: &Role, values: &[f64]) -> Result<(), String> {
        let position = role.position.ok_or("vertices need the properties x, y and z")?;
        let position = position.map(|index| values[index] as f32);
        if !position.iter().all(|coordinate| coordinate.is_finite()) {
            return Err(format!(
                "the coordinates of vertex {} are not all finite",
                self.positions.len()
            ));
        }
        self.positions.push(position);
        if let Some(normal) = role.normal {
            let normal = glam::Vec3::from(normal.map(|index| values[index] as f32));
            self.normals.push(normal.normalize_or_zero().to_array());
        }
        if let Some(uv) = role.uv {
            let [u, v] = uv.map(|index| values[index] as f32);
            // PLY counts v from the lower edge, as OBJ does.
            self.uvs.push([u, 1.0 - v]);
        }
        Ok(())
    }
}

#[derive(Default)]
struct Faces {
    triangles: Vec<[u32; 3]>,
    face_tags: Vec<u16>,
    tags: TagTable,
}

impl Faces {
    fn add(
        &mut self,
        role: &Role,
        values: &[f64],
        list: &[f64],
        vertices: &Vertices,
        header: &Header,
    ) -> Result<(), String> {
        if role.list.is_none() {
            return Err("faces need the list property vertex_indices".to_owned());
        }
        if !(3..=MOST_CORNERS).contains(&list.len()) {
            return Err(format!(
                "a face of {} corners; 3 to {MOST_CORNERS} can be read",
                list.len()
            ));
        }
        let mut corners = Vec::with_capacity(list.len());
        for &index in list {
            if index < 0.0 || index.fract() != 0.0 || index >= vertices.positions.len() as f64 {
                let count = vertices.positions.len();
                return Err(format!(
                    "a face uses vertex {index}, but there are {count} vertices, counted from 0"
                ));
            }
            corners.push(index as u32);
        }
        let tag = self.tag(role, values, header)?;
        let points: Vec<[f32; 3]> = corners
            .iter()
            .map(|&index| vertices.positions[index as usize])
            .collect();
        for triangle in triangulate(&points) {
            self.triangles.push(triangle.map(|index| corners[index]));
            self.face_tags.push(tag);
        }
        Ok(())
    }

    fn tag(&mut self, role: &Role, values: &[f64], header: &Header) -> Result<u16, String> {
        let name = if let Some(index) = role.tag {
            let number = values[index];
            match header.tag_names.get(&(number as i64)) {
                Some(name) => name.clone(),
                None => number.to_string(),
            }
        } else if let Some(color) = role.color {
            let [red, green, blue] = color.map(|index| {
                let share = values[index] / role.full_color;
                (share * 255.0).round().clamp(0.0, 255.0) as u8
            });
            format!("#{red:02x}{green:02x}{blue:02x}")
        } else {
            return Ok(UNTAGGED);
        };
        self.tags
            .index(&name)
            .ok_or_else(|| format!("more than {UNTAGGED} tags; merge some"))
    }

    fn finish(self, vertices: Vertices) -> Mesh {
        let at = |index: u32| index as usize;
        let has_uvs = vertices.uvs.len() == vertices.positions.len()
            && vertices
                .uvs
                .as_flattened()
                .iter()
                .all(|coordinate| coordinate.is_finite());
        let has_normals = vertices.normals.len() == vertices.positions.len()
            && !self
                .triangles
                .iter()
                .flatten()
                .any(|&index| vertices.normals[at(index)] == [0.0; 3]);
        let uvs = has_uvs.then(|| {
            self.triangles
                .iter()
                .map(|face| face.map(|index| vertices.uvs[at(index)]))
                .collect()
        });
        let normals = has_normals.then(|| {
            self.triangles
                .iter()
                .map(|face| face.map(|index| vertices.normals[at(index)]))
                .collect()
        });
        Mesh {
            positions: vertices.positions,
            triangles: self.triangles,
            face_tags: self.face_tags,
            tags: self.tags.names,
            uvs,
            normals,
            groups: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "element vertex 4\nproperty float x\nproperty double y\nproperty float z\nelement face 2\n\
        property list uchar int vertex_indices\nproperty uchar tag\nend_header\n";

    fn text() -> Vec<u8> {
        format!("ply\r\nformat ascii 1.0\ncomment tag 7 old timber\n{HEAD}0 0 0\n1 0 0 1 1 0\n0 1 0\n3 0 1 2 7\n4 0 1 2 3 2")
            .into_bytes()
    }

    fn binary(name: &str, swap: bool) -> Vec<u8> {
        let mut bytes = format!("ply\nformat {name} 1.0\ncomment tag 7 old timber\n{HEAD}").into_bytes();
        let mut put = |mut raw: Vec<u8>| {
            if swap {
                raw.reverse();
            }
            bytes.extend(raw);
        };
        for [x, y] in [[0.0f32, 0.0f32], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]] {
            put(x.to_le_bytes().to_vec());
            put(f64::from(y).to_le_bytes().to_vec());
            put(0.0f32.to_le_bytes().to_vec());
        }
        for (corners, tag) in [(vec![0i32, 1, 2], 7u8), (vec![0, 1, 2, 3], 2)] {
            put(vec![corners.len() as u8]);
            corners
                .iter()
                .for_each(|corner| put(corner.to_le_bytes().to_vec()));
            put(vec![tag]);
        }
        bytes
    }

    #[test]
    fn the_three_encodings_hold_the_same_mesh() {
        let mesh = read(&text()).expect("a sound file");
        assert_eq!(mesh.triangles.len(), 3);
        assert_eq!(mesh.tags, ["old timber", "2"]);
        assert_eq!(mesh.face_tags, [0, 1, 1]);
        assert_eq!(
            read(&binary("binary_little_endian", false)).expect("a sound file"),
            mesh
        );
        assert_eq!(
            read(&binary("binary_big_endian", true)).expect("a sound file"),
            mesh
        );
    }

    #[test]
    fn a_cut_file_tells_where_it_ends() {
        let bytes = binary("binary_little_endian", false);
        let error = read(&bytes[..bytes.len() - 1]).expect_err("cut").to_string();
        assert!(
            error.starts_with("byte ") && error.contains("cut short"),
            "{error}"
        );
        let text = text();
        let error = read(&text[..text.len() - 3]).expect_err("cut").to_string();
        assert!(error.contains("cut short"), "{error}");
    }

    #[test]
    fn counts_beyond_the_file_are_refused_at_once() {
        let endless = "ply\nformat ascii 1.0\nelement vertex 18446744073709551615\nelement face 4000000000\nproperty list uint int vertex_indices\nend_header\n4000000000 1 2";
        let error = read(endless.as_bytes()).expect_err("no such list").to_string();
        assert!(error.contains("a list of 4000000000 numbers"), "{error}");
        let outside = String::from_utf8(text())
            .expect("text")
            .replace("3 0 1 2 7", "3 0 1 4 7");
        let error = read(outside.as_bytes()).expect_err("no such vertex").to_string();
        assert!(error.contains("line ") && error.contains("vertex 4"), "{error}");
    }

    #[test]
    fn a_colour_is_the_same_tag_whatever_its_type() {
        for (type_name, channels) in [
            ("uchar", "230 159 0"),
            ("float", "0.902 0.6235 0"),
            ("ushort", "59110 40863 0"),
            ("int", "230 159 0"),
        ] {
            let color = ["red", "green", "blue"]
                .map(|name| format!("property {type_name} {name}\n"))
                .concat();
            let text = format!(
                "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n\
                 property list uchar int vertex_indices\n{color}end_header\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2 {channels}\n"
            );
            assert_eq!(read(text.as_bytes()).unwrap().tags, ["#e69f00"], "{type_name}");
        }
    }

    #[test]
    fn colours_in_both_binary_orders_are_those_of_the_text() {
        let colours = [[230.0, 159.0, 0.0], [86.0, 180.0, 233.0]];
        type Little = fn(f64) -> Vec<u8>;
        let kinds: [(&str, Little); 4] = [
            ("uchar", |share| vec![(share * 255.0).round() as u8]),
            ("ushort", |share| {
                ((share * 65535.0).round() as u16).to_le_bytes().to_vec()
            }),
            ("float", |share| (share as f32).to_le_bytes().to_vec()),
            ("double", |share| share.to_le_bytes().to_vec()),
        ];
        for (type_name, little) in kinds {
            for (name, swap) in [("binary_little_endian", false), ("binary_big_endian", true)] {
                let channels =
                    ["red", "green", "blue"].map(|channel| format!("property {type_name} {channel}\n"));
                let mut bytes = format!(
                    "ply\nformat {name} 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n\
                     element face 2\nproperty list uchar int vertex_indices\n{}end_header\n",
                    channels.concat()
                )
                .into_bytes();
                let mut put = |mut raw: Vec<u8>| {
                    if swap {
                        raw.reverse();
                    }
                    bytes.extend(raw);
                };
                for corner in [
                    [0.0f32, 0.0, 0.0],
                    [1.0, 0.0, 0.0],
                    [1.0, 1.0, 0.0],
                    [0.0, 1.0, 0.0],
                ] {
                    corner.iter().for_each(|axis| put(axis.to_le_bytes().to_vec()));
                }
                for (corners, colour) in [[0i32, 1, 2], [0, 2, 3]].into_iter().zip(colours) {
                    put(vec![3]);
                    corners
                        .iter()
                        .for_each(|corner| put(corner.to_le_bytes().to_vec()));
                    colour.iter().for_each(|channel| put(little(channel / 255.0)));
                }
                let mesh = read(&bytes).unwrap();
                assert_eq!(mesh.tags, ["#e69f00", "#56b4e9"], "{name} {type_name}");
                assert_eq!(mesh.face_tags, [0, 1], "{name} {type_name}");
            }
        }
    }
}
