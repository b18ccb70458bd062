//! What gives way, and in which order, when a budget is out of reach with everything kept.

/// A stage of giving way. Each gives way in all that the ones before it do; the reduction begins anew with each.
///
/// Never given up: the surface stays a surface (every edge keeps its two faces, open borders stay open and single), no
/// face turns over within a collapse, and every tag keeps at least one face.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Pressure {
    /// Borders between tags keep their course, every patch of a tag stays, and so does every tunnel.
    Kept,
    /// Narrow tunnels are closed, such as gaps between planks, where three edges run around one.
    Tunnels,
    /// Borders between tags pull less, and their vertices may move along and off them; faces may turn further.
    Borders,
    /// Borders hardly pull, and small patches of a tag may go as long as the tag has others.
    Patches,
    /// Faces may pass through each other: one collapse at a time, and only once nothing else may collapse.
    Crossings,
}

impl Pressure {
    /// In order.
    pub const ALL: [Self; 5] = [
        Self::Kept,
        Self::Tunnels,
        Self::Borders,
        Self::Patches,
        Self::Crossings,
    ];

    /// Weight of the planes that hold borders between tags, beside those of faces.
    pub(super) fn border_weight(self) -> f64 {
        match self {
            Self::Kept | Self::Tunnels => 10.0,
            Self::Borders => 1.0,
            Self::Patches | Self::Crossings => 0.1,
        }
    }

    /// Vertices of tag borders stay on them, and their corners stay in place.
    pub(super) fn borders_hold(self) -> bool {
        self <= Self::Tunnels
    }

    pub(super) fn closes_tunnels(self) -> bool {
        self >= Self::Tunnels
    }

    pub(super) fn absorbs_patches(self) -> bool {
        self >= Self::Patches
    }

    pub(super) fn crosses(self) -> bool {
        self == Self::Crossings
    }

    /// Of the angle by which a face may turn in one collapse: 78 degrees, then 87.
    pub(super) fn least_cosine(self) -> f64 {
        if self.borders_hold() { 0.2 } else { 0.05 }
    }
}
