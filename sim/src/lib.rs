//! Sumps that do not exist: physics of their own, the probes in them, and devices on real wires that speak for the probes.
//!
//! - [`rng`]: a small generator, so that a seed gives the same bytes on every machine
//! - [`stamp`]: simulated time
//! - [`world`]: what is true in each sump, stepped through time
//! - [`probe`]: what a probe in that sump delivers, with noise, lag, fouling and faults
//! - [`scenario`]: invented shops by name and seed, their history as rows, their configuration for the gateway
//! - [`device`]: Modbus TCP, RTU and RTU over TCP servers and an MQTT publisher, with scripted faults
//! - [`shop`]: a scenario in accelerated time behind those devices
//!
//! It shares no code with the gateway, so that an estimate is judged against a truth that does not share its
//! assumptions. Nothing here is for production: no authentication, loopback only.

pub mod device;
pub mod probe;
pub mod rng;
pub mod scenario;
pub mod shop;
pub mod stamp;
pub mod world;

pub use rng::Rng;
pub use stamp::Stamp;
