//! A picture in memory: what operations bake and sheets show.

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
