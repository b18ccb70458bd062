//! Values from files and into files.

use std::path::Path;
use std::sync::Arc;

use tidemill_ops::{ChainInput, ChainOutput, InputFile, Kind, TagColor};

use super::ChainError;
use crate::Map;
use crate::read::{ModelFile, Placement, ReadError, read_mesh};
use crate::value::{Gathered, GatheredValue, Value};
use crate::write;

/// A value of an input: one file, or all of a gathering input.
pub(super) fn load(input: &ChainInput) -> Result<Value, ChainError> {
    if input.many {
        let mut gathered = Gathered {
            present: Vec::new(),
            missing: input.missing.clone(),
        };
        for file in &input.files {
            let value = load_file(input, file)?;
            gathered.present.push(GatheredValue {
                position: file.position,
                label: file.label.clone(),
                value,
            });
        }
        return Ok(Value::Many(Arc::new(gathered)));
    }
    match input.files.as_slice() {
        [file] => load_file(input, file),
        files => Err(ChainError::Input {
            input: input.name.clone(),
            label: String::new(),
            problem: format!(
                "it is one file by its declaration, but {} were given",
                files.len()
            ),
        }),
    }
}

fn load_file(input: &ChainInput, file: &InputFile) -> Result<Value, ChainError> {
    let (name, label) = (input.name.clone(), file.label.clone());
    let model_error = |source: ReadError| ChainError::Model {
        input: name.clone(),
        label: label.clone(),
        source,
    };
    let bytes = std::fs::read(&file.path).map_err(|source| {
        model_error(ReadError::Io {
            path: file.path.clone(),
            source,
        })
    })?;
    match kind_of(&file.extension) {
        Some(Kind::Mesh) => {
            let placement = Placement::parse(&input.units, &input.up).map_err(model_error)?;
            let model = ModelFile {
                bytes: &bytes,
                extension: &file.extension,
                companions: &file.companions,
            };
            let mesh = read_mesh(&model, placement).map_err(model_error)?;
            Ok(Value::Mesh(Arc::new(mesh)))
        }
        Some(Kind::Map) => {
            let map = Map::from_png(&bytes).map_err(|source| ChainError::Map {
                input: name,
                label,
                source,
            })?;
            Ok(Value::Map(Arc::new(map)))
        }
        Some(Kind::Data) => {
            let problem = |error: &dyn std::fmt::Display| ChainError::Input {
                input: name.clone(),
                label: label.clone(),
                problem: format!("it is no JSON: {error}"),
            };
            let text = String::from_utf8(bytes).map_err(|error| problem(&error))?;
            serde_json::from_str::<serde::de::IgnoredAny>(&text).map_err(|error| problem(&error))?;
            Ok(Value::Data(Arc::new(text)))
        }
        None => Err(model_error(ReadError::UnknownExtension {
            extension: file.extension.clone(),
        })),
    }
}

/// The kind that a file of this extension is read as.
fn kind_of(extension: &str) -> Option<Kind> {
    let extension = extension.to_ascii_lowercase();
    [Kind::Mesh, Kind::Map, Kind::Data]
        .into_iter()
        .find(|kind| kind.readable().contains(&extension.as_str()))
}

/// Writes a value; gives the number of bytes.
pub(super) fn write(output: &ChainOutput, value: &Value, colors: &[TagColor]) -> Result<usize, ChainError> {
    let name = || output.name.clone();
    let bytes = match (value, output.extension.to_ascii_lowercase().as_str()) {
        (Value::Mesh(mesh), ".glb") => write::glb(mesh, colors).map_err(|source| ChainError::WriteMesh {
            output: name(),
            source,
        })?,
        (Value::Mesh(mesh), ".obj") => write::obj(mesh).into_bytes(),
        (Value::Model(model), ".glb") => {
            write::glb_of_model(model, colors).map_err(|source| ChainError::WriteMesh {
                output: name(),
                source,
            })?
        }
        (Value::Model(model), ".obj") if model.dress.is_some() => {
            return Err(ChainError::Output {
                output: name(),
                problem:
                    "an OBJ file cannot hold the maps that `dress` put on the mesh; let it end in `.glb`"
                        .to_owned(),
            });
        }
        (Value::Model(model), ".obj") => write::obj_of_model(model).into_bytes(),
        (Value::Map(map), ".png") => map.to_png().map_err(|source| ChainError::WriteMap {
            output: name(),
            source,
        })?,
        (Value::Data(json), ".json") => json.as_bytes().to_vec(),
        (value, extension) => {
            let problem = match value.kind() {
                Some(kind) => format!(
                    "a value of kind {} cannot be written as `{extension}`; use {}",
                    kind.word(),
                    kind.writable().join(" or ")
                ),
                None => "a gathered value cannot be written; give it to an operation".to_owned(),
            };
            return Err(ChainError::Output {
                output: name(),
                problem,
            });
        }
    };
    put(&output.path, &bytes)?;
    Ok(bytes.len())
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), ChainError> {
    std::fs::write(path, bytes).map_err(|source| ChainError::WriteFile {
        path: path.to_owned(),
        source,
    })
}
