//! One picture of two outputs that differ: before, after, and where they differ how much. Pure.

use rayon::prelude::*;
use tidemill_mesh::map::Samples;
use tidemill_mesh::mesh::UNTAGGED;
use tidemill_mesh::picture::{Area, Canvas, ViewSettings, draw_mesh};
use tidemill_mesh::spatial::{Bvh, point};
use tidemill_mesh::{Map, Mesh};
use tidemill_ops::TagColor;

use super::differ::Pair;

/// Pixels on each side of a panel.
const PANEL: usize = 400;
const MARGIN: usize = 12;
/// Dots of the font are so many pixels a side.
const LETTER: usize = 2;
const LINE: usize = 26;
const PAPER: [u8; 3] = [250, 250, 248];
const INK: [u8; 3] = [30, 40, 48];
const FRAME: [u8; 3] = [190, 196, 198];
/// Where nothing differs.
const SAME: [u8; 3] = [226, 228, 228];
/// From the least difference to the greatest: yellow, orange and vermilion of Okabe and Ito's palette.
const RAMP: [[u8; 3]; 3] = [[240, 228, 66], [230, 159, 0], [213, 94, 0]];
/// Steps of the ramp on a mesh.
const BINS: u16 = 12;

/// The picture as a PNG file; `None`: there is nothing to draw. `title` says what is shown, `names` are those of the runs,
/// `words` say how much the outputs differ.
pub fn side_by_side(
    pair: &Pair,
    title: &str,
    names: [&str; 2],
    words: &str,
    tags: &[TagColor],
) -> Option<Vec<u8>> {
    let panels = match pair {
        Pair::Maps(before, after) => [before.clone(), after.clone(), differing_pixels(before, after)],
        Pair::Meshes(before, after) => {
            let view = ViewSettings::three_quarter(PANEL as u32);
            [
                draw_mesh(before, tags, view),
                draw_mesh(after, tags, view),
                draw_distances(before, after, view),
            ]
        }
        Pair::Other(_) => return None,
    };
    let width = 3 * PANEL + 4 * MARGIN;
    let height = MARGIN + LINE + LINE + PANEL + LINE + MARGIN;
    let mut canvas = Canvas::new(width, height, PAPER);
    let line = |y: usize, x: usize, width: usize| Area {
        x,
        y,
        width,
        height: LINE,
    };
    canvas.text_in(line(MARGIN, MARGIN, width - 2 * MARGIN), title, LETTER, INK);
    let captions = [names[0], names[1], "where they differ"];
    for (place, (panel, caption)) in panels.iter().zip(captions).enumerate() {
        let x = MARGIN + place * (PANEL + MARGIN);
        let area = Area {
            x,
            y: MARGIN + 2 * LINE,
            width: PANEL,
            height: PANEL,
        };
        canvas.text_in(line(MARGIN + LINE, x, PANEL), caption, LETTER, INK);
        canvas.put(area, panel);
        canvas.frame(area, 1, FRAME);
    }
    canvas.text_in(
        line(MARGIN + 2 * LINE + PANEL, MARGIN, width - 2 * MARGIN),
        words,
        LETTER,
        INK,
    );
    canvas.into_map().to_png().ok()
}

/// The colour of a difference, as a share of the greatest; more than nothing is never the colour of nothing.
fn colored(share: f64) -> [u8; 3] {
    if share <= 0.0 {
        return SAME;
    }
    let at = share.min(1.0) * (RAMP.len() - 1) as f64;
    let low = (at as usize).min(RAMP.len() - 2);
    let between = at - low as f64;
    std::array::from_fn(|channel| {
        let (from, to) = (f64::from(RAMP[low][channel]), f64::from(RAMP[low + 1][channel]));
        (from + (to - from) * between).round() as u8
    })
}

/// Each pixel by its greatest difference of a channel, on a scale up to the greatest of all. Of maps of different forms nothing
/// can be said pixel by pixel: then all of it differs.
fn differing_pixels(before: &Map, after: &Map) -> Map {
    let same_form =
        (before.width, before.height, before.channels) == (after.width, after.height, after.channels);
    let differences: Vec<u64> = match (&before.data, &after.data) {
        (Samples::Eight(a), Samples::Eight(b)) if same_form => by_pixel(a, b, before.channels),
        (Samples::Sixteen(a), Samples::Sixteen(b)) if same_form => by_pixel(a, b, before.channels),
        _ => vec![1; after.width as usize * after.height as usize],
    };
    let most = differences.iter().copied().max().unwrap_or(0).max(1) as f64;
    let pixels = differences.iter().flat_map(|one| colored(*one as f64 / most));
    Map {
        width: after.width,
        height: after.height,
        channels: 3,
        data: Samples::Eight(pixels.collect()),
        srgb: true,
    }
}

fn by_pixel<T: Copy + Into<i64>>(before: &[T], after: &[T], channels: u8) -> Vec<u64> {
    let channels = usize::from(channels).max(1);
    let pixels = before.chunks(channels).zip(after.chunks(channels));
    let difference = |(a, b): (&T, &T)| ((*a).into() - (*b).into()).unsigned_abs();
    pixels
        .map(|(a, b)| a.iter().zip(b).map(difference).max().unwrap_or(0))
        .collect()
}

/// The later mesh, each face in the colour of the distance from its middle to the earlier surface.
fn draw_distances(before: &Mesh, after: &Mesh, view: ViewSettings) -> Map {
    let tree = Bvh::new(before);
    let distances: Vec<f64> = after
        .triangles
        .par_iter()
        .map(|corners| {
            let corners = corners
                .iter()
                .map(|corner| point(after.positions[*corner as usize]));
            let middle = corners.fold(point([0.0; 3]), |sum, corner| sum + corner) / 3.0;
            let near = tree.nearest(middle, f64::INFINITY);
            near.map_or(0.0, |near| near.distance_squared.sqrt())
        })
        .collect();
    let most = distances.iter().copied().fold(0.0, f64::max);
    // So little beside the greatest distance would only hide where the mesh moved.
    let bin = |distance: f64| match distance / most {
        share if share.is_nan() || share < 0.02 => UNTAGGED,
        share => ((share * f64::from(BINS)) as u16).min(BINS - 1),
    };
    let names: Vec<String> = (0..BINS).map(|bin| bin.to_string()).collect();
    let colors = (0..BINS).map(|bin| colored((f64::from(bin) + 0.5) / f64::from(BINS)));
    let tags: Vec<TagColor> = names
        .iter()
        .zip(colors)
        .map(|(name, rgb)| TagColor {
            name: name.clone(),
            rgb,
        })
        .collect();
    let colored = Mesh {
        face_tags: distances.iter().map(|distance| bin(*distance)).collect(),
        tags: names,
        ..after.clone()
    };
    draw_mesh(&colored, &tags, view)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::looks::differ::pair;

    fn picture(extension: &str, before: &[u8], after: &[u8]) -> Option<Map> {
        let pair = pair(extension, before, after);
        let png = side_by_side(
            &pair,
            "crate-small/maps tag-id",
            ["quay.1", "quay.2"],
            "1 pixel",
            &[],
        )?;
        Some(Map::from_png(&png).unwrap())
    }

    /// The pixel in the middle of a cell of a panel that is cut into 4 x 4 cells.
    fn cell(picture: &Map, panel: usize, column: usize, row: usize) -> [u8; 3] {
        let x = MARGIN + panel * (PANEL + MARGIN) + PANEL / 8 * (2 * column + 1);
        let y = MARGIN + 2 * LINE + PANEL / 8 * (2 * row + 1);
        picture.rgb_at(x as u32, y as u32)
    }

    #[test]
    fn a_changed_pixel_stands_where_it_was_changed_and_nowhere_else() {
        let before = Map::filled(4, 4, &[10, 20, 30], true);
        let mut after = before.clone();
        if let Samples::Eight(samples) = &mut after.data {
            samples[(4 + 2) * 3] = 90; // row 1, column 2
            samples[(3 * 4) * 3 + 1] = 22; // row 3, column 0
        }
        let drawn = picture(".png", &before.to_png().unwrap(), &after.to_png().unwrap()).unwrap();
        assert_eq!(cell(&drawn, 0, 2, 1), [10, 20, 30]);
        assert_eq!(cell(&drawn, 1, 2, 1), [90, 20, 30]);
        assert_eq!(cell(&drawn, 2, 2, 1), RAMP[2], "the greatest");
        assert_eq!(cell(&drawn, 2, 0, 3), colored(2.0 / 80.0), "a small one");
        assert_eq!(cell(&drawn, 2, 0, 0), SAME);
    }

    #[test]
    fn a_lifted_face_is_coloured_and_the_rest_is_not() {
        let roof = |z: f64| {
            format!(
                "v 0 0 0\nv 1 0 0\nv 1 0 1\nv 0 0 1\nv 0 {z} 2\nv 1 {z} 2\nf 1 2 3\nf 1 3 4\nf 4 3 6\nf 4 6 5\n"
            )
        };
        let drawn = picture(".obj", roof(0.0).as_bytes(), roof(0.4).as_bytes()).unwrap();
        let colours = |panel: usize| {
            let x = MARGIN + panel * (PANEL + MARGIN);
            let pixels = (x..x + PANEL).flat_map(|x| (0..PANEL).map(move |y| (x, MARGIN + 2 * LINE + y)));
            let warm = pixels.filter(|(x, y)| {
                let [red, _, blue] = drawn.rgb_at(*x as u32, *y as u32).map(i32::from);
                red - blue > 60
            });
            warm.count()
        };
        assert!(colours(2) > 500, "the lifted half is warm: {}", colours(2));
        assert_eq!(colours(0), 0, "without tags the mesh itself is grey");
    }

    #[test]
    fn what_cannot_be_drawn_has_no_picture() {
        assert!(picture(".json", b"{}", b"[]").is_none());
        assert!(picture(".png", b"no", b"neither").is_none());
    }
}
