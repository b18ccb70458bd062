//! What every built-in operation takes and gives. Data only: this crate does no I/O and uses nothing of ours.
//!
//! # Layout
//! - [`declare`]: the types a declaration is made of: ports, settings, ranges, units.
//! - [`limits`]: limits written as text, one for each tag.
//! - [`chain`]: a resolved chain of operations as the worker receives it (JSON on its standard input).
//! - [`table`]: the declarations themselves, one file for each operation, and [`all`], the one source of truth
//!   for the manifest check, the worker and the reference page.
//! - [`reference()`]: the reference page.

pub mod chain;
pub mod declare;
pub mod limits;
mod reference;
pub mod table;

pub use chain::{Call, Chain, ChainInput, ChainOutput, ChainReport, InputFile, Setting, TagColor};
pub use declare::{Declaration, Kind, Outputs, Port, SettingDecl, SettingKind};
pub use reference::reference;
pub use table::{all, find};
