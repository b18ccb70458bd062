//! Figures about a map.

use std::collections::HashMap;

use serde::Serialize;

use crate::Map;
use crate::map::Samples;

/// Counting stops at this many distinct colours.
const MOST_DISTINCT: usize = 65_536;
/// Colours are listed only if there are at most this many.
const MOST_LISTED: usize = 64;

/// What a map file holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MapFigures {
    /// Pixels in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// 1 to 4.
    pub channels: u8,
    /// Bits in a sample.
    pub bit_depth: u8,
    /// The file says that it holds sRGB colours.
    pub srgb: bool,
    /// Different colours; absent when there are more than 65,536.
    pub distinct_colors: Option<usize>,
    /// Each colour and its pixels, most frequent first; empty when there are more than 64.
    pub colors: Vec<ColorCount>,
}

/// One colour of a map.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ColorCount {
    /// `#` and the samples in hexadecimal, two or four digits each.
    pub color: String,
    /// How many pixels have it.
    pub pixels: u64,
}

/// Counts the colours of a map.
pub fn inspect_map(map: &Map) -> MapFigures {
    let counts = color_counts(map);
    let distinct_colors = counts.as_ref().map(HashMap::len);
    let mut colors: Vec<ColorCount> = counts
        .filter(|counts| counts.len() <= MOST_LISTED)
        .unwrap_or_default()
        .into_iter()
        .map(|(color, pixels)| ColorCount {
            color: written(color, map),
            pixels,
        })
        .collect();
    colors.sort_by(|left, right| {
        right
            .pixels
            .cmp(&left.pixels)
            .then_with(|| left.color.cmp(&right.color))
    });
    MapFigures {
        width: map.width,
        height: map.height,
        channels: map.channels,
        bit_depth: map.data.bit_depth(),
        srgb: map.srgb,
        distinct_colors,
        colors,
    }
}

/// By the samples of a pixel packed into one number; `None` when there are too many.
fn color_counts(map: &Map) -> Option<HashMap<u64, u64>> {
    let channels = usize::from(map.channels).max(1);
    let mut counts = HashMap::new();
    let pack = |color: u64, sample: u64| color << map.data.bit_depth() | sample;
    let mut count = |color: u64| {
        *counts.entry(color).or_insert(0) += 1;
        (counts.len() <= MOST_DISTINCT).then_some(())
    };
    match &map.data {
        Samples::Eight(samples) => samples.chunks_exact(channels).try_for_each(|pixel| {
            count(
                pixel
                    .iter()
                    .fold(0, |color, sample| pack(color, u64::from(*sample))),
            )
        })?,
        Samples::Sixteen(samples) => samples.chunks_exact(channels).try_for_each(|pixel| {
            count(
                pixel
                    .iter()
                    .fold(0, |color, sample| pack(color, u64::from(*sample))),
            )
        })?,
    }
    Some(counts)
}

fn written(color: u64, map: &Map) -> String {
    let digits = usize::from(map.channels) * usize::from(map.data.bit_depth()) / 4;
    format!("#{color:0digits$x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_counted_and_listed_by_number_of_pixels() {
        let mut map = Map::filled(4, 4, &[0, 0, 0], true);
        if let Samples::Eight(samples) = &mut map.data {
            samples[..3].copy_from_slice(&[0xE6, 0x9F, 0]);
        }
        let figures = inspect_map(&map);
        assert_eq!(figures.distinct_colors, Some(2));
        assert_eq!(
            figures.colors[0],
            ColorCount {
                color: "#000000".to_owned(),
                pixels: 15
            }
        );
        assert_eq!(
            figures.colors[1],
            ColorCount {
                color: "#e69f00".to_owned(),
                pixels: 1
            }
        );
    }

    #[test]
    fn too_many_colours_are_not_listed() {
        let samples = (0..100u16).map(|sample| sample * 600).collect();
        let map = Map {
            width: 10,
            height: 10,
            channels: 1,
            data: Samples::Sixteen(samples),
            srgb: false,
        };
        let figures = inspect_map(&map);
        assert_eq!((figures.distinct_colors, figures.colors.len()), (Some(100), 0));
    }
}
