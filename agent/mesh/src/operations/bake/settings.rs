//! What `bake` can be asked for, and how a call says it.

use tidemill_ops::TagColor;

use crate::operations::{Context, OperationError};

/// A map of one channel, which can be packed with others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scalar {
    /// Signed mean curvature; mid-grey is flat, convex is bright.
    Curvature,
    /// Share of the sky that is seen, cosine-weighted; white is open.
    Occlusion,
    /// Signed distance from the low surface along its normal; mid-grey is on it, white is the cage outwards.
    Height,
    /// Mean distance through the body, cosine-weighted; white is the greatest thickness.
    Thickness,
}

impl Scalar {
    pub(super) const ALL: [Self; 4] = [Self::Curvature, Self::Occlusion, Self::Height, Self::Thickness];

    fn of(name: &str) -> Option<Self> {
        match name {
            "curvature" => Some(Self::Curvature),
            "occlusion" => Some(Self::Occlusion),
            "height" => Some(Self::Height),
            "thickness" => Some(Self::Thickness),
            _ => None,
        }
    }
}

/// What one channel of the packed map holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channel {
    /// A map of one channel.
    Scalar(Scalar),
    /// A channel of the normal map: 0 is x, 1 y, 2 z.
    Normal(usize),
    /// A channel of the position map.
    Position(usize),
    /// The same everywhere: black.
    Black,
    /// The same everywhere: the middle, as flat curvature has it.
    Grey,
    /// The same everywhere: white.
    White,
}

impl From<Scalar> for Channel {
    fn from(scalar: Scalar) -> Self {
        Self::Scalar(scalar)
    }
}

impl Channel {
    fn of(name: &str) -> Option<Self> {
        Some(match name {
            "normal.x" => Self::Normal(0),
            "normal.y" => Self::Normal(1),
            "normal.z" => Self::Normal(2),
            "position.x" => Self::Position(0),
            "position.y" => Self::Position(1),
            "position.z" => Self::Position(2),
            "black" => Self::Black,
            "grey" => Self::Grey,
            "white" => Self::White,
            other => Self::Scalar(Scalar::of(other)?),
        })
    }

    /// The sample beyond the dilation: where nothing is known, the surface is flat, open and thin.
    fn ground(self, depth: Depth) -> u16 {
        let middle = depth.most() / 2 + 1;
        match self {
            Self::Scalar(Scalar::Curvature | Scalar::Height) | Self::Grey => middle,
            Self::Normal(axis) if axis < 2 => middle,
            Self::Scalar(Scalar::Occlusion) | Self::White | Self::Normal(_) => depth.most(),
            Self::Scalar(Scalar::Thickness) | Self::Position(_) | Self::Black => 0,
        }
    }
}

/// One map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The colours of the tags, never blended. Always 8 bits, the only map that is colour.
    TagId,
    /// Normals of the high mesh in the low one's tangent frames (MikkTSpace).
    Normal,
    /// Places on the high mesh, 0 to 1 along each axis of its bounding box.
    Position,
    /// One channel.
    Scalar(Scalar),
    /// Channels of other maps, or constants, as channels of one map.
    Packed,
}

impl Kind {
    fn of(name: &str) -> Option<Self> {
        match name {
            "tag-id" => Some(Self::TagId),
            "normal" => Some(Self::Normal),
            "position" => Some(Self::Position),
            "packed" => Some(Self::Packed),
            other => Scalar::of(other).map(Self::Scalar),
        }
    }
}

/// Bits in a sample of a data map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// 8.
    Eight,
    /// 16.
    Sixteen,
}

impl Depth {
    /// The largest sample.
    pub(super) const fn most(self) -> u16 {
        match self {
            Self::Eight => 255,
            Self::Sixteen => u16::MAX,
        }
    }
}

/// Where the green of a normal map points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Green {
    /// Up in the picture, as glTF 2.0 asks.
    Up,
    /// Down in the picture.
    Down,
}

/// What `bake` is asked for.
#[derive(Debug, Clone)]
pub struct Baking<'a> {
    /// In order of the answer.
    pub maps: Vec<Kind>,
    /// Side of each map, texels.
    pub size: u32,
    /// How far from the low surface the high one is looked for, metres; none: 2 % of the diagonal.
    pub cage_m: Option<f64>,
    /// Curvature of this radius is full black or white, metres.
    pub radius_m: f64,
    /// Length of occlusion rays, metres; none: a quarter of the diagonal.
    pub distance_m: Option<f64>,
    /// Thickness that is white, metres; none: a tenth of the diagonal.
    pub thickest_m: Option<f64>,
    /// Rays for each texel of occlusion and thickness, shared by its samples.
    pub rays: u32,
    /// Samples along each side of a texel.
    pub samples: u32,
    /// Of all maps but the tag colours.
    pub depth: Depth,
    /// Of the normal map.
    pub green: Green,
    /// How far beyond their charts values go on, texels; none: until the next chart's.
    pub dilation_px: Option<u32>,
    /// Red, green, blue and alpha of the packed map. A colour that is absent is zero; without alpha there is none.
    pub packed: [Option<Channel>; 4],
    /// Tags of the low mesh whose faces get no texels: they lie on a map of their own.
    pub keep: Vec<String>,
    /// Colours of the tags in the ID map.
    pub tags: &'a [TagColor],
}

impl Default for Baking<'_> {
    /// No map; all else as the operation's declaration has it.
    fn default() -> Self {
        Self {
            maps: Vec::new(),
            size: 1024,
            cage_m: None,
            radius_m: 0.02,
            distance_m: None,
            thickest_m: None,
            rays: 64,
            samples: 2,
            depth: Depth::Eight,
            green: Green::Up,
            dilation_px: None,
            packed: [None; 4],
            keep: Vec::new(),
            tags: &[],
        }
    }
}

/// The settings for the channels of the packed map.
const PACKED: [&str; 4] = ["packed-red", "packed-green", "packed-blue", "packed-alpha"];

impl<'a> Baking<'a> {
    pub(super) fn from_call(context: &Context<'a>, names: &[&str]) -> Result<Self, OperationError> {
        let unknown = |setting: &str, word: &str| {
            OperationError::Unsuitable(format!("`bake` does not know `{word}` in `{setting}`"))
        };
        let maps = names
            .iter()
            .map(|name| Kind::of(name).ok_or_else(|| unknown("maps", name)))
            .collect::<Result<Vec<_>, _>>()?;
        let mut packed = [None; 4];
        for (channel, setting) in packed.iter_mut().zip(PACKED) {
            if let Some(word) = context.optional_text(setting)? {
                *channel = Some(Channel::of(word).ok_or_else(|| unknown(setting, word))?);
            }
        }
        let small =
            |setting: &str| Ok::<_, OperationError>(context.whole(setting)?.min(u64::from(u32::MAX)) as u32);
        Ok(Self {
            maps,
            size: small("size")?,
            cage_m: context.optional_number("cage")?,
            radius_m: context.number("radius")?,
            distance_m: context.optional_number("distance")?,
            thickest_m: context.optional_number("thickest")?,
            rays: small("rays")?,
            samples: small("samples")?,
            depth: match context.optional_text("depth")? {
                None | Some("8-bit") => Depth::Eight,
                Some("16-bit") => Depth::Sixteen,
                Some(word) => return Err(unknown("depth", word)),
            },
            green: match context.optional_text("green")? {
                None | Some("up") => Green::Up,
                Some("down") => Green::Down,
                Some(word) => return Err(unknown("green", word)),
            },
            dilation_px: match context.optional_number("dilation")? {
                None => None,
                Some(_) => Some(small("dilation")?),
            },
            packed,
            keep: context
                .optional_words("keep")?
                .into_iter()
                .map(str::to_owned)
                .collect(),
            tags: context.tags,
        })
    }

    /// What contradicts itself.
    pub(super) fn check(&self) -> Result<(), OperationError> {
        let problem = if self.size == 0 || self.samples == 0 || self.rays == 0 {
            "`size`, `samples` and `rays` must be at least 1"
        } else if self.maps.contains(&Kind::Packed) && self.packed == [None; 4] {
            "the map `packed` has no channel; name what goes into it with `packed-red`, `packed-green`, `packed-blue` or `packed-alpha`"
        } else {
            return Ok(());
        };
        Err(OperationError::Unsuitable(problem.to_owned()))
    }

    /// Some map shows it.
    pub(super) fn needs(&self, scalar: Scalar) -> bool {
        self.maps.iter().any(|&kind| match kind {
            Kind::Scalar(own) => own == scalar,
            Kind::Packed => self.packed.contains(&Some(Channel::Scalar(scalar))),
            Kind::TagId | Kind::Normal | Kind::Position => false,
        })
    }

    /// Some map shows normals in tangent frames.
    pub(super) fn needs_normals(&self) -> bool {
        let packs = |channel: &Option<Channel>| matches!(channel, Some(Channel::Normal(_)));
        self.maps
            .iter()
            .any(|&kind| kind == Kind::Normal || (kind == Kind::Packed && self.packed.iter().any(packs)))
    }

    /// Some map shows places.
    pub(super) fn needs_positions(&self) -> bool {
        let packs = |channel: &Option<Channel>| matches!(channel, Some(Channel::Position(_)));
        self.maps
            .iter()
            .any(|&kind| kind == Kind::Position || (kind == Kind::Packed && self.packed.iter().any(packs)))
    }

    /// The samples of a texel beyond the dilation.
    pub(super) fn ground(&self, kind: Kind) -> Vec<u16> {
        let depth = self.depth_of(kind);
        let channels: Vec<Channel> = match kind {
            Kind::TagId => vec![Channel::Black; 3],
            Kind::Normal => [0, 1, 2].map(Channel::Normal).into(),
            Kind::Position => [0, 1, 2].map(Channel::Position).into(),
            Kind::Scalar(scalar) => vec![Channel::Scalar(scalar)],
            Kind::Packed => {
                let wanted = self.packed.iter().take(self.channels(kind));
                wanted.map(|channel| channel.unwrap_or(Channel::Black)).collect()
            }
        };
        channels
            .into_iter()
            .map(|channel| channel.ground(depth))
            .collect()
    }

    /// Channels of a map.
    pub(super) fn channels(&self, kind: Kind) -> usize {
        match kind {
            Kind::Scalar(_) => 1,
            Kind::TagId | Kind::Normal | Kind::Position => 3,
            Kind::Packed => 3 + usize::from(self.packed[3].is_some()),
        }
    }

    /// Bits in a sample of a map.
    pub(super) fn depth_of(&self, kind: Kind) -> Depth {
        match kind {
            Kind::TagId => Depth::Eight,
            _ => self.depth,
        }
    }
}
