//! What people ask about runs: read from the live state or from the record, never changing either.

pub mod archive;
pub mod index;
pub mod names;
pub mod preview;
pub mod search;
pub mod seen;
pub mod why;
