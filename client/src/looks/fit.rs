//! Pictures small enough for one file: turntables where there is room, else stills, smaller the more there are. Pure.

use std::collections::HashMap;

use rayon::prelude::*;
use tidemill_agent::paint::draw::shrunk;
use tidemill_mesh::Map;
use tidemill_mesh::map::Samples;
use tidemill_page::facts::PictureSource;
use tidemill_page::report::{Inlined, data_uri};
use tidemill_proto::v1::Picture;

/// From the best to the smallest: whether turntables turn, and pixels a side.
const LEVELS: [(bool, u32); 8] = [
    (true, 224),
    (true, 144),
    (false, 192),
    (false, 144),
    (false, 104),
    (false, 80),
    (false, 56),
    (false, 40),
];
/// So many pictures tell how large all will be.
const SAMPLE: usize = 24;

/// The pictures as they stand in a file, together at most `most_bytes`; none if even the smallest are too large.
/// `uses`: how often each is shown.
pub fn fit(
    pictures: &HashMap<Vec<u8>, Picture>,
    uses: &HashMap<Vec<u8>, usize>,
    most_bytes: usize,
) -> Inlined {
    let mut shown: Vec<(&Vec<u8>, &Picture)> = pictures
        .iter()
        .filter(|(_, picture)| !picture.png.is_empty())
        .collect();
    shown.sort_by_key(|(digest, _)| *digest);
    for (turns, side) in LEVELS {
        let count = shown
            .iter()
            .map(|(digest, _)| uses.get(*digest).copied().unwrap_or(1))
            .sum::<usize>();
        let step = (shown.len() / SAMPLE).max(1);
        let sample: Vec<usize> = shown
            .par_iter()
            .step_by(step)
            .filter_map(|(_, picture)| at(picture, turns, side).map(|source| source.address.len()))
            .collect();
        let mean = sample.iter().sum::<usize>() / sample.len().max(1);
        if mean * count > most_bytes {
            continue;
        }
        let all: Inlined = shown
            .par_iter()
            .filter_map(|(digest, picture)| {
                at(picture, turns, side).map(|source| ((*digest).clone(), source))
            })
            .collect();
        let total = all
            .iter()
            .map(|(digest, source)| source.address.len() * uses.get(digest).copied().unwrap_or(1))
            .sum::<usize>();
        if total <= most_bytes {
            return all;
        }
    }
    Inlined::new()
}

fn at(picture: &Picture, turns: bool, side: u32) -> Option<PictureSource> {
    let map = Map::from_png(&picture.png).ok()?;
    let frames = picture.frames.max(1);
    let (map, frames, most) = match (frames > 1, turns) {
        (true, true) => (map, frames, side * frames),
        (true, false) => (first_frame(&map, frames), 1, side),
        (false, _) => (map, 1, side),
    };
    if map.width.max(map.height) <= most && frames == picture.frames.max(1) {
        return Some(PictureSource {
            address: data_uri(&picture.png),
            frames,
        });
    }
    let png = shrunk(&map, most).to_png().ok()?;
    Some(PictureSource {
        address: data_uri(&png),
        frames,
    })
}

fn first_frame(strip: &Map, frames: u32) -> Map {
    let width = strip.width / frames;
    let pixels = (0..strip.height).flat_map(|y| (0..width).map(move |x| (x, y)));
    Map {
        width,
        height: strip.height,
        channels: 3,
        data: Samples::Eight(pixels.flat_map(|(x, y)| strip.rgb_at(x, y)).collect()),
        srgb: true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip() -> Picture {
        // Noise does not shrink: the worst case.
        let mut seed = 7_u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 24) as u8
        };
        let map = Map {
            width: 8 * 224,
            height: 224,
            channels: 3,
            data: Samples::Eight((0..8 * 224 * 224 * 3).map(|_| noise()).collect()),
            srgb: true,
        };
        Picture {
            png: map.to_png().unwrap(),
            frames: 8,
            ..Picture::default()
        }
    }

    #[test]
    fn the_more_there_are_the_smaller_they_get() {
        let pictures: HashMap<Vec<u8>, Picture> = (0..12_u8).map(|name| (vec![name], strip())).collect();
        let uses = HashMap::new();
        let large = fit(&pictures, &uses, 40_000_000);
        assert!(large.values().all(|source| source.frames == 8) && large.len() == 12);
        let small = fit(&pictures, &uses, 300_000);
        assert!(small.values().all(|source| source.frames == 1) && small.len() == 12);
        let total: usize = small.values().map(|source| source.address.len()).sum();
        assert!(total <= 300_000, "{total}");
        assert!(fit(&pictures, &uses, 1000).is_empty());
    }
}
