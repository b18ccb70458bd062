//! `sheet`: a labelled contact sheet of maps, meshes, or both.

use std::collections::BTreeMap;

use rayon::prelude::*;
use tidemill_ops::TagColor;

use super::{Context, OperationError, Produced};
use crate::picture::{Area, Canvas, ViewSettings, draw_mesh};
use crate::value::{Gathered, Value};
use crate::{Map, Mesh};

/// More pixels than this in one sheet are refused.
const MOST_PIXELS: u64 = 300_000_000;

const PAPER: [u8; 3] = [0xF7, 0xF7, 0xF5];
const EDGE: [u8; 3] = [0xD2, 0xD2, 0xCE];
const INK: [u8; 3] = [0x26, 0x26, 0x28];
const HATCH: [[u8; 3]; 2] = [[0xEA, 0xE8, 0xE4], [0xDD, 0xDA, 0xD4]];
/// Vermillion of Okabe and Ito's palette.
const WARNING: [u8; 3] = [0xD5, 0x5E, 0x00];

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let columns = context.whole("columns")? as usize;
    let side = context.whole("cell")? as usize;
    let maps = context.gathered("maps")?;
    let meshes = context.gathered("meshes")?;
    let cells = Cells::gather(maps.map(AsRef::as_ref), meshes.map(AsRef::as_ref))?;
    let layout = Layout::new(columns, side, cells.by_position.len())?;
    let missing = cells.by_position.values().filter(|cell| cell.is_empty()).count();
    let shown = cells.by_position.len() - missing;
    let sheet = layout.draw(&cells, context.tags);
    Ok(Produced::default()
        .with_map("sheet", sheet)
        .with_figure("shown", shown as f64)
        .with_figure("missing", missing as f64))
}

/// What one variant brought.
#[derive(Default)]
struct Cell<'a> {
    label: &'a str,
    mesh: Option<&'a Mesh>,
    map: Option<&'a Map>,
}

impl Cell<'_> {
    fn is_empty(&self) -> bool {
        self.mesh.is_none() && self.map.is_none()
    }
}

struct Cells<'a> {
    by_position: BTreeMap<usize, Cell<'a>>,
}

impl<'a> Cells<'a> {
    fn gather(maps: Option<&'a Gathered>, meshes: Option<&'a Gathered>) -> Result<Self, OperationError> {
        let mut by_position: BTreeMap<usize, Cell<'a>> = BTreeMap::new();
        for (port, gathered) in [("maps", maps), ("meshes", meshes)] {
            let Some(gathered) = gathered else { continue };
            for (position, label) in &gathered.missing {
                by_position.entry(*position).or_default().label = label;
            }
            for item in &gathered.present {
                let cell = by_position.entry(item.position).or_default();
                cell.label = &item.label;
                match (&item.value, port) {
                    (Value::Map(map), "maps") => cell.map = Some(map),
                    (Value::Mesh(mesh), "meshes") => cell.mesh = Some(mesh),
                    (_, "maps") => return Err(wrong_kind(port, "maps only")),
                    _ => return Err(wrong_kind(port, "meshes only")),
                }
            }
        }
        if by_position.is_empty() {
            let problem =
                "there is nothing to show; give it `maps` or `meshes` that gather at least one variant";
            return Err(OperationError::Unsuitable(problem.to_owned()));
        }
        Ok(Self { by_position })
    }
}

fn wrong_kind(port: &str, expected: &'static str) -> OperationError {
    OperationError::InputType {
        port: port.to_owned(),
        expected,
    }
}

struct Layout {
    columns: usize,
    rows: usize,
    /// Pixels on each side of a cell's picture.
    side: usize,
    /// Between cells and around all.
    gap: usize,
    label_height: usize,
    text_scale: usize,
}

impl Layout {
    fn new(columns: usize, side: usize, cells: usize) -> Result<Self, OperationError> {
        let columns = columns.clamp(1, cells);
        let text_scale = (side / 150).max(1);
        let layout = Self {
            columns,
            rows: cells.div_ceil(columns),
            side,
            gap: (side / 20).max(4),
            label_height: 13 * text_scale,
            text_scale,
        };
        let (width, height) = layout.size();
        if width as u64 * height as u64 > MOST_PIXELS {
            let problem = format!("the sheet would have {width} x {height} pixels; make `cell` smaller");
            return Err(OperationError::Unsuitable(problem));
        }
        Ok(layout)
    }

    fn size(&self) -> (usize, usize) {
        let width = self.columns * (self.side + self.gap) + self.gap;
        (
            width,
            self.rows * (self.side + self.label_height + self.gap) + self.gap,
        )
    }

    fn draw(&self, cells: &Cells<'_>, colors: &[TagColor]) -> Map {
        let (width, height) = self.size();
        let mut canvas = Canvas::new(width, height, PAPER);
        let cells: Vec<&Cell<'_>> = cells.by_position.values().collect();
        // Drawing is the work; putting together is not.
        let drawn: Vec<Option<Map>> = cells
            .par_iter()
            .map(|cell| {
                cell.mesh
                    .map(|mesh| draw_mesh(mesh, colors, ViewSettings::three_quarter(self.side as u32)))
            })
            .collect();
        for (index, (cell, drawn)) in cells.iter().zip(&drawn).enumerate() {
            let area = Area {
                x: self.gap + index % self.columns * (self.side + self.gap),
                y: self.gap + index / self.columns * (self.side + self.label_height + self.gap),
                width: self.side,
                height: self.side,
            };
            self.draw_cell(&mut canvas, area, cell, drawn.as_ref());
        }
        canvas.into_map()
    }

    fn draw_cell(&self, canvas: &mut Canvas, area: Area, cell: &Cell<'_>, drawn: Option<&Map>) {
        match (drawn, cell.map) {
            (Some(picture), None) => {
                canvas.put(area, picture);
            }
            (None, Some(map)) => {
                canvas.fill(area, [255; 3]);
                canvas.put(area.shrunk(1), map);
            }
            // The mesh large, its map small in a corner.
            (Some(picture), Some(map)) => {
                canvas.put(area, picture);
                let inset_side = self.side * 26 / 100;
                let margin = self.side / 32 + 1;
                let inset = Area {
                    x: area.x + area.width - inset_side - margin,
                    y: area.y + margin,
                    width: inset_side,
                    height: inset_side,
                };
                let covered = canvas.put(inset, map);
                canvas.frame(covered, 1, EDGE);
            }
            (None, None) => {
                canvas.hatch(area, (self.side / 16).max(4), HATCH);
                let scale = self.text_scale + 1;
                let middle = Area {
                    y: area.y + area.height / 2 - 9 * scale,
                    height: 18 * scale,
                    ..area
                };
                canvas.text_in(middle, "missing", scale, WARNING);
            }
        }
        canvas.frame(area, 1, if cell.is_empty() { WARNING } else { EDGE });
        let label = Area {
            y: area.y + area.height,
            height: self.label_height,
            ..area
        };
        canvas.text_in(label, cell.label, self.text_scale, INK);
    }
}
