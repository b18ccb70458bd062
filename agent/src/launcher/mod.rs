//! The launcher: one small process per slot, started once, which starts items and looks after them.
//!
//! Why a process of its own: the system reports a child's peak memory together with that of its parent at
//! the moment of the start, so the parent must be small; orphans of an item must fall to somebody who ends
//! them; and when the agent dies in whatever way, the launcher's input closes and it ends everything.
//!
//! # Layout
//! - `frame`: what the two sides say to each other, and how it is written.
//! - `watch`: limits of one item over time, pure.
//! - `limiter`: how much of a log goes through, pure.
//! - `serve`: the launcher itself, a loop over `os::Host`.
//! - `handle`: the agent's side.

mod frame;
mod handle;
mod limiter;
mod serve;
mod watch;

pub use crate::os::Groups;
pub use frame::{Cause, Ended, How, Launch, write_launch};
pub use handle::{Control, Launcher, Said};
pub(crate) use serve::serve;
