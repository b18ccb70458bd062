//! The header of a PLY file: format, elements, properties. After Greg Turk, "The PLY Polygon File Format" (1994; from memory).

use std::collections::BTreeMap;

use super::ReadError;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Ascii,
    LittleEndian,
    BigEndian,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scalar {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

#[derive(Debug)]
pub(super) struct Property {
    pub name: String,
    pub scalar: Scalar,
    /// Type of the count, for a list.
    pub count: Option<Scalar>,
}

#[derive(Debug)]
pub(super) struct Element {
    pub name: String,
    pub count: usize,
    pub properties: Vec<Property>,
}

#[derive(Debug)]
pub(super) struct Header {
    pub encoding: Encoding,
    pub elements: Vec<Element>,
    /// From `comment tag NUMBER NAME`.
    pub tag_names: BTreeMap<i64, String>,
    /// Where the body begins.
    pub body_offset: usize,
    /// Line in which the body begins, from 1.
    pub body_line: usize,
}

/// A header is short; a longer one is no header.
const MOST_HEADER_LINES: usize = 10_000;

impl Scalar {
    pub fn size(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    fn parse(word: &str) -> Option<Self> {
        Some(match word {
            "char" | "int8" => Self::I8,
            "uchar" | "uint8" => Self::U8,
            "short" | "int16" => Self::I16,
            "ushort" | "uint16" => Self::U16,
            "int" | "int32" => Self::I32,
            "uint" | "uint32" => Self::U32,
            "float" | "float32" => Self::F32,
            "double" | "float64" => Self::F64,
            _ => return None,
        })
    }
}

impl Header {
    pub fn parse(bytes: &[u8]) -> Result<Self, ReadError> {
        let mut encoding = None;
        let mut elements: Vec<Element> = Vec::new();
        let mut tag_names = BTreeMap::new();
        let mut offset = 0;
        for line in 1..=MOST_HEADER_LINES {
            let rest = &bytes[offset..];
            let length = rest.iter().position(|byte| *byte == b'\n').ok_or_else(|| {
                ReadError::line(line, "the file ends before `end_header`; it was cut short")
            })?;
            offset += length + 1;
            let text = std::str::from_utf8(&rest[..length])
                .map_err(|_| ReadError::line(line, "the header is no text; is this a PLY file?"))?
                .trim();
            let mut words = text.split_whitespace();
            match words.next() {
                first if line == 1 => {
                    if first != Some("ply") {
                        return Err(ReadError::line(1, "a PLY file begins with `ply`; is this one?"));
                    }
                }
                Some("format") => encoding = Some(parse_encoding(words.next(), line)?),
                Some("comment") => {
                    if let Some((number, name)) = parse_tag_name(text) {
                        tag_names.insert(number, name);
                    }
                }
                Some("obj_info") | None => {}
                Some("element") => elements.push(parse_element(words.next(), words.next(), line)?),
                Some("property") => {
                    let property = parse_property(&mut words, line)?;
                    let element = elements.last_mut();
                    let element =
                        element.ok_or_else(|| ReadError::line(line, "a property before any element"))?;
                    element.properties.push(property);
                }
                Some("end_header") => {
                    let encoding =
                        encoding.ok_or_else(|| ReadError::line(line, "the header names no format"))?;
                    return Ok(Self {
                        encoding,
                        elements,
                        tag_names,
                        body_offset: offset,
                        body_line: line + 1,
                    });
                }
                Some(word) => {
                    return Err(ReadError::line(
                        line,
                        format!("`{word}` is no word of a PLY header"),
                    ));
                }
            }
        }
        Err(ReadError::line(MOST_HEADER_LINES, "the header does not end"))
    }
}

fn parse_encoding(word: Option<&str>, line: usize) -> Result<Encoding, ReadError> {
    match word {
        Some("ascii") => Ok(Encoding::Ascii),
        Some("binary_little_endian") => Ok(Encoding::LittleEndian),
        Some("binary_big_endian") => Ok(Encoding::BigEndian),
        _ => Err(ReadError::line(
            line,
            "the format is none of ascii, binary_little_endian, binary_big_endian",
        )),
    }
}

fn parse_tag_name(text: &str) -> Option<(i64, String)> {
    let rest = text
        .strip_prefix("comment")?
        .trim_start()
        .strip_prefix("tag ")?
        .trim_start();
    let (number, name) = rest.split_once(char::is_whitespace)?;
    Some((number.parse().ok()?, name.trim().to_owned()))
}

fn parse_element(name: Option<&str>, count: Option<&str>, line: usize) -> Result<Element, ReadError> {
    let name = name.ok_or_else(|| ReadError::line(line, "an element without a name"))?;
    let count = count.and_then(|count| count.parse().ok()).ok_or_else(|| {
        ReadError::line(
            line,
            format!("the element `{name}` has no count that is a whole number"),
        )
    })?;
    Ok(Element {
        name: name.to_owned(),
        count,
        properties: Vec::new(),
    })
}

fn parse_property<'a>(words: &mut impl Iterator<Item = &'a str>, line: usize) -> Result<Property, ReadError> {
    let scalar_of = |word: Option<&str>| {
        word.and_then(Scalar::parse).ok_or_else(|| {
            ReadError::line(
                line,
                format!("`{}` is no type of a property", word.unwrap_or_default()),
            )
        })
    };
    let first = words.next();
    let (count, scalar) = if first == Some("list") {
        (Some(scalar_of(words.next())?), scalar_of(words.next())?)
    } else {
        (None, scalar_of(first)?)
    };
    if matches!(count, Some(Scalar::F32 | Scalar::F64)) {
        return Err(ReadError::line(
            line,
            "the count of a list must be a whole number",
        ));
    }
    let name = words
        .next()
        .ok_or_else(|| ReadError::line(line, "a property without a name"))?;
    Ok(Property {
        name: name.to_owned(),
        scalar,
        count,
    })
}
