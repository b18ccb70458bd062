//! Decides what runs where, as a pure state machine: `(state, event) -> actions`.
//!
//! No clock, no input or output, no randomness, no task: the time comes with each event, and the same events give
//! the same actions. The live coordinator, the forecast, the simulator and the property tests drive this same
//! code.
//!
//! - [`ids`], [`spec`]: what is named and what is told about it
//! - [`event`]: what happens; [`action`]: what to do

pub mod action;
pub mod event;
pub mod ids;
pub mod spec;

pub use action::{Action, EndReason, Reason};
pub use event::Event;
pub use ids::{AgentId, ItemId, KeyId, LeaseNumber, Millis, RequirementId, RunId, SeatId};
pub use spec::{
    AgentSpec, Amount, Budget, Departure, Estimate, ItemSpec, Outcome, Resolution, RunSpec, SeatUse,
};

/// How often an item may outgrow its memory before each further time is charged as a failure.
pub const OVER_MEMORY_LIMIT: u32 = 6;
/// How often an item's attempts may end for reasons of the machine before it is failed.
pub const MACHINE_LIMIT: u32 = 5;
/// Agents that may go down under an item before it is failed.
pub const TOOK_DOWN_LIMIT: u32 = 2;
/// Failed items of one step, without a success, after which the step is held back.
pub const STEP_FAILURE_LIMIT: u32 = 5;
