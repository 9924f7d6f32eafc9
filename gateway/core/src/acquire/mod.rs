//! F2: what to ask next, and which probe an answer belongs to.
//!
//! - [`plan`]: the points of a bus merged into requests
//! - [`schedule`]: the state machine of one bus: which request goes out when, and what follows from its outcome
//! - [`backoff`]: waits between attempts to connect
//! - [`pace`]: when to knock at a broker again
//! - [`inflight`]: messages of a broker that wait for their acknowledgement
//! - [`topics`]: messages of a broker to raw readings
//! - [`standby`]: which of two boxes polls a bus
//! - [`wire`]: what requests cost in time, and the plan for people
//! - [`decode`]: words of a reply to a raw number
//! - [`counters`]: every poll in exactly one bucket
//! - [`lateness`]: how long after their planned instant polls start
//!
//! Nothing here opens, sends or reads a clock: an uptime comes in as an argument, and what to do comes back.

pub mod backoff;
pub mod counters;
pub mod decode;
pub mod inflight;
pub mod lateness;
pub mod pace;
pub mod plan;
pub mod schedule;
pub mod settings;
pub mod standby;
#[cfg(test)]
mod testing;
pub mod topics;
pub mod wire;

pub use backoff::Backoff;
pub use counters::DeviceCounters;
pub use decode::decode;
pub use lateness::Lateness;
pub use plan::{Plan, PlanError, PlannedRequest, plan};
pub use schedule::{Exchange, Next, Outcome, Reply, Schedule};
pub use topics::{Expected, Fate, Message, Refusal, Taken, TopicMap, TopicMapError};
pub use wire::{PlanDescription, RequestLine, describe};
