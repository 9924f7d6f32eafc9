//! Devices on real wires: what a gateway finds at the other end of a socket, a serial line or a broker.
//!
//! A [`Bank`] holds the registers of one or more units, their reply counters and fault scripts; test code keeps a clone and
//! reads and changes it while servers answer from it. [`Server`] speaks Modbus TCP or RTU over TCP, [`Line`] RTU on a
//! pseudo-terminal, [`Publisher`] MQTT. [`Plain`] answers as fast as it can for measurements.
//!
//! Everything listens on 127.0.0.1 and stops when its handle is dropped. Writing functions are answered with exception 1
//! and counted: nothing in a bank changes from outside.

mod bank;
mod fault;
mod line;
mod payload;
mod plain;
mod publisher;
mod server;

pub use bank::{Bank, Counts, Unit};
pub use fault::{Fault, Times};
pub use line::{Line, LineOptions};
pub use payload::{PayloadFormat, Reading};
pub use plain::Plain;
pub use publisher::{PublishError, Publisher, PublisherCounts, PublisherOptions};
pub use server::{Server, ServerOptions};
