//! Colours for tags that nobody gave one: distinguishable with every kind of colour vision, after Okabe and Ito, "Color Universal
//! Design" (2008; values from memory).

use tidemill_ops::TagColor;

const PALETTE: [[u8; 3]; 7] = [
    [0x56, 0xB4, 0xE9],
    [0xE6, 0x9F, 0x00],
    [0x00, 0x9E, 0x73],
    [0xF0, 0xE4, 0x42],
    [0xD5, 0x5E, 0x00],
    [0x00, 0x72, 0xB2],
    [0xCC, 0x79, 0xA7],
];

/// Of faces without a tag, sRGB.
pub const UNTAGGED_RGB: [u8; 3] = [188, 188, 188];

/// The sRGB colour of each tag: the given one, or one of the palette by the tag's place among all names in order, so that models with
/// the same tags look alike whichever tag comes first in the file.
pub fn tag_colors(tags: &[String], given: &[TagColor]) -> Vec<[u8; 3]> {
    let mut sorted: Vec<&String> = tags.iter().collect();
    sorted.sort_unstable();
    tags.iter()
        .map(|tag| {
            let place = sorted.iter().position(|name| *name == tag).unwrap_or_default();
            let own = given.iter().find(|color| color.name == *tag);
            own.map_or(PALETTE[place % PALETTE.len()], |color| color.rgb)
        })
        .collect()
}

/// The sRGB transfer function, IEC 61966-2-1 (from memory).
pub fn linear_from_srgb(byte: u8) -> f32 {
    let value = f64::from(byte) / 255.0;
    let linear = if value <= 0.04045 {
        value / 12.92
    } else {
        libm::pow((value + 0.055) / 1.055, 2.4)
    };
    linear as f32
}

/// Its inverse, rounded to the nearest byte.
pub fn srgb_from_linear(linear: f32) -> u8 {
    let linear = f64::from(linear.clamp(0.0, 1.0));
    let value = if linear <= 0.003_130_8 {
        linear * 12.92
    } else {
        1.055 * libm::pow(linear, 1.0 / 2.4) - 0.055
    };
    (value * 255.0 + 0.5) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_decode_as_the_gltf_specification_shows() {
        // glTF 2.0 specification: base colour bytes 64, 124, 231 decode to 0.051, 0.202, 0.799.
        let decoded = [64, 124, 231].map(linear_from_srgb);
        for (found, expected) in decoded.iter().zip([0.051, 0.202, 0.799]) {
            assert!((found - expected).abs() < 5e-4, "{found}");
        }
        assert!((0..=255).all(|byte| srgb_from_linear(linear_from_srgb(byte)) == byte));
        assert_eq!(srgb_from_linear(0.5), 188);
    }

    #[test]
    fn a_colour_goes_by_the_name_and_not_by_the_order_in_the_file() {
        let [iron, timber] = ["iron", "timber"].map(str::to_owned);
        let one = tag_colors(&[iron.clone(), timber.clone()], &[]);
        let other = tag_colors(&[timber, iron], &[]);
        assert_eq!((one[0], one[1]), (other[1], other[0]));
    }
}
