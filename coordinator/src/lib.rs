//! The coordinator: it keeps the record of runs, items and attempts, places items on agents, and serves
//! people and agents over gRPC. As a library it lives inside the command-line program (embedded); as the
//! program `tidemill-coordinator` it serves a studio. Both are the same code.
//!
//! # Layout
//! - [`config`]: every setting in one struct.
//! - [`coordinator`]: the handle that opens, serves and closes.
//! - [`identity`]: certificates, invitations, and who may do what.
//! - [`looks`]: pictures of outputs, and what people think of them.
//! - [`os`]: what differs between operating systems.
//! - [`record`]: runs, items, attempts and results on disk.
//! - [`scheduler`]: decides what runs where; pure. [`estimate`]: what items are expected to need; pure.
//! - [`forecast`]: when a run will be done, by the simulated scheduler.

pub mod config;
pub mod coordinator;
pub mod engine;
pub mod estimate;
pub mod forecast;
pub mod identity;
pub mod looks;
pub mod os;
mod page;
pub mod query;
pub mod record;
pub mod scheduler;
pub mod services;
pub mod upkeep;

pub use config::Config;
pub use coordinator::{Coordinator, OpenError, ServeError, store_of};
pub use tidemill_store::backend::Address;
