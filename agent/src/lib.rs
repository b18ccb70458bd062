//! The workstation agent: lends cores and memory, and runs items.
//!
//! # Layout
//! - [`config`]: what an agent lends and where its data lies.
//! - [`config_file`]: the same as a file, for a studio's agent.
//! - [`hours`]: the weekly timetable by which the machine is lent.
//! - [`lending`]: what else its owner allows, and whether items are taken now; [`lending_settings`]: as it is written.
//! - [`launcher`]: the small process per slot that starts items and ends all that they start.
//! - `join`: the stream to the coordinator, and the leases that are held. `slots`: threads that run items.
//! - `item`: one item from start to result. `blobs`: the way to the bytes. `tools`: external programs.
//! - `machine`: cores, memory, load, and what is lent now. `os`: what differs between systems.
//! - [`reach`]: how a coordinator is reached, and how this machine became a member of its studio.
//! - [`paint`]: pictures of what items make, as side work.
//! - [`simulated`]: the same agent with items that only pretend to run, for simulations of the network.
//! - [`special`]: the words that turn this program into a launcher, a worker or a painter.

mod blobs;
pub mod config;
pub mod config_file;
pub mod error;
pub mod hours;
mod item;
mod join;
pub mod launcher;
pub mod lending;
pub mod lending_settings;
mod machine;
mod os;
pub mod paint;
pub mod reach;
pub mod simulated;
mod slots;
pub mod special;
mod tools;

pub use config::{Config, NamedTool, Tools};
pub use error::AgentError;
pub use special::special_main;

use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

/// Joins the coordinator behind `channel` and runs what it is given, until `shutdown` is cancelled.
///
/// A lost connection is joined again with growing pauses; items go on meanwhile. On shutdown running items
/// are ended and handed back, which costs them no retry.
pub async fn run(config: Config, channel: Channel, shutdown: CancellationToken) -> Result<(), AgentError> {
    config.check()?;
    if let Some(program) = config.worker.first() {
        let (channel, program, shutdown) = (channel.clone(), program.clone(), shutdown.clone());
        tokio::spawn(paint::serve(channel, program, shutdown));
    }
    let opened = tokio::task::spawn_blocking(move || join::Agent::open(config, channel)).await;
    opened.map_err(AgentError::machine)??.run(shutdown).await
}

/// Waits for the system to ask the program to end: Ctrl-C or, where it exists, SIGTERM.
pub async fn end_signal() {
    os::end_signal().await;
}
