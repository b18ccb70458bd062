//! A picture in memory, what operations bake and sheets show, and its PNG form.

/// Rows from the top, pixels from the left, channels interleaved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Map {
    /// Pixels in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// 1 (grey), 2 (grey, alpha), 3 (RGB) or 4 (RGB, alpha).
    pub channels: u8,
    /// The samples.
    pub data: Samples,
    /// The samples are sRGB colours; otherwise they are numbers, and a PNG of them says nothing about colour.
    pub srgb: bool,
}

/// The samples of a [`Map`], `width * height * channels` of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// 8 bits each.
    Eight(Vec<u8>),
    /// 16 bits each.
    Sixteen(Vec<u16>),
}

impl Samples {
    /// How many.
    pub fn len(&self) -> usize {
        match self {
            Self::Eight(samples) => samples.len(),
            Self::Sixteen(samples) => samples.len(),
        }
    }

    /// There is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Bits in one sample.
    pub fn bit_depth(&self) -> u8 {
        match self {
            Self::Eight(_) => 8,
            Self::Sixteen(_) => 16,
        }
    }
}

/// Why a map cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum MapError {
    /// The file is no sound PNG.
    #[error("this is no sound PNG: {0}")]
    Decode(#[from] png::DecodingError),
    /// The picture is far larger than its file can hold.
    #[error(
        "the PNG says {width} x {height} pixels, which its {file_bytes} bytes cannot hold; the file is damaged"
    )]
    TooLarge {
        /// As the file says.
        width: u32,
        /// As the file says.
        height: u32,
        /// Length of the file.
        file_bytes: usize,
    },
    /// Sizes and samples of the map contradict each other.
    #[error("a map of {width} x {height} pixels with {channels} channels cannot have {samples} samples")]
    Shape {
        /// Pixels in a row.
        width: u32,
        /// Rows.
        height: u32,
        /// Channels.
        channels: u8,
        /// How many samples there are.
        samples: usize,
    },
    /// The encoder gave up.
    #[error("cannot encode the PNG: {0}")]
    Encode(#[from] png::EncodingError),
}

/// Deflate makes at most about 1032 bytes out of one (RFC 1951: 258 bytes from two bits); a picture that claims more is none.
const MOST_BYTES_FROM_ONE: u64 = 1100;

impl Map {
    /// A map of 8 bits in one colour.
    pub fn filled(width: u32, height: u32, color: &[u8], srgb: bool) -> Self {
        let pixels = width as usize * height as usize;
        Self {
            width,
            height,
            channels: color.len() as u8,
            data: Samples::Eight(color.repeat(pixels)),
            srgb,
        }
    }

    /// The samples agree with the sizes.
    pub fn validate(&self) -> Result<(), MapError> {
        let Self {
            width,
            height,
            channels,
            ..
        } = *self;
        let expected = u64::from(width) * u64::from(height) * u64::from(channels);
        if expected == 0 || expected != self.data.len() as u64 || channels > 4 {
            return Err(MapError::Shape {
                width,
                height,
                channels,
                samples: self.data.len(),
            });
        }
        Ok(())
    }

    /// A pixel in 8 bits RGB, blended over white where the map has alpha.
    pub fn rgb_at(&self, x: u32, y: u32) -> [u8; 3] {
        let channels = usize::from(self.channels);
        let first = (y as usize * self.width as usize + x as usize) * channels;
        let sample = |channel: usize| match &self.data {
            Samples::Eight(samples) => samples[first + channel],
            // 65535 / 255 is exactly 257.
            Samples::Sixteen(samples) => ((u32::from(samples[first + channel]) + 128) / 257) as u8,
        };
        let rgb = if channels < 3 {
            [sample(0); 3]
        } else {
            [sample(0), sample(1), sample(2)]
        };
        if channels % 2 == 1 {
            return rgb;
        }
        let alpha = u32::from(sample(channels - 1));
        rgb.map(|value| ((u32::from(value) * alpha + 255 * (255 - alpha) + 127) / 255) as u8)
    }

    /// Reads a PNG of any kind. Palettes become colours, fewer bits than 8 become 8, 16 stay.
    pub fn from_png(bytes: &[u8]) -> Result<Self, MapError> {
        let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info()?;
        let (width, height) = (reader.info().width, reader.info().height);
        let too_large = MapError::TooLarge {
            width,
            height,
            file_bytes: bytes.len(),
        };
        let most = (bytes.len() as u64 * MOST_BYTES_FROM_ONE) as usize;
        // Expanding bits and palettes multiplies what was packed by 32 at most: 1 bit to 4 bytes.
        let packed_bytes = (reader.info().raw_row_length() as u64).saturating_mul(u64::from(height));
        if packed_bytes > most as u64 {
            return Err(too_large);
        }
        let size = reader.output_buffer_size().ok_or(too_large)?;
        let mut raw = vec![0; size];
        let frame = reader.next_frame(&mut raw)?;
        raw.truncate(frame.buffer_size());
        let data = if frame.bit_depth == png::BitDepth::Sixteen {
            Samples::Sixteen(
                raw.as_chunks::<2>()
                    .0
                    .iter()
                    .map(|pair| u16::from_be_bytes(*pair))
                    .collect(),
            )
        } else {
            Samples::Eight(raw)
        };
        let map = Self {
            width,
            height,
            channels: frame.color_type.samples() as u8,
            data,
            srgb: reader.info().srgb.is_some(),
        };
        map.validate()?;
        Ok(map)
    }

    /// Writes a PNG. Colours say that they are sRGB; data says nothing about gamma or profile, so that no program bends the numbers.
    pub fn to_png(&self) -> Result<Vec<u8>, MapError> {
        self.validate()?;
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, self.width, self.height);
        encoder.set_color(match self.channels {
            1 => png::ColorType::Grayscale,
            2 => png::ColorType::GrayscaleAlpha,
            3 => png::ColorType::Rgb,
            _ => png::ColorType::Rgba,
        });
        encoder.set_depth(if self.data.bit_depth() == 8 {
            png::BitDepth::Eight
        } else {
            png::BitDepth::Sixteen
        });
        encoder.set_compression(png::Compression::Balanced);
        if self.srgb {
            encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
        }
        let mut writer = encoder.write_header()?;
        match &self.data {
            Samples::Eight(samples) => writer.write_image_data(samples)?,
            Samples::Sixteen(samples) => {
                let raw: Vec<u8> = samples.iter().flat_map(|sample| sample.to_be_bytes()).collect();
                writer.write_image_data(&raw)?;
            }
        }
        writer.finish()?;
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_read_back() {
        for channels in 1..=4u8 {
            let count = 7 * 5 * u32::from(channels);
            let eight = Samples::Eight((0..count).map(|sample| (sample * 37 % 256) as u8).collect());
            let sixteen = Samples::Sixteen((0..count).map(|sample| (sample * 7919 % 65536) as u16).collect());
            for (data, srgb) in [(eight, true), (sixteen, false)] {
                let map = Map {
                    width: 7,
                    height: 5,
                    channels,
                    data,
                    srgb,
                };
                let png = map.to_png().expect("a sound map");
                assert_eq!(Map::from_png(&png).expect("a sound PNG"), map);
                let has = |name: &[u8]| png.windows(4).any(|window| window == name);
                assert_eq!(has(b"sRGB"), srgb);
                assert!(!has(b"gAMA") || srgb);
                assert!(!has(b"iCCP"));
            }
        }
    }

    #[test]
    fn a_picture_larger_than_its_file_can_hold_is_refused() {
        let mut png = Map::filled(4, 4, &[1], false).to_png().expect("a sound map");
        // The width of the header, whose checksum then no longer fits: refused either way, before any memory is taken.
        png[16..20].copy_from_slice(&0x7FFF_FFFFu32.to_be_bytes());
        assert!(Map::from_png(&png).is_err());
    }

    #[test]
    fn samples_must_fit_the_sizes() {
        let map = Map {
            width: 2,
            height: 2,
            channels: 3,
            data: Samples::Eight(vec![0; 11]),
            srgb: false,
        };
        assert!(matches!(map.to_png(), Err(MapError::Shape { samples: 11, .. })));
    }
}
