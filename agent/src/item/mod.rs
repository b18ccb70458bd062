//! One item in its slot: stage, run, judge, collect. Everything here blocks; each slot has a thread.
//!
//! # Layout
//! - `paths`: where everything lies in an item's folder, pure.
//! - `command`: arguments of an external program, pure. [`chain`]: the job of the worker program, pure.
//! - `judge`: what an end means, pure.
//! - `stage`: inputs into the folder. `collect`: outputs out of it.
//! - `log`: what the item wrote: all of it, the last lines, and pieces for whoever watches.
//! - `folder`: the slot's folder, used again and again. `spare`: files to fill anew. `run`: the steps in order.

pub(crate) mod chain;
pub(crate) mod collect;
pub(crate) mod command;
pub(crate) mod folder;
pub(crate) mod judge;
pub(crate) mod log;
pub(crate) mod paths;
pub(crate) mod run;
mod spare;
pub(crate) mod stage;
