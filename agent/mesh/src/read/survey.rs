//! What a model file says about itself, read for the manifest check: cheap, without its companions.

use std::collections::BTreeMap;

use super::{Format, ModelFile, ReadError, buffers, format_of, gltf as gltf_reader, obj, ply};
use crate::Mesh;
use crate::mesh::Bounds;

/// Facts of one model file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ModelFacts {
    /// Faces after triangulation.
    pub triangles: u64,
    /// Vertices as the file counts them.
    pub vertices: u64,
    /// In the file's own units and axes; see [`super::Placement::bounds`]. `None` without faces.
    pub bounds: Option<Bounds>,
    /// Faces that carry each tag.
    pub tags: BTreeMap<String, u64>,
    /// Faces that carry none.
    pub untagged: u64,
    /// Files that the model refers to, by the name that it uses, relative to its folder, in order of first use. Those of a
    /// material library come from [`material_library_refers`].
    pub companions: Vec<String>,
}

/// Facts of a model from its bytes. Fails where [`super::read_mesh`] would, but for companions, which are not looked at.
pub fn survey(bytes: &[u8], extension: &str) -> Result<ModelFacts, ReadError> {
    match format_of(extension)? {
        Format::Obj => Ok(ModelFacts {
            companions: obj::libraries(bytes)?,
            ..facts_of(&obj::read(bytes)?)
        }),
        Format::Ply => Ok(facts_of(&ply::read(bytes)?)),
        Format::Gltf => survey_gltf(bytes),
    }
}

/// Pictures that an MTL file refers to, by the name that it uses.
pub fn material_library_refers(bytes: &[u8]) -> Result<Vec<String>, ReadError> {
    let text = obj::text_of(bytes)?;
    let mut names: Vec<String> = Vec::new();
    for line in text.lines() {
        let mut words = line.split_whitespace();
        let Some(keyword) = words.next() else { continue };
        let keyword = keyword.to_ascii_lowercase();
        if !(keyword.starts_with("map_")
            || matches!(keyword.as_str(), "bump" | "disp" | "decal" | "refl" | "norm"))
        {
            continue;
        }
        let name = picture_name(&words.collect::<Vec<_>>());
        if !name.is_empty() && !names.contains(&name) {
            names.push(name);
        }
    }
    Ok(names)
}

/// What follows the options: `-s 1 1 1 wood grain.png`. An option's values are numbers or one plain word.
fn picture_name(words: &[&str]) -> String {
    let mut rest = words;
    while let [option, tail @ ..] = rest {
        let is_number = option.parse::<f64>().is_ok();
        if option.starts_with('-') && !is_number {
            let numeric = matches!(*option, "-s" | "-o" | "-t" | "-mm" | "-bm" | "-boost" | "-texres");
            let values = if numeric {
                tail.iter().take_while(|word| word.parse::<f64>().is_ok()).count()
            } else {
                tail.len().min(1)
            };
            rest = &tail[values..];
        } else {
            break;
        }
    }
    rest.join(" ")
}

fn facts_of(mesh: &Mesh) -> ModelFacts {
    let mut facts = ModelFacts {
        triangles: mesh.triangles.len() as u64,
        vertices: mesh.positions.len() as u64,
        bounds: mesh.bounds(),
        ..ModelFacts::default()
    };
    for triangle in 0..mesh.triangles.len() {
        facts.count(mesh.tag_of(triangle), 1);
    }
    facts
}

impl ModelFacts {
    fn count(&mut self, tag: Option<&str>, faces: u64) {
        match tag {
            None => self.untagged += faces,
            Some(tag) => match self.tags.get_mut(tag) {
                Some(count) => *count += faces,
                None => {
                    self.tags.insert(tag.to_owned(), faces);
                }
            },
        }
    }
}

/// From the accessors' declared counts and bounds; with the buffers at hand the counts are those that a reader finds.
fn survey_gltf(bytes: &[u8]) -> Result<ModelFacts, ReadError> {
    let container = buffers::open(bytes)?;
    let document = gltf_reader::parse(&container)?;
    let mut facts = ModelFacts {
        companions: companions(&document)?,
        ..ModelFacts::default()
    };
    if external(&document).next().is_none() {
        let alone = ModelFile {
            bytes,
            extension: ".glb",
            companions: &BTreeMap::new(),
        };
        return Ok(ModelFacts {
            companions: facts.companions,
            ..facts_of(&gltf_reader::read(&alone)?)
        });
    }
    let mut ends: Vec<[f32; 3]> = Vec::new();
    gltf_reader::each_placed_mesh(&document, &mut |_, mesh, place| {
        for primitive in mesh.primitives() {
            let Some(positions) = primitive.get(&::gltf::Semantic::Positions) else {
                continue;
            };
            let Some(faces) = gltf_reader::faces_of(&primitive) else {
                continue;
            };
            facts.triangles = facts.triangles.saturating_add(faces);
            facts.vertices = facts.vertices.saturating_add(positions.count() as u64);
            facts.count(gltf_reader::tag_name(&primitive.material()).as_deref(), faces);
            let bounds = primitive.bounding_box();
            for corner in 0..8 {
                let pick = |axis: usize| {
                    f64::from(if corner >> axis & 1 == 0 {
                        bounds.min[axis]
                    } else {
                        bounds.max[axis]
                    })
                };
                ends.push(
                    place
                        .transform_point3([pick(0), pick(1), pick(2)].into())
                        .as_vec3()
                        .to_array(),
                );
            }
        }
        Ok(())
    })?;
    facts.bounds = Bounds::of(ends);
    Ok(facts)
}

/// URIs of buffers outside the file.
fn external(document: &gltf::Document) -> impl Iterator<Item = &str> {
    let buffers = document.as_json().buffers.iter();
    buffers
        .filter_map(|buffer| buffer.uri.as_deref())
        .filter(|uri| !uri.starts_with("data:"))
}

/// Buffers and pictures beside the file. A mesh is read from its buffers alone, so that a buffer whose name leads nowhere is an error
/// here as it is there, and a picture whose name does is left out: it could not be staged, and nothing asks for it.
fn companions(document: &gltf::Document) -> Result<Vec<String>, ReadError> {
    let mut names = Vec::new();
    let mut add = |name: String| {
        if !names.contains(&name) {
            names.push(name);
        }
    };
    for uri in external(document) {
        add(buffers::companion_name(uri).ok_or_else(|| buffers::not_beside_the_model(uri))?);
    }
    // From the JSON itself: the crate's own view of a picture takes a sound one for granted.
    let pictures = document.as_json().images.iter();
    pictures
        .filter_map(|picture| picture.uri.as_deref())
        .filter(|uri| !uri.starts_with("data:"))
        .filter_map(buffers::companion_name)
        .for_each(add);
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_of_a_material_library() {
        let text = b"newmtl a\nKd 1 1 1\nmap_Kd wood.png\nmap_Bump -bm 0.5 my bump.png\nmap_Ks -s 1 1 1 -clamp on -o 0.5 s.png\nmap_Kd wood.png\nbump\n";
        assert_eq!(
            material_library_refers(text).expect("text"),
            ["wood.png", "my bump.png", "s.png"]
        );
    }

    #[test]
    fn a_picture_without_a_usable_name_keeps_no_model_from_being_surveyed() {
        let with = |picture: &str, buffer: &str| {
            let text = format!(
                r#"{{"asset":{{"version":"2.0"}},"images":[{{"uri":"{picture}"}}],"buffers":[{{"byteLength":36,"uri":"{buffer}"}}],
                "bufferViews":[{{"buffer":0,"byteLength":36}}],"nodes":[{{"mesh":0}}],
                "meshes":[{{"primitives":[{{"attributes":{{"POSITION":0}}}}]}}],
                "accessors":[{{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3","min":[0,0,0],"max":[1,1,0]}}]}}"#
            );
            survey(text.as_bytes(), ".gltf")
        };
        let inside = "data:application/octet-stream;base64,AAAAAAAAAAAAAAAAAACAPwAAAAAAAAAAAAAAAAAAgD8AAAAA";
        for picture in ["", "../up.png", "%zz"] {
            let facts = with(picture, inside).expect("a sound mesh");
            assert_eq!((facts.triangles, facts.companions.len()), (1, 0), "{picture}");
            let facts = with(picture, "b.bin").expect("a sound mesh");
            assert_eq!(facts.companions, ["b.bin"], "{picture}");
        }
        assert_eq!(with("a.png", inside).expect("a sound mesh").companions, ["a.png"]);
        assert!(with("a.png", "").is_err());
    }

    #[test]
    fn an_obj_tells_its_tags_and_what_lacks_one() {
        let text =
            b"mtllib x.mtl\nv 0 0 0\nv 2 0 0\nv 0 3 0\nv 9 9 9\nf 1 2 3\nusemtl iron\nf 1 2 3\nf 1 2 3 1\n";
        let facts = survey(text, ".OBJ").expect("a sound file");
        assert_eq!((facts.triangles, facts.vertices, facts.untagged), (4, 4, 1));
        assert_eq!(facts.tags, BTreeMap::from([("iron".to_owned(), 3)]));
        assert_eq!(facts.companions, ["x.mtl"]);
        let bounds = facts.bounds.expect("it has faces");
        assert_eq!((bounds.least, bounds.most), ([0.0; 3], [2.0, 3.0, 0.0]));
    }
}
