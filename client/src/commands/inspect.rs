//! `inspect`: the figures of model and map files.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Serialize;
use tidemill_mesh::Map;
use tidemill_mesh::inspect::{MapFigures, MeshFigures, inspect_map, inspect_mesh};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh, survey};

use crate::arguments::Inspect;
use crate::exit::ExitStatus;
use crate::failure::{Failure, io_words};
use crate::output::{human, table};
use crate::printer::Printer;

/// Inspects each file. One that cannot be read is told of, and the others go on.
pub fn inspect(arguments: &Inspect, printer: &Printer) -> Result<ExitStatus, Failure> {
    let placement = Placement::parse(&arguments.units, &arguments.up)
        .map_err(|error| Failure::wrong(error.to_string()))?;
    let mut status = ExitStatus::AllDone;
    for path in &arguments.files {
        let shown_path = path.to_string_lossy();
        match figures(path, placement) {
            Ok(figures) if printer.is_json() => printer.object(&FileObject {
                path: &shown_path,
                figures: &figures,
            }),
            Ok(Figures::Model(figures)) => printer.data(model_text(&shown_path, &figures)),
            Ok(Figures::Map(figures)) => printer.data(map_text(&shown_path, &figures)),
            Err(reason) => {
                status = ExitStatus::ItemsFailed;
                printer.failure(&Failure::work(format!("{}: {reason}", path.display())));
            }
        }
    }
    Ok(status)
}

/// What a file holds, by kind. Lengths in metres.
#[derive(Debug, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Figures {
    Model(Box<MeshFigures>),
    Map(MapFigures),
}

/// `kind = "model"` or `kind = "map"`.
#[derive(Debug, Serialize)]
struct FileObject<'a> {
    #[serde(flatten)]
    figures: &'a Figures,
    path: &'a str,
}

fn figures(path: &Path, placement: Placement) -> Result<Figures, String> {
    let bytes = std::fs::read(path).map_err(|error| format!("cannot be read: {}", io_words(&error)))?;
    let extension = path
        .extension()
        .map(|extension| format!(".{}", extension.to_string_lossy()))
        .unwrap_or_default();
    if extension.eq_ignore_ascii_case(".png") {
        return Map::from_png(&bytes)
            .map(|map| Figures::Map(inspect_map(&map)))
            .map_err(|error| error.to_string());
    }
    let facts = survey(&bytes, &extension).map_err(|error| error.to_string())?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let companions: BTreeMap<String, PathBuf> = facts
        .companions
        .iter()
        .map(|name| (name.clone(), folder.join(name)))
        .collect();
    let file = ModelFile {
        bytes: &bytes,
        extension: &extension,
        companions: &companions,
    };
    let mesh = read_mesh(&file, placement).map_err(|error| error.to_string())?;
    Ok(Figures::Model(Box::new(inspect_mesh(&mesh))))
}

fn model_text(path: &str, figures: &MeshFigures) -> String {
    let (least, most) = (figures.bounds.least, figures.bounds.most);
    let size: Vec<String> = (0..3)
        .map(|axis| format!("{:.3}", most[axis] - least[axis]))
        .collect();
    let mut lines = vec![format!("{path}: a model")];
    let closed = match figures.closed {
        true => "closed".to_owned(),
        false => format!(
            "open: {}, {} of more than two faces",
            human::count(
                whole(figures.boundary_edges),
                "edge of one face",
                "edges of one face"
            ),
            figures.non_manifold_edges
        ),
    };
    let facts = [
        ("triangles", figures.triangles.to_string()),
        ("vertices", figures.vertices.to_string()),
        ("size", format!("{} m", size.join(" x "))),
        ("area", format!("{:.6} m²", figures.area)),
        ("volume", format!("{:.6} m³", figures.volume)),
        (
            "surface",
            format!(
                "{closed}; Euler characteristic {}, {}",
                figures.euler,
                human::count(whole(figures.components), "part", "parts")
            ),
        ),
        ("UVs", if figures.uvs { "yes" } else { "none" }.to_owned()),
    ];
    lines.extend(facts.iter().map(|(name, text)| format!("  {name:<10} {text}")));
    if figures.degenerate > 0 {
        lines.push(format!(
            "  {:<10} {}",
            "flat",
            human::count(
                whole(figures.degenerate),
                "face without area",
                "faces without area"
            )
        ));
    }
    if !figures.tags.is_empty() || figures.untagged > 0 {
        let mut tags = table::with_heads(&["tag", ">triangles", ">area in m²"]);
        for (name, tag) in &figures.tags {
            tags.add_row([
                name.clone(),
                tag.triangles.to_string(),
                format!("{:.6}", tag.area),
            ]);
        }
        if figures.untagged > 0 {
            tags.add_row(["(none)".to_owned(), figures.untagged.to_string(), String::new()]);
        }
        lines.extend(table::text(&tags).lines().map(|line| format!("  {line}")));
    }
    lines.join("\n")
}

fn map_text(path: &str, figures: &MapFigures) -> String {
    let mut lines = vec![format!("{path}: a map")];
    let colors = match figures.distinct_colors {
        Some(count) => count.to_string(),
        None => "more than 65536".to_owned(),
    };
    let facts = [
        ("size", format!("{} x {} pixels", figures.width, figures.height)),
        (
            "samples",
            format!("{} of {} bits in a pixel", figures.channels, figures.bit_depth),
        ),
        (
            "meaning",
            if figures.srgb { "sRGB colours" } else { "numbers" }.to_owned(),
        ),
        ("colours", colors),
    ];
    lines.extend(facts.iter().map(|(name, text)| format!("  {name:<10} {text}")));
    lines.extend(
        figures
            .colors
            .iter()
            .take(8)
            .map(|color| format!("  {:<10} {} pixels", color.color, color.pixels)),
    );
    lines.join("\n")
}

fn whole(n: u64) -> usize {
    usize::try_from(n).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A unit cube: area 6, volume 1, Euler characteristic 2.
    const CUBE: &str = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 0 0 1\nv 1 0 1\nv 1 1 1\nv 0 1 1\nusemtl timber\n\
        f 1 4 3 2\nf 5 6 7 8\nf 1 2 6 5\nf 1 5 8 4\nf 2 3 7 6\nusemtl iron\nf 4 8 7 3\n";

    #[test]
    fn a_model_object_has_the_promised_fields() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("crate.obj");
        std::fs::write(&path, CUBE).unwrap();
        let figures = figures(&path, Placement::parse("cm", "z").unwrap()).unwrap();
        let object = serde_json::to_value(FileObject {
            path: "crate.obj",
            figures: &figures,
        })
        .unwrap();
        assert_eq!(
            (object["kind"].as_str(), object["path"].as_str()),
            (Some("model"), Some("crate.obj"))
        );
        assert_eq!(
            (object["triangles"].as_u64(), object["vertices"].as_u64()),
            (Some(12), Some(8))
        );
        assert_eq!(
            (object["euler"].as_i64(), object["closed"].as_bool()),
            (Some(2), Some(true))
        );
        assert!((object["area"].as_f64().unwrap() - 6e-4).abs() < 1e-9);
        assert!((object["volume"].as_f64().unwrap() - 1e-6).abs() < 1e-12);
        assert_eq!(object["tags"]["iron"]["triangles"].as_u64(), Some(2));
        assert!((object["tags"]["timber"]["area"].as_f64().unwrap() - 5e-4).abs() < 1e-9);
        let Figures::Model(figures) = figures else {
            panic!("it is a model")
        };
        let text = anstream::adapter::strip_str(&model_text("crate.obj", &figures)).to_string();
        assert!(
            text.contains("0.010 x 0.010 x 0.010 m") && text.contains("closed"),
            "{text}"
        );
    }

    #[test]
    fn what_cannot_be_read_says_so() {
        let placement = Placement::default();
        assert!(
            figures(Path::new("absent.obj"), placement)
                .unwrap_err()
                .contains("does not exist")
        );
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        std::fs::write(&path, "").unwrap();
        assert!(figures(&path, placement).unwrap_err().contains(".txt"));
    }
}
