//! What a map shows around a place.

use super::draw::Layer;
use crate::Map;
use crate::map::Samples;

/// How the texels of a map are mixed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Filter {
    /// Not at all: each texel is one of the old ones. For colours that stand for something.
    Nearest,
    /// As numbers.
    Mixed,
    /// As light, which sRGB colours code.
    Light,
    /// As directions, whose mean has length 1 again.
    Direction,
}

/// Old texels within one new texel are averaged over so many places along a side, at most.
const MOST_TAPS: usize = 8;

/// The old maps of one kind.
pub(super) struct Sampler<'a> {
    layer: &'a Layer<'a>,
    channels: usize,
    most: f64,
    /// The light of each 8-bit sample, for colours.
    light: Option<Vec<f64>>,
}

impl<'a> Sampler<'a> {
    /// The maps of a layer have one number of channels, one depth and one meaning: that of the first.
    pub fn new(layer: &'a Layer<'a>) -> Self {
        let first = layer.maps.first();
        let most = match first.map(|map| &map.data) {
            Some(Samples::Sixteen(_)) => 65535.0,
            _ => 255.0,
        };
        let is_colour = layer.filter == Filter::Light;
        Self {
            channels: first.map_or(0, |map| usize::from(map.channels)),
            most,
            light: is_colour.then(|| {
                (0..=255)
                    .map(|sample| light_of(f64::from(sample) / 255.0))
                    .collect()
            }),
            layer,
        }
    }

    /// Writes what the map of a mesh shows at a place, over a square whose side is `extent` in UV.
    pub fn write(&self, source: usize, uv: [f64; 2], extent: f64, texel: &mut [u16]) {
        let Some(&map) = self.layer.maps.get(source) else {
            return;
        };
        if self.layer.filter == Filter::Nearest {
            let [x, y] = [(uv[0], map.width), (uv[1], map.height)]
                .map(|(coordinate, side)| wrapped((coordinate * f64::from(side)).floor(), side));
            for (channel, sample) in texel.iter_mut().enumerate() {
                *sample = raw(map, x, y, channel);
            }
            return;
        }
        let old_texels = extent * f64::from(map.width.max(map.height));
        let taps = (old_texels.ceil() as usize).clamp(1, MOST_TAPS);
        let mut sum = [0.0; 4];
        for tap in 0..taps * taps {
            let offset = |step: usize| ((step as f64 + 0.5) / taps as f64 - 0.5) * extent;
            let place = [uv[0] + offset(tap % taps), uv[1] + offset(tap / taps)];
            self.add(map, place, &mut sum);
        }
        let mut mean = sum.map(|sum| sum / (taps * taps) as f64);
        if self.layer.filter == Filter::Direction {
            let length = mean.iter().take(3).map(|axis| axis * axis).sum::<f64>().sqrt();
            let unit = if length > 0.0 {
                [mean[0] / length, mean[1] / length, mean[2] / length]
            } else {
                [0.0, 0.0, 1.0]
            };
            for (axis, unit) in mean.iter_mut().zip(unit) {
                *axis = unit;
            }
        }
        for (channel, sample) in texel.iter_mut().enumerate() {
            let value = self.encoded(mean[channel], channel);
            *sample = (value.clamp(0.0, 1.0) * self.most).round() as u16;
        }
    }

    /// Adds the mix of the four texels around a place. Maps go on beyond their edges with what is at the opposite one, as glTF 2.0 has
    /// it where nothing is said (section 5.26, "Sampler").
    fn add(&self, map: &Map, uv: [f64; 2], sum: &mut [f64; 4]) {
        let [(x, share_x), (y, share_y)] =
            [(uv[0], map.width), (uv[1], map.height)].map(|(coordinate, side)| {
                let at = coordinate * f64::from(side) - 0.5;
                (at.floor(), at - at.floor())
            });
        for (step_y, weight_y) in [(0.0, 1.0 - share_y), (1.0, share_y)] {
            for (step_x, weight_x) in [(0.0, 1.0 - share_x), (1.0, share_x)] {
                let weight = weight_x * weight_y;
                if weight == 0.0 {
                    continue;
                }
                let (column, row) = (wrapped(x + step_x, map.width), wrapped(y + step_y, map.height));
                for (channel, sum) in sum.iter_mut().enumerate().take(self.channels) {
                    *sum += weight * self.decoded(raw(map, column, row, channel), channel);
                }
            }
        }
    }

    fn is_alpha(&self, channel: usize) -> bool {
        self.channels.is_multiple_of(2) && channel + 1 == self.channels
    }

    fn decoded(&self, sample: u16, channel: usize) -> f64 {
        let share = f64::from(sample) / self.most;
        match (&self.light, self.layer.filter) {
            (Some(_), _) if self.is_alpha(channel) => share,
            (Some(light), _) if self.most == 255.0 => light[usize::from(sample)],
            (Some(_), _) => light_of(share),
            (None, Filter::Direction) if channel < 3 => 2.0 * share - 1.0,
            _ => share,
        }
    }

    fn encoded(&self, value: f64, channel: usize) -> f64 {
        match (&self.light, self.layer.filter) {
            (Some(_), _) if !self.is_alpha(channel) => srgb_of(value),
            (None, Filter::Direction) if channel < 3 => 0.5 + 0.5 * value,
            _ => value,
        }
    }
}

fn raw(map: &Map, x: usize, y: usize, channel: usize) -> u16 {
    let at = (y * map.width as usize + x) * usize::from(map.channels) + channel;
    match &map.data {
        Samples::Eight(samples) => u16::from(samples[at]),
        Samples::Sixteen(samples) => samples[at],
    }
}

/// A whole number brought into `0..side` by whole sides.
fn wrapped(at: f64, side: u32) -> usize {
    (at as i64).rem_euclid(i64::from(side)) as usize
}

/// sRGB to light, IEC 61966-2-1 (from memory).
fn light_of(share: f64) -> f64 {
    if share <= 0.04045 {
        share / 12.92
    } else {
        libm::pow((share + 0.055) / 1.055, 2.4)
    }
}

/// Light to sRGB, IEC 61966-2-1 (from memory).
fn srgb_of(light: f64) -> f64 {
    if light <= 0.003_130_8 {
        light * 12.92
    } else {
        1.055 * libm::pow(light, 1.0 / 2.4) - 0.055
    }
}
