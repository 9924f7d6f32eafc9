//! What several tests share: published values, a hand-made sump, foreign peers, what was stored.
//!
//! - [`vectors`]: published values
//! - [`shop`]: one sump whose every reading a test says itself
//! - [`process`]: foreign programs, started on free ports and stopped by their own process id
//! - [`broker`]: mosquitto and paho
//! - [`modbus`]: pymodbus on TCP and on a serial line
//! - [`database`]: time-series databases and what is in them
//! - [`server`]: the serving end of HTTP
//! - [`receiver`]: a receiver of messages
//! - [`faketime`]: another time for a program
//! - [`gateway`]: the gateway's own program on a configuration file, and what it has stored
//! - [`whole`]: stories of the whole system, drawn from a seed

pub mod broker;
pub mod database;
pub mod electrode;
pub mod faketime;
pub mod gateway;
pub mod modbus;
pub mod process;
pub mod receiver;
pub mod server;
pub mod shop;
pub mod vectors;
#[path = "../whole/mod.rs"]
pub mod whole;
