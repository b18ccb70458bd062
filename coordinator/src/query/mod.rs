//! What people ask about runs: read from the live state or from the record, never changing either.

pub mod archive;
pub mod catalog;
pub mod index;
pub mod keeper;
mod lacking;
pub mod names;
pub mod preview;
pub mod search;
pub mod seen;
mod standings;
mod trends;
mod waits;
pub mod why;
