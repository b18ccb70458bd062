//! A plain picture in 8 bits sRGB, with what a contact sheet needs: rectangles, hatching, other pictures, text.

use super::font;
use crate::map::{Map, Samples};

/// A picture that is being put together.
#[derive(Debug, Clone)]
pub struct Canvas {
    width: usize,
    height: usize,
    pixels: Vec<[u8; 3]>,
}

/// A part of a canvas; what lies outside of it is cut off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Area {
    /// From the left.
    pub x: usize,
    /// From the top.
    pub y: usize,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
}

impl Area {
    /// Smaller by the same on each side.
    pub fn shrunk(self, by: usize) -> Self {
        Self {
            x: self.x + by,
            y: self.y + by,
            width: self.width.saturating_sub(2 * by),
            height: self.height.saturating_sub(2 * by),
        }
    }
}

impl Canvas {
    /// All in one colour.
    pub fn new(width: usize, height: usize, rgb: [u8; 3]) -> Self {
        Self {
            width,
            height,
            pixels: vec![rgb; width * height],
        }
    }

    /// Fills an area.
    pub fn fill(&mut self, area: Area, rgb: [u8; 3]) {
        self.paint(area, |_, _| Some(rgb));
    }

    /// Draws an area's edge, that many pixels wide, inside.
    pub fn frame(&mut self, area: Area, width: usize, rgb: [u8; 3]) {
        self.paint(area, |x, y| {
            let inside = (width..area.width.saturating_sub(width)).contains(&x)
                && (width..area.height.saturating_sub(width)).contains(&y);
            (!inside).then_some(rgb)
        });
    }

    /// Fills an area with slanted stripes of two colours, each that many pixels wide along a row.
    pub fn hatch(&mut self, area: Area, stripe: usize, rgb: [[u8; 3]; 2]) {
        let stripe = stripe.max(1);
        self.paint(area, |x, y| Some(rgb[(x + y) / stripe % 2]));
    }

    /// Puts a map into an area, as large as fits, in the middle. A smaller picture is a mean of the pixels, a larger one repeats them.
    /// Returns the part that it covers.
    pub fn put(&mut self, area: Area, map: &Map) -> Area {
        let (from_width, from_height) = (map.width as usize, map.height as usize);
        if area.width == 0 || area.height == 0 || from_width == 0 || from_height == 0 {
            return Area {
                width: 0,
                height: 0,
                ..area
            };
        }
        // Compared crosswise, so that it is exact.
        let (width, height) = if from_width * area.height >= from_height * area.width {
            (area.width, (from_height * area.width / from_width).max(1))
        } else {
            ((from_width * area.height / from_height).max(1), area.height)
        };
        let covered = Area {
            x: area.x + (area.width - width) / 2,
            y: area.y + (area.height - height) / 2,
            width,
            height,
        };
        self.paint(covered, |x, y| {
            let columns = span(x, width, from_width);
            let rows = span(y, height, from_height);
            Some(mean(map, columns, rows))
        });
        covered
    }

    /// Writes a line of text with its upper left corner there; each dot of the font is `scale` pixels a side.
    pub fn text(&mut self, x: usize, y: usize, text: &str, scale: usize, rgb: [u8; 3]) {
        for (place, letter) in text.chars().enumerate() {
            let glyph = font::glyph(letter);
            let area = Area {
                x: x + place * font::ADVANCE * scale,
                y,
                width: font::WIDTH * scale,
                height: font::HEIGHT * scale,
            };
            self.paint(area, |x, y| {
                (glyph[y / scale] >> (x / scale) & 1 == 1).then_some(rgb)
            });
        }
    }

    /// Writes text in the middle of an area, cut short with `..` where it does not fit.
    pub fn text_in(&mut self, area: Area, text: &str, scale: usize, rgb: [u8; 3]) {
        let fits = (area.width + scale) / (font::ADVANCE * scale).max(1);
        let text = if text.chars().count() <= fits {
            text.to_owned()
        } else {
            text.chars()
                .take(fits.saturating_sub(2))
                .chain("..".chars())
                .take(fits)
                .collect()
        };
        let width = (text.chars().count() * font::ADVANCE * scale).saturating_sub(scale);
        let x = area.x + area.width.saturating_sub(width) / 2;
        let y = area.y + area.height.saturating_sub(font::ASCENT * scale) / 2;
        self.text(x, y, &text, scale, rgb);
    }

    /// The finished picture.
    pub fn into_map(self) -> Map {
        Map {
            width: self.width as u32,
            height: self.height as u32,
            channels: 3,
            data: Samples::Eight(self.pixels.into_flattened()),
            srgb: true,
        }
    }

    /// Asks for the colour of each pixel of an area by its place in that area.
    fn paint(&mut self, area: Area, mut color: impl FnMut(usize, usize) -> Option<[u8; 3]>) {
        for y in area.y..(area.y + area.height).min(self.height) {
            for x in area.x..(area.x + area.width).min(self.width) {
                if let Some(rgb) = color(x - area.x, y - area.y) {
                    self.pixels[y * self.width + x] = rgb;
                }
            }
        }
    }
}

/// Which source pixels one pixel stands for, at least one.
fn span(place: usize, size: usize, from_size: usize) -> std::ops::Range<usize> {
    let begin = place * from_size / size;
    let end = ((place + 1) * from_size / size).max(begin + 1);
    begin..end.min(from_size)
}

fn mean(map: &Map, columns: std::ops::Range<usize>, rows: std::ops::Range<usize>) -> [u8; 3] {
    let mut sums = [0u64; 3];
    let mut count = 0;
    for row in rows {
        for column in columns.clone() {
            let rgb = map.rgb_at(column as u32, row as u32);
            sums.iter_mut()
                .zip(rgb)
                .for_each(|(sum, value)| *sum += u64::from(value));
            count += 1;
        }
    }
    sums.map(|sum| ((sum + count / 2) / count.max(1)) as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rgb_at(canvas: &Canvas, x: usize, y: usize) -> [u8; 3] {
        canvas.pixels[y * canvas.width + x]
    }

    #[test]
    fn a_wide_map_is_fitted_in_the_middle() {
        let mut canvas = Canvas::new(10, 10, [1; 3]);
        let map = Map::filled(40, 20, &[200, 100, 50], true);
        let covered = canvas.put(
            Area {
                x: 0,
                y: 0,
                width: 10,
                height: 10,
            },
            &map,
        );
        assert_eq!(
            covered,
            Area {
                x: 0,
                y: 2,
                width: 10,
                height: 5
            }
        );
        assert_eq!(rgb_at(&canvas, 0, 1), [1; 3]);
        assert_eq!(rgb_at(&canvas, 9, 6), [200, 100, 50]);
        assert_eq!(rgb_at(&canvas, 0, 7), [1; 3]);
    }

    #[test]
    fn text_that_does_not_fit_is_cut_and_stays_in_its_area() {
        let mut canvas = Canvas::new(60, 20, [255; 3]);
        canvas.text_in(
            Area {
                x: 5,
                y: 5,
                width: 40,
                height: 10,
            },
            "a very long name",
            1,
            [0; 3],
        );
        let ink: Vec<usize> = (0..60)
            .filter(|x| (0..20).any(|y| rgb_at(&canvas, *x, y) == [0; 3]))
            .collect();
        assert!(
            !ink.is_empty() && ink.iter().all(|x| (5..45).contains(x)),
            "{ink:?}"
        );
    }
}
