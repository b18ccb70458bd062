//! Choices that are the same for the whole life of a scheduler.

/// Settings of a scheduler.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Settings {
    /// Who comes first within a run.
    pub order: Order,
    /// Whether room is kept for items that fit nowhere right now.
    pub reservations: Reservations,
}

/// Who comes first among the ready items of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Order {
    /// The longest expected path to the end of the run, then plan order.
    #[default]
    LongestPath,
    /// Plan order: plain list scheduling, to compare with.
    AsListed,
}

/// Whether room is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Reservations {
    /// Small items fill in only where they do not delay a big one.
    #[default]
    Kept,
    /// Whatever fits is placed, to compare with.
    Off,
}
