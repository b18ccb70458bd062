//! The agent's life: joins, is given items, tells results, reports, joins again when the stream was lost.
//!
//! # Layout
//! - `leases`: what is held, pure. `backoff`: pauses between attempts to join, pure.
//! - `agent`: the state of one agent and what it does about each event.
//! - `session`: one stream, from Hello to its end.
//!
//! Items do not depend on the stream: they go on while it is lost, and results are kept until they are settled.

mod agent;
mod backoff;
mod leases;
mod session;

pub(crate) use agent::Agent;
