//! (filled in below)
