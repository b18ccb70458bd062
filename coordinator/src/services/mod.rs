//! The gRPC services: decode, call, encode. Everything that decides lives elsewhere.

pub mod agents;
mod arrivals;
pub mod asking;
mod blob_stream;
pub mod blobs;
pub mod blocking;
pub mod convert;
pub mod forecasts;
pub mod logging;
pub mod looks;
pub mod members;
pub mod runs;
pub mod submission;
pub mod upkeep;
pub mod watching;
