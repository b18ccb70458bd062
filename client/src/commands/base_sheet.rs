//! `check --sheet`: a picture of all base models in the colours of their tags, drawn before anything runs and also where the
//! manifest has errors, so that a wrong tag is seen.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;
use tidemill_mesh::Mesh;
use tidemill_mesh::mesh::UNTAGGED;
use tidemill_mesh::operations::{self, Context};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh};
use tidemill_mesh::value::{Gathered, GatheredValue, Value};
use tidemill_ops::{Call, Setting, TagColor};
use tidemill_plan::Wanted;

use super::legend;
use crate::failure::{Failure, io_words};
use crate::manifest::{ManifestFile, shown};
use crate::output::human;
use crate::printer::Printer;
use crate::settings::Settings;
use crate::survey::survey;

/// Pixels on each side of a cell.
const CELL_PX: u32 = 320;

/// Of faces whose tag the manifest does not know: a colour that no prop has.
const GLARING: [u8; 3] = [0xFF, 0x00, 0xFF];

/// Draws the sheet into a PNG file.
pub(super) fn draw(
    manifest: &Path,
    to: &Path,
    settings: &Settings,
    printer: &Printer,
) -> Result<(), Failure> {
    let file = ManifestFile::read(manifest)?;
    let wanted = tidemill_plan::wanted(&file.text, &file.name).map_err(|found| shown(&found, printer))?;
    let surveyed = survey(&file.root, &wanted, &settings.data)?.survey;
    let placement = Placement::parse(&wanted.units, &wanted.up).unwrap_or_default();
    let models: Vec<&String> = surveyed
        .files
        .iter()
        .filter(|(_, found)| found.model.is_some())
        .map(|(path, _)| path)
        .collect();
    if models.is_empty() {
        return Err(Failure::wrong("there is no base model to draw").hint(
            "name them with `models` in `[variants]`; a sheet shows what is read as a model, for its tags",
        ));
    }
    // Read by all cores: large families would take their time one after the other.
    let read: Vec<Result<Mesh, String>> = models
        .par_iter()
        .map(|path| read_model(&file.root, path, placement))
        .collect();
    let mut gathered = Gathered::default();
    for (position, (path, mesh)) in models.iter().zip(read).enumerate() {
        let stem = Path::new(path.as_str())
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        match mesh {
            Ok(mesh) => gathered.present.push(GatheredValue {
                position,
                label: label(&stem, &mesh, &wanted),
                value: Value::Mesh(Arc::new(mesh)),
            }),
            Err(problem) => {
                printer.warning(format_args!("{path}: {problem}"));
                gathered.missing.push((position, stem));
            }
        }
    }
    let png = sheet(gathered, &wanted)?;
    std::fs::write(to, &png).map_err(|error| Failure::file("write", to, &error))?;
    if !printer.is_json() {
        let count = human::count(models.len(), "base model", "base models");
        printer.note(format_args!(
            "{count} in the colours of their tags: {}",
            to.display()
        ));
    }
    Ok(())
}

fn read_model(root: &Path, path: &str, placement: Placement) -> Result<Mesh, String> {
    let full = path
        .split('/')
        .fold(root.to_owned(), |folder, part| folder.join(part));
    let bytes = std::fs::read(&full).map_err(|error| io_words(&error))?;
    let extension = full
        .extension()
        .map(|extension| format!(".{}", extension.to_string_lossy()))
        .unwrap_or_default();
    let facts = tidemill_mesh::read::survey(&bytes, &extension).map_err(|error| error.to_string())?;
    let folder = full.parent().unwrap_or(root);
    let companions: BTreeMap<String, PathBuf> = facts
        .companions
        .iter()
        .map(|name| (name.clone(), folder.join(name)))
        .collect();
    let model = ModelFile {
        bytes: &bytes,
        extension: &extension,
        companions: &companions,
    };
    read_mesh(&model, placement).map_err(|error| error.to_string())
}

/// `crate-large: 12 untagged, gold unknown`.
fn label(stem: &str, mesh: &Mesh, wanted: &Wanted) -> String {
    let untagged = mesh.face_tags.iter().filter(|tag| **tag == UNTAGGED).count();
    let mut remarks = Vec::new();
    if untagged > 0 && wanted.tags {
        remarks.push(format!("{untagged} untagged"));
    }
    remarks.extend(unknown(mesh, wanted).map(|tag| format!("{tag} unknown")));
    match remarks.as_slice() {
        [] => stem.to_owned(),
        remarks => format!("{stem}: {}", remarks.join(", ")),
    }
}

/// Tags that the manifest does not name, if it names any.
fn unknown<'m>(mesh: &'m Mesh, wanted: &'m Wanted) -> impl Iterator<Item = &'m String> {
    let known = |tag: &str| wanted.tag_colors.iter().any(|(name, _)| name == tag);
    mesh.tags.iter().filter(move |tag| wanted.tags && !known(tag))
}

fn sheet(mut gathered: Gathered, wanted: &Wanted) -> Result<Vec<u8>, Failure> {
    let count = gathered.present.len() + gathered.missing.len();
    let columns = (1..=8_u32)
        .find(|columns| (columns * columns) as usize >= count)
        .unwrap_or(8);
    let call = Call {
        op: "sheet".to_owned(),
        version: 1,
        settings: [
            ("columns".to_owned(), Setting::Number(f64::from(columns))),
            ("cell".to_owned(), Setting::Number(f64::from(CELL_PX))),
        ]
        .into(),
        inputs: BTreeMap::new(),
        outputs: BTreeMap::new(),
    };
    let known = wanted.tag_colors.iter().map(|(name, color)| TagColor {
        name: name.clone(),
        rgb: [16, 8, 0].map(|shift| (color >> shift) as u8),
    });
    let mut strange: BTreeMap<String, TagColor> = BTreeMap::new();
    for item in &gathered.present {
        let Value::Mesh(mesh) = &item.value else { continue };
        for tag in unknown(mesh, wanted) {
            let glaring = TagColor {
                name: tag.clone(),
                rgb: GLARING,
            };
            strange.insert(tag.clone(), glaring);
        }
    }
    let tags: Vec<TagColor> = known.chain(strange.into_values()).collect();
    gathered.present.par_iter_mut().for_each(|item| {
        if let Value::Mesh(mesh) = &item.value {
            item.value = Value::Map(Arc::new(legend::picture(
                mesh,
                &tags,
                wanted.tag_colors.len(),
                CELL_PX,
            )));
        }
    });
    let draw =
        operations::find("sheet").ok_or_else(|| Failure::work("this program has no operation `sheet`"))?;
    let drawn = draw(&Context {
        call: &call,
        inputs: [("maps", Value::Many(Arc::new(gathered)))].into(),
        tags: &tags,
    });
    let drawn = drawn.map_err(|error| Failure::work(format!("the sheet cannot be drawn: {error}")))?;
    match drawn.outputs.into_iter().next() {
        Some((_, Value::Map(map))) => map
            .to_png()
            .map_err(|error| Failure::work(format!("the sheet cannot be written: {error}"))),
        _ => Err(Failure::work("the sheet came out empty")),
    }
}
