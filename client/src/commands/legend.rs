//! One cell of the sheet of base models: the model in the colours of its tags, and below it each colour with its tag and the share
//! of the surface that carries it.

use tidemill_mesh::Mesh;
use tidemill_mesh::inspect::inspect_mesh;
use tidemill_mesh::map::Map;
use tidemill_mesh::palette::{UNTAGGED_RGB, tag_colors};
use tidemill_mesh::picture::{Area, Canvas, ViewSettings, draw_mesh};
use tidemill_ops::TagColor;

/// Behind the legend, as behind the model.
const PAPER: [u8; 3] = [0xFF; 3];
const INK: [u8; 3] = [0x26, 0x26, 0x28];
const EDGE: [u8; 3] = [0x60, 0x60, 0x60];
/// Pixels down that a line of the legend takes, at scale 1.
const LINE_PX: usize = 12;
/// Most lines; a model with more tags is told how many are left out.
const MOST_LINES: usize = 8;
/// Pixels across that a dot of the font advances a letter by, at scale 1.
const LETTER_PX: usize = 6;

/// A line of the legend.
#[derive(Debug, PartialEq)]
struct Line {
    /// `None`: the line only says how many tags have none.
    rgb: Option<[u8; 3]>,
    text: String,
}

/// Draws a cell that is `side` pixels wide with its frame of one pixel. The first `known` tags are the manifest's.
pub(super) fn picture(mesh: &Mesh, tags: &[TagColor], known: usize, side: u32) -> Map {
    let side = side.saturating_sub(2).max(64);
    let lines = lines(mesh, tags, known);
    let scale = if lines.len() <= 4 { 2 } else { 1 };
    let below = lines.len() * LINE_PX * scale;
    let width = side as usize;
    let view = ViewSettings::three_quarter(side - below as u32);
    let drawn = draw_mesh(mesh, tags, view);
    let mut canvas = Canvas::new(width, width, PAPER);
    let top = width - below;
    canvas.put(
        Area {
            x: 0,
            y: 0,
            width,
            height: top,
        },
        &drawn,
    );
    // Columns would move with the longest name: the legend stands in the middle as a block.
    let longest = lines
        .iter()
        .map(|line| line.text.chars().count())
        .max()
        .unwrap_or(0);
    let swatch = 8 * scale;
    let left = width.saturating_sub(longest * LETTER_PX * scale + swatch + 4 * scale) / 2;
    for (number, line) in lines.iter().enumerate() {
        let y = top + number * LINE_PX * scale + scale;
        if let Some(rgb) = line.rgb {
            let area = Area {
                x: left,
                y,
                width: swatch,
                height: swatch,
            };
            canvas.fill(area, rgb);
            canvas.frame(area, 1, EDGE);
        }
        canvas.text(left + swatch + 4 * scale, y, &line.text, scale, INK);
    }
    canvas.into_map()
}

/// The manifest's tags first, in its order, also those that the model lacks; then what else its faces carry.
fn lines(mesh: &Mesh, tags: &[TagColor], known: usize) -> Vec<Line> {
    let (known, _) = tags.split_at(known.min(tags.len()));
    let measured = inspect_mesh(mesh);
    let share = |area: f64| {
        if measured.area > 0.0 {
            area / measured.area
        } else {
            0.0
        }
    };
    let own = tag_colors(&mesh.tags, tags);
    let others = mesh.tags.iter().zip(own).filter_map(|(name, rgb)| {
        let is_known = known.iter().any(|tag| tag.name == *name);
        (!is_known && measured.tags.contains_key(name)).then_some((name.as_str(), rgb))
    });
    let mut lines: Vec<Line> = known
        .iter()
        .map(|tag| (tag.name.as_str(), tag.rgb))
        .chain(others)
        .map(|(name, rgb)| {
            let area = measured.tags.get(name).map_or(0.0, |figures| figures.area);
            Line {
                rgb: Some(rgb),
                text: format!("{} {}", short(name), percent(share(area))),
            }
        })
        .collect();
    if measured.untagged > 0 {
        let tagged: f64 = measured.tags.values().map(|figures| figures.area).sum();
        lines.push(Line {
            rgb: Some(UNTAGGED_RGB),
            text: format!("untagged {}", percent(share(measured.area - tagged))),
        });
    }
    if lines.len() > MOST_LINES {
        let more = lines.len() - (MOST_LINES - 1);
        lines.truncate(MOST_LINES - 1);
        lines.push(Line {
            rgb: None,
            text: format!("and {more} more"),
        });
    }
    lines
}

/// Names that would leave the cell are cut.
fn short(name: &str) -> String {
    const MOST: usize = 16;
    if name.chars().count() <= MOST {
        return name.to_owned();
    }
    name.chars().take(MOST - 2).chain("..".chars()).collect()
}

/// A tag on one face of many must not look like one on none.
fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 0.0 && percent < 0.1 {
        "under 0.1 %".to_owned()
    } else {
        format!("{percent:.1} %")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A square of two triangles in front: one timber, and one of the other tag.
    fn square(other: u16) -> Mesh {
        Mesh {
            positions: vec![[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]],
            triangles: vec![[0, 1, 2], [0, 2, 3]],
            face_tags: vec![0, other],
            tags: vec!["timber".into(), "gold".into()],
            ..Mesh::default()
        }
    }

    fn tags() -> Vec<TagColor> {
        [("timber", [1, 2, 3]), ("iron", [4, 5, 6])]
            .map(|(name, rgb)| TagColor {
                name: name.into(),
                rgb,
            })
            .into()
    }

    #[test]
    fn every_tag_has_its_colour_and_share_also_one_that_is_missing() {
        let line = |rgb, text: &str| Line {
            rgb: Some(rgb),
            text: text.to_owned(),
        };
        let untagged = lines(&square(tidemill_mesh::mesh::UNTAGGED), &tags(), 2);
        assert_eq!(
            untagged,
            [
                line([1, 2, 3], "timber 50.0 %"),
                line([4, 5, 6], "iron 0.0 %"),
                line(UNTAGGED_RGB, "untagged 50.0 %"),
            ]
        );
        let strange = lines(&square(1), &tags(), 2);
        assert_eq!(strange.len(), 3);
        assert_eq!(strange[2].text, "gold 50.0 %");
        // A strange tag of another model is no matter of this one.
        assert_eq!(lines(&square(0), &tags(), 1).len(), 1);
        assert_eq!(percent(1.0e-6), "under 0.1 %");
    }

    #[test]
    fn swatches_stand_below_the_model() {
        let map = picture(&square(1), &tags(), 2, 320);
        assert_eq!((map.width, map.height), (318, 318));
        let found = |rgb: [u8; 3]| -> Vec<u32> {
            // Above them the model itself is drawn, whose shaded faces may have any dark colour.
            let rows = (map.height - 3 * 24..map.height)
                .filter(|y| (0..map.width).any(|x| map.rgb_at(x, *y) == rgb));
            rows.collect()
        };
        let (timber, iron) = (found([1, 2, 3]), found([4, 5, 6]));
        assert!(timber.len() >= 10 && iron.len() >= 10);
        assert!(timber[timber.len() - 1] < iron[0]);
    }
}
