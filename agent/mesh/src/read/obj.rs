//! OBJ: `v`, `vt`, `vn`, `f`, `usemtl`, `g`, `o`. Smoothing, lines, points and curves are passed over. The statements are
//! those of the format's published description (Wavefront, 1993; from memory).

use super::number::finite;
use super::polygon::{MOST_CORNERS, triangulate};
use super::{ReadError, TagTable};
use crate::Mesh;
use crate::groups::GroupTable;
use crate::mesh::UNTAGGED;

pub(super) fn read(bytes: &[u8]) -> Result<Mesh, ReadError> {
    let text = text_of(bytes)?;
    let mut reader = Reader {
        material: UNTAGGED,
        ..Reader::default()
    };
    for (line, statement) in statements(&text) {
        reader.take(line, &statement)?;
    }
    Ok(reader.finish())
}

/// The files that `mtllib` statements name.
pub(super) fn libraries(bytes: &[u8]) -> Result<Vec<String>, ReadError> {
    let text = text_of(bytes)?;
    let mut names: Vec<String> = Vec::new();
    for (_, statement) in statements(&text) {
        let Some(rest) = after_keyword(&statement, "mtllib") else {
            continue;
        };
        // One statement may name several files, and a name may hold spaces: only the endings tell.
        let words: Vec<&str> = rest.split_whitespace().collect();
        let several = words
            .iter()
            .all(|word| word.to_ascii_lowercase().ends_with(".mtl"));
        let found = if several { words } else { vec![rest] };
        for name in found {
            if !name.is_empty() && !names.iter().any(|known| known == name) {
                names.push(name.to_owned());
            }
        }
    }
    Ok(names)
}

/// Text of an OBJ or MTL file; names in other encodings than UTF-8 keep a stand-in for what cannot be read.
pub(super) fn text_of(bytes: &[u8]) -> Result<std::borrow::Cow<'_, str>, ReadError> {
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(ReadError::Unusable(
            "the text is UTF-16; save it as UTF-8".to_owned(),
        ));
    }
    if let Some(offset) = bytes.iter().position(|byte| *byte == 0) {
        return Err(ReadError::offset(
            offset,
            "a zero byte: this is no text file, so no OBJ",
        ));
    }
    Ok(String::from_utf8_lossy(
        bytes.strip_prefix(&[0xEF, 0xBB, 0xBF]).unwrap_or(bytes),
    ))
}

/// Statements with the line that each begins in; a `\` at the end of a line goes on in the next one. Comments are left out.
fn statements(text: &str) -> impl Iterator<Item = (usize, std::borrow::Cow<'_, str>)> {
    let mut lines = text.split('\n').enumerate();
    std::iter::from_fn(move || {
        loop {
            let (index, first) = lines.next()?;
            let first = first.trim();
            if first.is_empty() || first.starts_with('#') {
                continue;
            }
            let Some(begin) = first.strip_suffix('\\') else {
                return Some((index + 1, first.into()));
            };
            let mut joined = begin.to_owned();
            for (_, next) in lines.by_ref() {
                joined.push(' ');
                let next = next.trim();
                match next.strip_suffix('\\') {
                    Some(part) => joined.push_str(part),
                    None => {
                        joined.push_str(next);
                        break;
                    }
                }
            }
            return Some((index + 1, joined.into()));
        }
    })
}

fn after_keyword<'a>(statement: &'a str, keyword: &str) -> Option<&'a str> {
    let rest = statement.strip_prefix(keyword)?;
    (rest.is_empty() || rest.starts_with(char::is_whitespace)).then(|| rest.trim())
}

#[derive(Default)]
struct Reader {
    positions: Vec<[f32; 3]>,
    file_uvs: Vec<[f32; 2]>,
    file_normals: Vec<[f32; 3]>,
    triangles: Vec<[u32; 3]>,
    face_tags: Vec<u16>,
    /// One for each triangle as soon as any face has UVs; those of a face without are (0, 0), which says that it has none.
    uvs: Vec<[[f32; 2]; 3]>,
    normals: Vec<[[f32; 3]; 3]>,
    /// Set by the first corner without a usable normal: then all normals are computed anew.
    normals_incomplete: bool,
    any_uv: bool,
    material: u16,
    tags: TagTable,
    /// Of `o`; of `g`, which may name several.
    object: Vec<String>,
    group_names: Vec<String>,
    groups: GroupTable,
    corners: Vec<Corner>,
}

#[derive(Clone, Copy)]
struct Corner {
    position: u32,
    uv: Option<usize>,
    normal: Option<usize>,
}

impl Reader {
    fn take(&mut self, line: usize, statement: &str) -> Result<(), ReadError> {
        let mut words = statement.split_whitespace();
        match words.next() {
            Some("v") => {
                let coordinates = three(
                    &mut words,
                    line,
                    ["x of the vertex", "y of the vertex", "z of the vertex"],
                )?;
                self.positions.push(coordinates);
            }
            Some("vn") => {
                let normal = three(
                    &mut words,
                    line,
                    ["x of the normal", "y of the normal", "z of the normal"],
                )?;
                self.file_normals.push(normal);
            }
            Some("vt") => {
                let u = finite(words.next(), line, "u of the UV")?;
                let v = words
                    .next()
                    .map_or(Ok(0.0), |word| finite(Some(word), line, "v of the UV"))?;
                // OBJ counts v from the lower edge, a mesh here from the upper one.
                self.file_uvs.push([u, 1.0 - v]);
            }
            // `fo` is the old word for a face.
            Some("f" | "fo") => self.face(line, words)?,
            Some("usemtl") => {
                self.use_material(line, after_keyword(statement, "usemtl").unwrap_or_default())?
            }
            Some("o") => {
                let name = after_keyword(statement, "o").unwrap_or_default();
                self.object = if name.is_empty() {
                    Vec::new()
                } else {
                    vec![name.to_owned()]
                };
                self.name_faces();
            }
            Some("g") => {
                self.group_names = words.map(str::to_owned).collect();
                self.name_faces();
            }
            _ => {}
        }
        Ok(())
    }

    fn name_faces(&mut self) {
        let names = self.object.iter().chain(&self.group_names).cloned();
        self.groups.set(names.collect());
    }

    fn use_material(&mut self, line: usize, name: &str) -> Result<(), ReadError> {
        self.material = if name.is_empty() {
            UNTAGGED
        } else {
            self.tags
                .index(name)
                .ok_or_else(|| ReadError::line(line, format!("more than {UNTAGGED} materials; merge some")))?
        };
        Ok(())
    }

    fn face<'a>(&mut self, line: usize, words: impl Iterator<Item = &'a str>) -> Result<(), ReadError> {
        let mut corners = std::mem::take(&mut self.corners);
        corners.clear();
        for word in words.take_while(|word| !word.starts_with('#')) {
            if corners.len() == MOST_CORNERS {
                let problem = format!("a face of more than {MOST_CORNERS} corners; split it");
                return Err(ReadError::line(line, problem));
            }
            corners.push(self.corner(line, word)?);
        }
        if corners.len() < 3 {
            let problem = format!("a face of {} corners; a face has at least 3", corners.len());
            return Err(ReadError::line(line, problem));
        }
        let with_uv = corners.iter().filter(|corner| corner.uv.is_some()).count();
        if with_uv != 0 && with_uv != corners.len() {
            let problem = format!(
                "{with_uv} of the {} corners of this face have a UV; give one to all of them, or to none",
                corners.len()
            );
            return Err(ReadError::line(line, problem));
        }
        let points: Vec<[f32; 3]> = corners
            .iter()
            .map(|corner| self.positions[corner.position as usize])
            .collect();
        for triangle in triangulate(&points) {
            self.add_triangle(triangle.map(|index| corners[index]));
        }
        self.corners = corners;
        Ok(())
    }

    fn add_triangle(&mut self, corners: [Corner; 3]) {
        self.triangles.push(corners.map(|corner| corner.position));
        self.face_tags.push(self.material);
        self.groups.add(1);
        self.any_uv |= corners.iter().any(|corner| corner.uv.is_some());
        self.uvs
            .push(corners.map(|corner| corner.uv.map_or([0.0, 0.0], |index| self.file_uvs[index])));
        let normals = corners.map(|corner| {
            let normal = glam::Vec3::from(corner.normal.map_or([0.0; 3], |index| self.file_normals[index]));
            normal.normalize_or_zero()
        });
        self.normals_incomplete |= normals.contains(&glam::Vec3::ZERO);
        self.normals.push(normals.map(Into::into));
    }

    /// `p`, `p/t`, `p//n` or `p/t/n`.
    fn corner(&self, line: usize, word: &str) -> Result<Corner, ReadError> {
        let mut parts = word.split('/');
        let position = parts.next().unwrap_or_default();
        let position = index(line, word, position, self.positions.len(), "vertices")?
            .ok_or_else(|| ReadError::line(line, format!("the corner `{word}` names no vertex")))?;
        let uv = index(
            line,
            word,
            parts.next().unwrap_or_default(),
            self.file_uvs.len(),
            "UVs",
        )?;
        let normal = index(
            line,
            word,
            parts.next().unwrap_or_default(),
            self.file_normals.len(),
            "normals",
        )?;
        if parts.next().is_some() {
            return Err(ReadError::line(
                line,
                format!("the corner `{word}` has more than three parts"),
            ));
        }
        let position = u32::try_from(position)
            .map_err(|_| ReadError::line(line, "more than 4294967295 vertices; split the model"))?;
        Ok(Corner { position, uv, normal })
    }

    fn finish(self) -> Mesh {
        let tags_in_use = TagsInUse::of(&self.face_tags, self.tags.names);
        Mesh {
            positions: self.positions,
            triangles: self.triangles,
            face_tags: tags_in_use.face_tags,
            tags: tags_in_use.names,
            uvs: self.any_uv.then_some(self.uvs),
            normals: (!self.normals_incomplete).then_some(self.normals),
            groups: self.groups.finish(),
        }
    }
}

/// `usemtl` may name a material that no face follows; a mesh lists only tags that a face carries.
struct TagsInUse {
    face_tags: Vec<u16>,
    names: Vec<String>,
}

impl TagsInUse {
    fn of(face_tags: &[u16], all_names: Vec<String>) -> Self {
        let mut renumbered = vec![UNTAGGED; all_names.len()];
        let mut names = Vec::new();
        let face_tags = face_tags
            .iter()
            .map(|&tag| {
                if tag == UNTAGGED {
                    return UNTAGGED;
                }
                let slot = &mut renumbered[usize::from(tag)];
                if *slot == UNTAGGED {
                    *slot = names.len() as u16;
                    names.push(all_names[usize::from(tag)].clone());
                }
                *slot
            })
            .collect();
        Self { face_tags, names }
    }
}

fn three<'a>(
    words: &mut impl Iterator<Item = &'a str>,
    line: usize,
    names: [&str; 3],
) -> Result<[f32; 3], ReadError> {
    let mut values = [0.0; 3];
    for (value, name) in values.iter_mut().zip(names) {
        *value = finite(words.next(), line, name)?;
    }
    Ok(values)
}

/// 1 is the first and -1 the last one so far; an empty part is none.
fn index(line: usize, word: &str, part: &str, count: usize, what: &str) -> Result<Option<usize>, ReadError> {
    if part.is_empty() {
        return Ok(None);
    }
    let number: i64 = part.parse().map_err(|_| {
        ReadError::line(
            line,
            format!("the corner `{word}` holds `{part}`, which is no index"),
        )
    })?;
    let resolved = match number {
        1.. => usize::try_from(number - 1).ok(),
        0 => None,
        _ => usize::try_from(number.unsigned_abs())
            .ok()
            .and_then(|back| count.checked_sub(back)),
    };
    resolved.filter(|index| *index < count).map(Some).ok_or_else(|| {
        let problem = format!("the corner `{word}` uses index {number}, but there are {count} {what} so far");
        ReadError::line(line, problem)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Mesh {
        read(text.as_bytes()).expect("a sound file")
    }

    fn problem(text: &str) -> String {
        read(text.as_bytes()).expect_err("a broken file").to_string()
    }

    const SQUARE: &str = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n";

    #[test]
    fn all_index_forms_name_the_same_corner() {
        let heads = "vt 0.25 0.25\nvt 0.5 0\nvt 1 1\nvn 0 0 2\n";
        for face in [
            "f 1 2 3",
            "f 1/1 2/2 3/3",
            "f 1//1 2//1 3//1",
            "f 1/1/1 2/2/1 3/3/1",
            "f -4/-3/-1 -3/-2/-1 -2/-1/-1",
        ] {
            let mesh = parse(&format!("{SQUARE}{heads}{face}"));
            assert_eq!(mesh.triangles, vec![[0, 1, 2]], "{face}");
            if face.contains("1/1/1") || face.contains("-3/-1") {
                assert_eq!(
                    mesh.uvs,
                    Some(vec![[[0.25, 0.75], [0.5, 1.0], [1.0, 0.0]]]),
                    "{face}"
                );
                assert_eq!(mesh.normals, Some(vec![[[0.0, 0.0, 1.0]; 3]]), "{face}");
            }
        }
    }

    #[test]
    fn materials_are_tags_also_with_spaces_and_when_they_come_back() {
        let mesh = parse(&format!(
            "mtllib none.mtl\r\n{SQUARE}usemtl never used\r\nusemtl old  timber\r\nf 1 2 3 # tail\r\nusemtl iron\r\nf 1 3 4\r\ng x\r\no y\r\nusemtl old  timber\r\nf 1 2 \\\r\n 4\r\nusemtl\r\nf 1 2 3"
        ));
        assert_eq!(mesh.tags, ["old  timber", "iron"]);
        assert_eq!(mesh.face_tags, [0, 1, 0, UNTAGGED]);
        assert_eq!(mesh.triangles[2], [0, 1, 3]);
    }

    #[test]
    fn a_mistake_is_told_with_its_line() {
        assert_eq!(problem("v 0 0\n"), "line 1: z of the vertex is missing");
        assert_eq!(
            problem("\n\nv 0 0 x\n"),
            "line 3: z of the vertex is `x`, which is no number"
        );
        assert_eq!(
            problem("v 0 0 inf"),
            "line 1: z of the vertex is `inf`, which is not finite"
        );
        assert!(problem(&format!("{SQUARE}f 1 2 5")).starts_with("line 5: the corner `5` uses index 5"));
        assert!(problem(&format!("{SQUARE}f 1 2 -5")).contains("uses index -5"));
        assert!(problem(&format!("{SQUARE}f 0 1 2")).contains("uses index 0"));
        assert!(problem(&format!("{SQUARE}f 1 2")).contains("at least 3"));
        assert!(problem(&format!("{SQUARE}f 1/1 2/1 3/1")).contains("0 UVs"));
        assert!(problem("v 0 0 0\0").contains("byte 7"));
        assert!(
            read(&[0xFF, 0xFE, b'v', 0])
                .expect_err("UTF-16")
                .to_string()
                .contains("UTF-8")
        );
    }

    #[test]
    fn a_face_has_uvs_at_all_corners_or_at_none() {
        let square = format!("{SQUARE}vt 0 0\nvt 1 0\nvt 0 1\n");
        let mesh = parse(&format!("{square}f 1/1 2/2 3/3\nf 1 3 4\n"));
        assert_eq!((mesh.has_uv(0), mesh.has_uv(1)), (true, false));
        assert_eq!(
            problem(&format!("{square}f 1/1 2 3/3\n")),
            "line 8: 2 of the 3 corners of this face have a UV; give one to all of them, or to none"
        );
        assert!(!parse(&format!("{square}f 1 3 4\n")).has_uv(0));
    }

    #[test]
    fn libraries_are_listed_once() {
        let text = b"mtllib a.mtl b.MTL\nmtllib my wood.mtl\nmtllib a.mtl\n";
        assert_eq!(libraries(text).expect("text"), ["a.mtl", "b.MTL", "my wood.mtl"]);
    }

    #[test]
    fn groups_and_objects_name_the_faces_that_follow() {
        let corners = "v 0 0 0\nv 1 0 0\nv 0 1 0\n";
        let mesh = parse(&format!(
            "{corners}f 1 2 3\no Cargo crate\nf 1 2 3\ng lid hinges\nf 1 2 3\ng\nf 1 2 3\n"
        ));
        let groups = mesh.groups.unwrap();
        let names: Vec<Vec<&str>> = (0..4)
            .map(|face| groups.of(face).iter().map(String::as_str).collect())
            .collect();
        assert_eq!(
            names,
            [
                vec![],
                vec!["Cargo crate"],
                vec!["Cargo crate", "lid", "hinges"],
                vec!["Cargo crate"]
            ]
        );
        assert_eq!(groups.names(), ["Cargo crate", "hinges", "lid"]);
        assert!(parse(&format!("{corners}f 1 2 3\n")).groups.is_none());
    }
}
