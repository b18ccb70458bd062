//! What people look at: the morning report as one HTML file, and the live page over HTTP.
//!
//! # Layout
//! - [`facts`]: everything that is known about one run, arranged as a sheet. Pure.
//! - [`figures`]: figures out of the JSON files that `inspect` and `audit` write. Pure.
//! - [`sheet`]: a row per variant, a column per step. [`timeline`]: who ran what, when. [`report`]: the whole file. Pure.
//! - [`words`]: sizes, durations and moments for people.
//! - [`live`]: the live page; it is a caller of the gRPC services like any other, with the rights of the command line.
//!
//! This crate knows the wire contract and nothing else of ours: it never sees a store, a record or an engine.

pub mod facts;
pub mod figures;
pub mod live;
pub mod report;
pub mod sheet;
pub mod timeline;
pub mod words;

/// Style of report and page alike.
pub const STYLE: &str = include_str!("style.css");
