//! The picture of a file: a thumbnail of a map, a turntable of a mesh. The same file gives the same bytes.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use tidemill_mesh::Map;
use tidemill_mesh::map::Samples;
use tidemill_mesh::picture::{Skin, ViewSettings, turntable};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh};
use tidemill_ops::TagColor;
use tidemill_proto::v1::{PictureWish, Tag};

/// Frames of a turntable, side by side.
pub const FRAMES: u32 = 8;
/// Pixels on each side of a frame.
const FRAME_SIDE: u32 = 224;
/// Most pixels on each side of a map's thumbnail.
const MAP_SIDE: u32 = 256;
/// Where the turntable begins, in degrees to the right of the front, and how high the viewer stands.
const FIRST_AZIMUTH_DEGREES: f64 = 34.0;
const ELEVATION_DEGREES: f64 = 22.0;

/// What is to be drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drawing {
    /// Of the file, with its dot.
    pub extension: String,
    /// Colours of tags.
    pub tags: Vec<TagColor>,
    /// Of a mesh only the first frame.
    pub still: bool,
}

/// A plan's tag as it is drawn.
pub fn tag_color(tag: &Tag) -> TagColor {
    TagColor {
        name: tag.name.clone(),
        rgb: [16, 8, 0].map(|shift| (tag.color >> shift) as u8),
    }
}

impl Drawing {
    /// What a wish asks for.
    pub fn of(wish: &PictureWish) -> Self {
        Self {
            extension: wish.extension.clone(),
            tags: wish.tags.iter().map(tag_color).collect(),
            still: wish.still,
        }
    }
}

/// A PNG file and the number of frames in it. The error says why nothing can be drawn.
pub fn draw(drawing: &Drawing, bytes: &[u8]) -> Result<(Vec<u8>, u32), String> {
    let (picture, frames) = if drawing.extension == ".png" {
        let map = Map::from_png(bytes).map_err(|error| error.to_string())?;
        (shrunk(&map, MAP_SIDE), 1)
    } else {
        let companions = BTreeMap::new();
        let file = ModelFile {
            bytes,
            extension: &drawing.extension,
            companions: &companions,
        };
        let mesh = read_mesh(&file, Placement::default()).map_err(|error| error.to_string())?;
        let frames = if drawing.still { 1 } else { FRAMES };
        let view = ViewSettings {
            side: FRAME_SIDE,
            azimuth_degrees: FIRST_AZIMUTH_DEGREES,
            elevation_degrees: ELEVATION_DEGREES,
        };
        // All frames are of one scale: the mesh turns and does not grow.
        let strip = turntable(&mesh, &drawing.tags, Skin::default(), view, frames);
        (strip, frames)
    };
    let png = picture.to_png().map_err(|error| error.to_string())?;
    Ok((png, frames))
}

fn rgb(width: u32, height: u32, data: Vec<u8>) -> Map {
    Map {
        width,
        height,
        channels: 3,
        data: Samples::Eight(data),
        srgb: true,
    }
}

/// A map of at most `most` pixels a side, each the mean of what it covers; a smaller one keeps its size.
pub fn shrunk(map: &Map, most: u32) -> Map {
    let scale = f64::from(map.width.max(map.height)) / f64::from(most.max(1));
    let side = |pixels: u32| ((f64::from(pixels) / scale.max(1.0)).round() as u32).max(1);
    let (width, height) = (side(map.width), side(map.height));
    let mut data = Vec::with_capacity(width as usize * height as usize * 3);
    // In 64 bits: sides are at most 2^32.
    let bounds = |at: u32, of: u32, all: u32| {
        let from = (u64::from(at) * u64::from(all) / u64::from(of)) as u32;
        let to = (u64::from(at + 1) * u64::from(all)).div_ceil(u64::from(of)) as u32;
        from..to.max(from + 1).min(all)
    };
    for y in 0..height {
        for x in 0..width {
            let (mut sum, mut count) = ([0_u64; 3], 0);
            for from_y in bounds(y, height, map.height) {
                for from_x in bounds(x, width, map.width) {
                    let pixel = map.rgb_at(from_x, from_y);
                    for channel in 0..3 {
                        sum[channel] += u64::from(pixel[channel]);
                    }
                    count += 1;
                }
            }
            data.extend(sum.map(|sum| ((sum + count / 2) / count.max(1)) as u8));
        }
    }
    rgb(width, height, data)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TENT: &str =
        "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nusemtl iron\nf 1 3 2\nf 1 2 4\nf 1 4 3\nf 2 3 4\n";

    #[test]
    fn a_mesh_becomes_frames_that_differ() {
        let drawing = Drawing {
            extension: ".obj".into(),
            tags: Vec::new(),
            still: false,
        };
        let (png, frames) = draw(&drawing, TENT.as_bytes()).unwrap();
        let strip = Map::from_png(&png).unwrap();
        assert_eq!(
            (strip.width, strip.height, frames),
            (FRAME_SIDE * FRAMES, FRAME_SIDE, FRAMES)
        );
        let frame = |of: u32| -> Vec<[u8; 3]> {
            let pixels = (0..FRAME_SIDE * FRAME_SIDE).map(|at| (at % FRAME_SIDE, at / FRAME_SIDE));
            pixels
                .map(|(x, y)| strip.rgb_at(of * FRAME_SIDE + x, y))
                .collect()
        };
        assert_ne!(frame(0), frame(3));
        let alone = Drawing {
            still: true,
            ..drawing.clone()
        };
        let (png, frames) = draw(&alone, TENT.as_bytes()).unwrap();
        let still = Map::from_png(&png).unwrap();
        assert_eq!((still.width, frames), (FRAME_SIDE, 1));
        let (png, _) = draw(&drawing, TENT.as_bytes()).unwrap();
        assert_eq!(
            draw(&drawing, TENT.as_bytes()).unwrap().0,
            png,
            "the same file, the same bytes"
        );
    }

    #[test]
    fn a_map_is_shrunk_to_means_and_a_small_one_stays() {
        let mut checks = Map::filled(512, 256, &[0], false);
        if let Samples::Eight(samples) = &mut checks.data {
            for (at, sample) in samples.iter_mut().enumerate() {
                *sample = if at % 2 == 0 { 255 } else { 0 };
            }
        }
        let small = shrunk(&checks, 256);
        assert_eq!((small.width, small.height), (256, 128));
        assert_eq!(small.rgb_at(7, 9), [128; 3]);
        let kept = shrunk(&Map::filled(10, 3, &[7, 8, 9], true), 256);
        assert_eq!((kept.width, kept.height, kept.rgb_at(9, 2)), (10, 3, [7, 8, 9]));
    }

    #[test]
    fn what_is_no_picture_says_why() {
        let png = Drawing {
            extension: ".png".into(),
            tags: Vec::new(),
            still: false,
        };
        assert!(!draw(&png, b"no").unwrap_err().is_empty());
    }
}
